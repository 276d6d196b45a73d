"""The facts of a band at a given moment, and whether a value is returning by itself.

An alarm may be told long after its condition began: as a repeat because nobody answers, or for
the first time because it was suppressed or shelved until then. It then gives the present facts,
not those of the beginning.
"""

from __future__ import annotations

from collections.abc import Iterable

from stillwell.alarm.rules.band import BackInBand, Course, OutsideBand, Racing
from stillwell.alarm.rules.forecast import reaches
from stillwell.alarm.rules.rate import LEAST_STRETCHES, STRETCH_MS, Slope, together, trend
from stillwell.alarm.watched import BandWatch
from stillwell.reading import Moment, Quantity

TURNING_MS = (LEAST_STRETCHES + 3) * STRETCH_MS
"""How long after a value has turned this can be told: by then the way back makes up the longer
part of the hour that is looked at."""
LONGEST_BACK_MS = 6 * 3_600_000
"""A value that takes longer than this is not taken to return by itself. A choice of ours: 100 W
warm 68 L of seawater by 3 K in two and a half hours, and longer by what the room takes."""


class BandReport:
    """Answers for the bands of one watch; has no state of its own."""

    def __init__(self, bands: Iterable[BandWatch]) -> None:
        self._bands = {band.band.name: band for band in bands}

    def facts_now(self, alarm: str, now: Moment) -> OutsideBand | None:
        """Returns the present facts of `alarm`, which stands. Returns None when it is not about
        a value outside a band, or when the value is not seen."""
        found = self._side(alarm)
        if found is None:
            return None
        band, low = found
        if band.value(now) is None:
            return None
        return outside(band, low, now)

    def comes_back(self, alarm: str, now: Moment) -> bool:
        """Whether `alarm` is about a value outside a band that will be back inside within six
        hours at its present rate."""
        found = self._side(alarm)
        if found is None:
            return False
        band, low = found
        value = band.value(now)
        if value is None:
            return False
        within = band.band.low + band.band.deadband if low else band.band.high - band.band.deadband
        if value >= within if low else value <= within:
            return True  # and returns when its delay is over
        soon = reaches(slope_of(band, now), value, within)
        return soon is not None and soon.seconds * 1000 < LONGEST_BACK_MS

    def patience_ms(self, alarm: str) -> int:
        """Returns how long, in ms, it takes to see whether the value that `alarm` is about has
        turned; 0 for other alarms."""
        return 0 if self._side(alarm) is None else TURNING_MS

    def _side(self, alarm: str) -> tuple[BandWatch, bool] | None:
        name, _, kind = alarm.rpartition(".")
        band = self._bands.get(name)
        if band is None or kind not in ("low", "high"):
            return None
        return band, kind == "low"


def outside(band: BandWatch, low: bool, now: Moment) -> OutsideBand:
    """Returns the facts of a value that is too low, or too high."""
    of, slope = band.band, slope_of(band, now)
    value, limit = band.value(now), of.low if low else of.high
    width, course = of.high - of.low, course_of(slope, now)
    worsens = course is not None and (course.per_h < 0) == low
    target = limit + (-width if low else width) if worsens else limit
    at = limit if value is None else value
    ahead = reaches(slope, at, target) if course else None
    return OutsideBand(*told_of(band, now), low, limit, course, ahead)


def back(band: BandWatch, low: bool, now: Moment) -> BackInBand:
    """Returns the facts of a value that was too low, or too high."""
    of, state = band.band, band.state
    worst = state.lowest if low else state.highest
    return BackInBand(*told_of(band, now), low, of.low if low else of.high, worst)


def racing(band: BandWatch, now: Moment) -> Racing:
    """Returns the facts of a value that changes too fast."""
    of, slope, value = band.band, band.slope(now), band.value(now)
    leaves = None
    if slope is not None and value is not None and of.low <= value <= of.high:
        leaves = reaches(slope, value, of.low if slope.per_h < 0 else of.high)
    course = None if slope is None else _course(slope, now)
    return Racing(*told_of(band, now), course, of.rate_per_h or 0.0, leaves)


def told_of(band: BandWatch, now: Moment) -> tuple[str, Quantity, bool, float | None, int]:
    """Returns the facts that every finding about a band has: see `OfBand`."""
    of = band.band
    quantity = band.channels[0].watch.quantity
    return of.called, quantity, of.of_water, band.value(now), now.utc_ms


def course_of(slope: Slope | None, now: Moment) -> Course | None:
    """Returns where a value is going; None where it may be steady."""
    if slope is None or slope.certain_per_h == 0 or slope.low <= 0 <= slope.high:
        return None
    return _course(slope, now)


def _course(slope: Slope, now: Moment) -> Course:
    turned = slope.turned_ms
    turned_ms = None if turned is None else now.utc_ms - (now.mono_ms - turned)
    return Course(slope.per_h, (now.mono_ms - slope.first_ms) / 1000, turned_ms)


def slope_of(band: BandWatch, now: Moment) -> Slope | None:
    """Returns how fast the value has changed in the last hour."""
    trends = (trend(c.trail.points, c.watch.step) for c in band.channels if c.shows(now))
    return together(slope for slope in trends if slope is not None)
