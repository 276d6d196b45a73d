"""What has lifted the water in the chamber at once: the pump has stopped and its water has run
back, or water came in.

A pour ends near the fill mark and a dose is small; a stop lifts the water by the drain-back height,
which each feeding pause teaches. What only brings back the water that was taken out a moment before
is neither. Rates and spreads that name no source are our own choice, checked on simulated tanks."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist, median

from stillwell.estimate.level.geometry import FloatSpec

_MIN_MS, _DAY_MS = 60_000, 86_400_000
TOLD_MS = 15 * _MIN_MS
"""So long after the rise a stop is told, counted from the last look before it…"""
_UNKNOWN_MS, _KNOWN, _KNOWN_DAYS = 25 * _MIN_MS, 3, 3.0
LONGEST_MS = 40.0 * _MIN_MS
_PAUSE_MIN, _PAUSE_SD, _PAUSE_WEIGHT = 12.0, 0.4, 2.0
_SLOWEST_MS = 5 * _MIN_MS
_RARELY, _ONE_IN, _HOURS_MS = 2.9, 500.0, 75 * _MIN_MS
"""… and near the hours at which the pump of this tank pauses, so long that one pause in five
hundred lasts, at most `LONGEST_MS`; and `_UNKNOWN_MS` before these hours are known. The logarithm
of a pause is normal; what is known before any, 5 to 20 min (common practice), weighs as much as two
of them. Nor is it longer than one in five hundred of pauses that all are as long as any up to an
unknown longest one (the Pareto posterior of a uniform's end)."""
_STOPS_A_DAY, _POURS_A_DAY = 0.1, 0.5
"""Stops that last for longer than a feeding pause; pours that nobody has noted by then."""
_DOSES_A_DAY, _DOSE_MM, _DOSE_SD_MM = 10.0, 3.0, 2.0
"""Doses of an automatic top-up, by how much one lifts the water (a mean), and their spread."""
_OVERSHOOT_MM = 1.2
"""By how much the water stands above the mark after one (a mean)."""
_THINGS_A_DAY, _THING_MM = 0.05, 8.0
"""Nets, hands and rock that are put in and stay for as long, and by how much they lift it."""
_BACK_MM, _BACK_SD_MM = 25.0, 15.0
"""The drain-back height before any pause was seen (common practice: a finger or two)…"""
_OTHERWISE, _LESS = 0.5, 0.05
"""… and afterwards for this share of stops: a pause ends before all has run back, and may have been
a hand in the water. So a stop lifts it by less than the pauses did in this share of them."""
_ALIKE, _ALIKE_MM = 0.06, 0.7
_MARK_SD_MM, _ELSEWHERE, _SPAN_MM = 3.0, 0.1, 60.0
_OVER_MM = 8.0
"""Where a pour ends: about the mark, or seldom anywhere in the chamber, the less above the mark."""
_PRIOR_DAYS = 4.0
"""How many days of this tank's own the prior rate of rises without a note is worth."""
_DIP_MM, _DIP = 6.0, 0.4
"""Water that was lower than in the hours before by so much, or this share of the rise, had been
taken out."""


@dataclass(frozen=True, slots=True)
class Came:
    """What is known of the water that comes in."""

    by_hand: bool
    """Whether it is poured into the chamber by hand."""
    days: float
    """How long this chamber has been watched."""
    doses_mm: Sequence[float]
    """By how much the latest water lifted it that nobody noted."""
    times: int
    """How often unnoted water came up to the last of the floats that closed."""


def drain_back(backs: Sequence[float]) -> tuple[float, float]:
    """Returns the drain-back height and its spread, by how much the water was up in the latest
    pauses, mm."""
    if not backs:
        return _BACK_MM, _BACK_SD_MM
    middle = median(backs)
    return middle, max(_ALIKE_MM, _ALIKE * middle) * (1.0 if len(backs) > 2 else 2.0)


def told_after_ms(
    at_ms: int, pauses: Sequence[tuple[int, int]], days: float, every_ms: int
) -> float:
    """Returns how long water that was first seen up at `at_ms` must be up before a stop is told.

    Args:
        every_ms: how often the chamber is looked at: it rose at any time since the last look, and
            must not wait for the next one.
        pauses: when they began, and how long they lasted.
        days: how long this chamber has been watched.
    """
    if days < _KNOWN_DAYS and len(pauses) < _KNOWN:
        return _UNKNOWN_MS
    least = TOLD_MS - 2 * min(every_ms, _SLOWEST_MS) + 1
    half = _DAY_MS // 2
    off = [abs((at_ms - begun + half) % _DAY_MS - half) for begun, _ in pauses]
    if days >= _KNOWN_DAYS and min(off, default=_DAY_MS) > _HOURS_MS:
        return least
    logs, prior = [math.log(max(1, last)) for _, last in pauses], math.log(_PAUSE_MIN * _MIN_MS)
    weight = _PAUSE_WEIGHT + len(logs)
    mean = (_PAUSE_WEIGHT * prior + sum(logs)) / weight
    squares = _PAUSE_WEIGHT * (_PAUSE_SD**2 + (prior - mean) ** 2)
    squares += sum((log - mean) ** 2 for log in logs)
    spread = math.sqrt(squares / weight * (1.0 + 1.0 / weight))
    tail, most = math.exp(mean + _RARELY * spread), LONGEST_MS
    if pauses:
        count, longest = len(pauses), max(lasted for _, lasted in pauses)
        most = min(most, longest * max(1.0, _ONE_IN / (count + 1)) ** (1.0 / count))
    return min(most, max(least, tail)) if most > least else least


def odds_by_gauge(
    rise: float, base: float, usual: float | None, back_mm: tuple[float, float], came: Came
) -> float:
    """Returns ln of the odds that the pump has stopped and no water came, by the gauge, mm.

    Args:
        base: where the water stood before.
        usual: where it stood in the last hours.
        back_mm: the drain-back height and its spread.
    """
    otherwise = _OTHERWISE if rise > back_mm[0] - back_mm[1] else _LESS
    back = otherwise * NormalDist(_BACK_MM, _BACK_SD_MM).pdf(rise)
    back += (1.0 - _OTHERWISE) * NormalDist(*back_mm).pdf(rise)
    if came.by_hand:
        ends = base + rise
        here = (1.0 - _ELSEWHERE) * NormalDist(0.0, _MARK_SD_MM).pdf(ends)
        else_ = _ELSEWHERE / _SPAN_MM * math.exp(-max(0.0, ends) / _OVER_MM)
        water = _POURS_A_DAY * (here + else_)
    else:
        water = _DOSES_A_DAY / _DOSE_MM * math.exp(-rise / _DOSE_MM) * _PRIOR_DAYS
        water += sum(NormalDist(mm, _DOSE_SD_MM).pdf(rise) for mm in came.doses_mm)
        water /= _PRIOR_DAYS + came.days
    water += _THINGS_A_DAY / _THING_MM * math.exp(-rise / _THING_MM)
    refilled = usual is not None and base < usual - max(_DIP_MM, _DIP * rise)
    stop, least = _STOPS_A_DAY * back, sys.float_info.min  # far off both densities are 0
    odds = math.log(max(stop, least)) - math.log(max(water, least))
    return odds - (6.0 if refilled else 0.0)


def odds_by_floats(
    risen: Sequence[FloatSpec],
    still: Sequence[FloatSpec],
    closed: Sequence[FloatSpec],
    back_mm: tuple[float, float],
    came: Came,
) -> float:
    """Returns ln of the odds that the pump has stopped and no water came, by which floats have
    closed at once.

    Args:
        risen: those that have.
        still: the others that are heard.
        closed: those of them that were closed before.
        back_mm: the drain-back height and its spread.
    """
    if not risen:
        return -math.inf
    heights = [spec.height_mm for spec in risen]
    high, ends = min(heights), max(heights)
    # a lower one that is open hangs
    ceiling = min((s.height_mm for s in still if s.height_mm > ends), default=math.inf)
    under = [spec.height_mm - spec.differential_mm for spec in closed]
    low = max(under, default=high - 2.0 * _DOSE_MM)
    backs = NormalDist(*back_mm), NormalDist(_BACK_MM, _BACK_SD_MM)
    begins = [low + (high - low) * (k + 0.5) / 5 for k in range(5)] if low < high else [high]

    def between(of: NormalDist, base: float) -> float:
        return (1.0 if ceiling == math.inf else of.cdf(ceiling - base)) - of.cdf(ends - base)

    stop = sum(between(back, base) for back in backs for base in begins)
    stop *= _STOPS_A_DAY / len(begins) / len(backs)
    if came.by_hand:
        reach = max(0.0, min(ceiling, 0.5 * _SPAN_MM) - ends) / _SPAN_MM
        reach *= math.exp(-max(0.0, ends) / _OVER_MM)
        here = (1.0 - _ELSEWHERE) * between(NormalDist(0.0, _MARK_SD_MM), 0.0)
        water = _POURS_A_DAY * (here + _ELSEWHERE * reach)
    else:
        nearest = max(low, min(high, 0.0)) if len(risen) == 1 else high
        water = _DOSES_A_DAY * math.exp(-max(0.0, ends - nearest) / _OVERSHOOT_MM)
    water = (_PRIOR_DAYS * water + came.times) / (_PRIOR_DAYS + came.days)
    return math.log(max(stop, 1e-12)) - math.log(max(water, 1e-12))
