"""When the level is worth an alarm. Pure: takes what is known now and what was known before,
returns a verdict. Limits that name no source are our own choice, checked on simulated tanks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, median

from stillwell.estimate.answer import Estimate
from stillwell.estimate.level.model import RateView
from stillwell.observe.chamber.found import Sure

LOOK_EVERY_MS = 30 * 60_000
"""How often the rules are asked: a passage through the ledger costs tens of milliseconds."""

WINDOW_MS = 6 * 3_600_000
"""The tank's own past is kept in windows of this length."""
MOST_WINDOWS = 56
"""How many windows are kept: fourteen days."""

TYPICAL_ML_PER_H = 22.5
"""The usual evaporation where physics can say nothing: a gallon a week for a nano tank (common
practice)."""

LEAK_WINDOWS_H = (2, 4, 8)
"""The spans over which the loss is looked at when the rate is high: a large leak shows in two
hours."""
_SURE = 3.0
"""A rate counts as high when it is this many of its standard deviations above the limit."""
_HOURS_SPREAD = 0.3
"""The relative spread of a tank's windows by the hours of the day: how well its ratio to physics is
known goes with it and with the number of windows (our own judgement)."""
_PRIOR_WINDOWS = 4.0
"""How many of the tank's own windows it takes for their spread to count as much as `_SPREAD`
(our own judgement)."""
_SPREAD = 0.12
"""The relative spread of a tank's rate against physics when nothing is wrong, before its own is
known: draughts, lids, lamps."""
_ALLOWED_SPREADS = 4.0
_LEAST_EXCESS = 8.0
"""The least excess over what is allowed that is worth waking somebody, mL/h."""
_PLAIN = 6.0
"""So many times the usual are more than a fan and an open lid make together."""
_STANDS_OUT = 1.25
_BY_HEAT, _NOT_BY_HEAT = 3.0, -1.5
"""ln of the odds at which the water's heat shows a leak, and at which it shows evaporation."""
_GOES_ON_MS = 24 * 3_600_000
"""A fan rests, and a lid is closed again, within a day."""
_LEAST_SHARE = 1.5
"""No rate below this many times the usual is called a leak."""
_SLOTS = 86_400_000 // WINDOW_MS
_NEAR_MS = WINDOW_MS // 2
"""By so much earlier or later a fan may start."""
_DAYS_KNOWN = 2
"""What these hours of the day had on so many days is usual at them."""
STILL_WINDOW_H = 8
_STILL_SHARE = 0.35
_STILL_LEAST = 6.0
"""The rate that must be expected before its absence means anything, mL/h."""
_SLOW_WINDOWS = 24
_SLOW_SWING = 0.15
"""How far the expected rate must have swung, as a share of itself (standard deviation), before a
part of the loss that did not follow it can be told apart."""
_SLOW_LEAST = 8.0
_SLOW_SHARE = 0.45
TOP_UP_WITHIN_H = 6.0
"""How long before the lowest safe level somebody is asked to pour."""
TOP_UP_CLEAR_H = 9.0
ACQUAINTED_MS = 24 * 3_600_000
"""No sensor of the level is called wrong sooner. Before a day with its pours, pauses and ripple
has been seen, heights and zeros are too little known to say which of two sensors is off."""

STUCK_UP, STUCK_DOWN = 0.9, 0.1
CHATTER_MS = 12 * 3_600_000
CHATTER_SEEN_MS = 2 * 3_600_000
_CHATTER_AWAY_MM = 6.0

_ACQUAINTED_WINDOWS = 8
"""How many windows of the tank's own past, two days, must be known before a float is judged by
them."""
_LEAST_OF_USUAL, MOST_OF_USUAL = 0.6, 1.25
"""The share of the usual that evaporates even on a damp day, and the most that evaporates for
days on end."""
UNSEEN_POURS = 2
"""How many pours a float must miss: a single one may have been noted by mistake."""


@dataclass(frozen=True, slots=True)
class PastWindow:
    """One window of six hours of the tank's own past."""

    end_ms: int
    ml_per_h: float
    sd: float
    expected: float | None
    """What physics expected, mL/h; None where it could say nothing."""
    odd: bool = False
    """Whether it was so unlike the usual that it may have been a leak, and has not ended yet."""

    @property
    def slot(self) -> int:
        """Returns which quarter of the day it is."""
        return (self.end_ms - 1) // WINDOW_MS % _SLOTS


@dataclass(frozen=True, slots=True)
class Usual:
    """What is allowed to evaporate now, mL/h."""

    middle: float
    allowed: float
    windows: int
    """How many windows of the tank's own past this rests on; 0: on physics or common practice
    alone."""
    from_physics: bool


@dataclass(frozen=True, slots=True)
class RateNow:
    """The present rate without the water's swelling and shrinking, mL/h."""

    ml_per_h: float
    sd: float
    expected: float
    from_physics: bool
    thermal: float
    """The swelling and shrinking that was taken out."""

    @classmethod
    def of(cls, view: RateView, thermal_ml_per_h: float) -> RateNow:
        scale = view.expected_ml_per_h
        return cls(
            view.now * scale - thermal_ml_per_h,
            view.now_sd * scale,
            scale,
            view.from_physics,
            thermal_ml_per_h,
        )


def usual(
    now: RateNow, past: Sequence[PastWindow], tank_rel_sd: float, span: range | None = None
) -> Usual:
    """Returns what physics and the tank's own last fourteen days allow.

    Each window of the past is a ratio of what was lost to what was expected. The median of the
    ratios shows how this tank compares with physics, their spread how restless it is. Physics
    counts by how well it fits a tank, which keeps the first day sane. A day has hours: at those
    at which a fan has run, or a window was open, on two days before, as much is allowed again.

    Args:
        tank_rel_sd: the relative uncertainty of what physics expects of this tank.
        span: the time that it is about, ms; None: the hours of the day don't count.
    """
    known = []
    for w in past:
        well_seen = w.sd < 0.35 * max(TYPICAL_ML_PER_H, abs(w.ml_per_h))
        if not w.odd and well_seen and (w.expected is not None or not now.from_physics):
            unit = w.expected if now.from_physics and w.expected else TYPICAL_ML_PER_H
            known.append((w.slot, (w.ml_per_h / unit, w.sd / unit)))
    scale = now.expected if now.from_physics else TYPICAL_ML_PER_H
    prior_sd = tank_rel_sd if now.from_physics else 0.7
    n = len(known)
    weight = n / (n + (_HOURS_SPREAD / prior_sd) ** 2)
    own, strays = _own([ratio for _, ratio in known]) if n else (1.0, _SPREAD)
    middle = weight * own + (1 - weight) * 1.0
    doubt = math.hypot(strays, prior_sd * math.sqrt(1 - weight))
    allowed = max(middle + _ALLOWED_SPREADS * doubt, _LEAST_SHARE * middle)
    if span is not None:
        by_slot = ([ratio for at, ratio in known if at == slot] for slot in range(_SLOTS))
        usually = [_at_these_hours(ratios, strays / max(own, 0.1)) or middle for ratios in by_slot]
        for off in (-_NEAR_MS, 0, _NEAR_MS):
            hours = range(span.start + off, span.stop + off, LOOK_EVERY_MS)
            allowed = max(allowed, fmean(usually[at // WINDOW_MS % _SLOTS] for at in hours))
    return Usual(
        middle * scale,
        max(allowed * scale, middle * scale + _LEAST_EXCESS),
        n,
        now.from_physics,
    )


def _own(ratios: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Returns the middle of ratios that are given with their standard deviations, and the spread
    that is left without these; a few ratios hardly change what is known of it before."""
    middle, noise = (median(each) for each in zip(*ratios, strict=True))
    # 1.4826: the standard deviation of a normal distribution over its median deviation
    spread = 1.4826 * median(abs(ratio - middle) for ratio, _ in ratios)
    weight = len(ratios) / (len(ratios) + _PRIOR_WINDOWS)
    own = weight * max(0.0, spread**2 - noise**2)
    return middle, math.sqrt(own + (1 - weight) * (_SPREAD * middle) ** 2)


def _at_these_hours(ratios: Sequence[tuple[float, float]], strays: float) -> float | None:
    """Returns which ratio is allowed at hours of the day that had these, on a tank with such a
    relative spread; None before two days."""
    if len(ratios) < _DAYS_KNOWN:
        return None
    middle = median(ratio for ratio, _ in ratios)
    return middle * (1.0 + _ALLOWED_SPREADS * strays * math.sqrt(1.0 + 1.0 / len(ratios)))


def suspicious(now: RateNow, bound: Usual) -> bool:
    """Whether the rate is high enough to be worth a longer look."""
    return now.ml_per_h > bound.middle + 0.4 * (bound.allowed - bound.middle)


def leaks(over: RateNow, bound: Usual, share: float = 1.0) -> bool:
    """Whether the loss is certainly far above the usual: by more than the usual and the measurement
    stray together, which are independent.

    Args:
        over: the mean rate over one of the last `LEAK_WINDOWS_H`: once the rate has changed, it
            is known better than the rate at this instant.
        share: of that.
    """
    strays = bound.allowed - bound.middle, _ALLOWED_SPREADS * over.sd, over.thermal
    return over.ml_per_h - bound.middle > share * math.hypot(*strays)


def stands_out(over: RateNow, bound: Usual) -> bool:
    """Whether the loss is surely above the usual, though it may be a fan's."""
    return over.ml_per_h - 2.0 * over.sd > _STANDS_OUT * bound.middle


def more_than(over: RateNow, before: RateNow) -> bool:
    """Whether surely more goes than went at the same hours the day before."""
    more, sd = over.ml_per_h - before.ml_per_h, math.hypot(over.sd, before.sd)
    return more - 2.0 * sd > 0.0 and more > _LEAST_EXCESS


def leaks_by_heat(heat: float) -> bool:
    """Whether the water's heat shows that what goes leaks, by ln of the odds."""
    return heat > _BY_HEAT


def evaporates(heat: float) -> bool:
    """Whether the water's heat shows that what goes evaporates, by ln of the odds for a leak."""
    return heat < _NOT_BY_HEAT


def surely_leaks(over: RateNow, bound: Usual, heat: float, lasts_ms: int) -> Sure | None:
    """Returns why a loss that is far above the usual is a leak; None where it may evaporate."""
    if over.ml_per_h - _SURE * over.sd > _PLAIN * bound.middle:
        return Sure.TOO_MUCH
    if leaks_by_heat(heat):
        return Sure.NOT_COOLED
    return Sure.GOES_ON if lasts_ms >= _GOES_ON_MS else None


def unlike(over: RateNow, bound: Usual) -> bool:
    """Whether a window's rate is so far from the usual that it may come from a leak or a stuck
    sensor and should not become the usual. Before the usual is known, less is unlike it."""
    share = 0.5 if well_known(bound) else 1.0
    return over.ml_per_h < 0.2 / share * bound.middle or leaks(over, bound, share)


def leaks_no_more(now: RateNow, bound: Usual) -> bool:
    """Whether a leak that was reported is certainly over: the rate is near the usual again."""
    return now.ml_per_h + now.sd < bound.allowed


@dataclass(frozen=True, slots=True)
class Constant:
    """A part of the loss that does not follow what physics expects."""

    ml_per_h: float
    sd: float
    windows: int


def steady_part(past: Sequence[PastWindow]) -> Constant | None:
    """Returns the part of the loss that stays when the expected rate swings; None where that can't
    be told.

    A straight line is fitted through (expected, lost) of the windows, all with the same weight:
    evaporation goes through the origin, and a leak lifts the line. The standard deviation is
    that of the intercept, with the windows' scatter about the line.
    """
    pairs = [
        (w.expected, w.ml_per_h)
        for w in past
        if w.expected is not None and w.sd < 8.0 and not w.odd
    ]
    n = len(pairs)
    if n < _SLOW_WINDOWS:
        return None
    mx = sum(x for x, _ in pairs) / n
    my = sum(y for _, y in pairs) / n
    sxx = sum((x - mx) ** 2 for x, _ in pairs)
    if math.sqrt(sxx / n) < _SLOW_SWING * mx:
        return None
    slope = sum((x - mx) * (y - my) for x, y in pairs) / sxx
    intercept = my - slope * mx
    scatter = sum((y - intercept - slope * x) ** 2 for x, y in pairs) / (n - 2)
    # neighbouring windows see the same weather: count them as a third as many
    sd = math.sqrt(3.0 * scatter * (1 / n + mx * mx / sxx))
    return Constant(intercept, sd, n)


def seeps(part: Constant | None, past: Sequence[PastWindow]) -> bool:
    """Whether the steady part is large enough, and certain enough, to be a slow leak."""
    if part is None:
        return False
    known = [w.ml_per_h for w in past if not w.odd]
    mean = sum(known) / len(known)
    return part.ml_per_h - _SURE * part.sd > max(_SLOW_LEAST, _SLOW_SHARE * mean)


def stands_still(over: RateNow, bound: Usual) -> bool:
    """Whether next to nothing evaporates although it should.

    Args:
        over: the mean rate over the last `STILL_WINDOW_H`.
    """
    return (
        bound.middle >= _STILL_LEAST
        and abs(over.thermal) < 0.3 * bound.middle
        and over.ml_per_h + _SURE * over.sd < _STILL_SHARE * bound.middle
    )


def wants_water(
    reserve: Estimate | None,
    level: Estimate | None,
    lowest_mm: float,
    already: bool,
    reckoned_h: float | None = None,
) -> bool:
    """Whether a top-up is needed: the lowest safe level is reached or near.

    Args:
        reckoned_h: hours by dead reckoning, where the level is not known.
    """
    if level is not None and level.value <= lowest_mm:
        return True
    hours = reserve.value if reserve is not None and level is not None else reckoned_h
    if hours is None:
        return already  # nothing is known that would end it
    return hours < (TOP_UP_CLEAR_H if already else TOP_UP_WITHIN_H)


def too_high(level: Estimate | None, highest_mm: float, already: bool) -> bool:
    """Whether the water is above the highest safe level."""
    if level is None:
        return False
    return level.value > highest_mm - 2.0 if already else level.low > highest_mm


def well_known(bound: Usual) -> bool:
    """Whether enough of the tank's own past is known to judge a float by it."""
    return bound.windows >= _ACQUAINTED_WINDOWS


def must_have_passed(closed_h: float, above_ml: float, bound: Usual) -> bool:
    """Whether water that a float has long reported above it must have fallen below it.

    Args:
        closed_h: hours without a look that found the float open.
        above_ml: the most that may have been above it, with all that was poured in meanwhile.
    """
    return well_known(bound) and closed_h * _LEAST_OF_USUAL * bound.middle > above_ml


def mostly_partly(shares: Sequence[float]) -> bool:
    """Whether a float was neither up nor down in most of an hour's slices."""
    return len(shares) >= 4 and sum(0.05 < share < 0.95 for share in shares) >= 4


def chatters(
    shares: Sequence[tuple[int, float]],
    slice_ms: int,
    height_mm: float,
    level: Estimate | None,
) -> bool:
    """Whether a float opens and closes where it shouldn't.

    Args:
        shares: (slice number, share closed in it), newest last.
        level: from the other sensors and the past, where it is known.
    """

    def all_partly(span_ms: int) -> bool:
        n = span_ms // slice_ms
        newest = [share for _, share in shares[-n:]]
        return len(newest) == n and all(0.05 < share < 0.95 for share in newest)

    if level is not None and level.high - level.low < _CHATTER_AWAY_MM:
        away = min(abs(height_mm - level.low), abs(height_mm - level.high))
        if away > _CHATTER_AWAY_MM and all_partly(CHATTER_SEEN_MS):
            return True
    return all_partly(CHATTER_MS)
