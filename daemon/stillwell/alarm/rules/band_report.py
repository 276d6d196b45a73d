"""What the alarms of bands say at a given moment, and whether a value is on its way back by itself.

An alarm may be said long after its condition began: again because nobody answers, or for the first
time because it was hidden or shelved until then. It then says what is so, not what was.
"""

from __future__ import annotations

from collections.abc import Iterable

from stillwell.alarm.rules.forecast import reaches
from stillwell.alarm.rules.rate import LEAST_STRETCHES, STRETCH_MS, Slope, together, trend
from stillwell.alarm.watched import BandWatch
from stillwell.alarm.wording import Sightings, Wording
from stillwell.notice import Message
from stillwell.reading import Moment

TURNING_MS = (LEAST_STRETCHES + 3) * STRETCH_MS
"""So long after a value has turned its way back can be told: of the hour that is looked back on
the way there is the longer part until then."""
LONGEST_BACK_MS = 6 * 3_600_000
"""What takes longer to come back than this does not come back by itself. A choice of ours: 100 W
lift 68 L of seawater by 3 K in two and a half hours and what the room takes."""


class BandReport:
    """Speaks for the bands of one watch; knows nothing of its own."""

    def __init__(self, words: Wording, bands: Iterable[BandWatch]) -> None:
        self._words = words
        self._bands = {band.band.name: band for band in bands}

    def outside(self, band: BandWatch, low: bool, since: Moment | None, now: Moment) -> Message:
        """The value is below (else above) its band."""
        quantity = band.channels[0].watch.quantity
        return self._words.outside(band.band, quantity, low, sightings(band, now), since, now)

    def inside(self, band: BandWatch, low: bool, since: Moment | None, now: Moment) -> Message:
        """The value is back from below (else from above) its band."""
        quantity = band.channels[0].watch.quantity
        return self._words.inside(band.band, quantity, low, sightings(band, now), since, now)

    def says(self, alarm: str, now: Moment) -> Message | None:
        """Returns what `alarm`, which stands, says now; None when it is not about a value that is
        outside a band, or the value is not seen."""
        found = self._side(alarm)
        if found is None:
            return None
        band, low = found
        if band.value(now) is None:
            return None
        side = band.state.low if low else band.state.high
        return self.outside(band, low, side.since, now)

    def comes_back(self, alarm: str, now: Moment) -> bool:
        """Whether `alarm` is about a value outside a band which, as it goes now, is back inside
        within six hours."""
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
        back = reaches(_trend(band, now), value, within)
        return back is not None and back.seconds * 1000 < LONGEST_BACK_MS

    def patience_ms(self, alarm: str) -> int:
        """How long it takes to see whether the value that `alarm` is about has turned; 0 for
        others."""
        return 0 if self._side(alarm) is None else TURNING_MS

    def _side(self, alarm: str) -> tuple[BandWatch, bool] | None:
        name, _, kind = alarm.rpartition(".")
        band = self._bands.get(name)
        if band is None or kind not in ("low", "high"):
            return None
        return band, kind == "low"


def sightings(band: BandWatch, now: Moment) -> Sightings:
    """Returns what a text about `band` is made of."""
    return Sightings(band.value(now), _trend(band, now), band.state.lowest, band.state.highest)


def _trend(band: BandWatch, now: Moment) -> Slope | None:
    trends = (trend(c.trail.points, c.watch.step) for c in band.channels if c.shows(now))
    return together(slope for slope in trends if slope is not None)
