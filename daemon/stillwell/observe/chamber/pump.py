"""Finds, from the level, when a pump had stopped and runs again. Water that drains back lifts the
level in the chamber at once, and the pump takes as much away at once: neither a pour nor a loss.

The stop is found when it is over: a rise and a fall of the same size, each within a few minutes,
with the water high in between. Evaporation makes no such fall, and a pour that nobody noted
makes only the rise. A short stop may also show by the balance: the water is as high afterwards
as before, apart from what was noted to be poured meanwhile. Limits that name no source are our
own choice, checked on simulated tanks.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from stillwell.estimate.level import LevelState

LONGEST_MS = 26 * 3_600_000
"""The longest stop that is looked for: a day of cleaning, and a little."""
_LONGEST_BY_FLOAT_MS = 3_600_000
"""The longest stop that a float can show. It says only that the water was above it, and within
an hour no evaporation has brought that down again."""
_LATELY = 6
"""How many slices each round of the rules searches for a fall: the last hour."""
_LEAST_MM = 3.0
_SURE = 5.0
"""How many standard deviations large a step must be."""
_ALIKE, _ALIKE_MM = 0.15, 1.5
"""How far fall and rise may differ."""
_MIXED = 1
"""How many slices between before and after may have seen a bit of both."""
_POUR_NEAR_MS = 45 * 60_000
"""A pour noted within this time of the rise explains it."""
_SHORT_MS = 3 * 3_600_000
_POUR_OFF_MS = 30 * 60_000
"""How far from its real time a pour may be noted."""
_DRY_ML_PER_H = 45.0
"""The most that may have evaporated meanwhile: twice a gallon a week (common practice)."""
_DIP_MS = 3 * 3_600_000
"""The longest that a water change takes."""
_OPEN, _CLOSED, _MOSTLY = 0.02, 0.98, 0.5


@dataclass(frozen=True, slots=True)
class Stood:
    """A time in which the pump had stopped, on the line."""

    begin_ms: int
    end_ms: int
    rise_mm: float | None
    """How much higher the water was; None where only a float saw it."""


@dataclass(frozen=True, slots=True)
class _Point:
    index: int
    mm: float
    variance: float


def stood(state: LevelState, slice_ms: int, mm_per_ml: float) -> Stood | None:
    """Returns a stop of the pump that has ended within the last hour and is not in the state yet;
    None where there is none.

    Args:
        mm_per_ml: how far one mL lifts the water.
    """
    if not state.slices:
        return None
    newest = state.slices[-1].index
    for found in (
        *_by_gauge(state, slice_ms, newest, mm_per_ml),
        *(s for s in _by_float(state, slice_ms, newest) if not _poured_near(state, s.begin_ms)),
    ):
        if not _known(state, found, slice_ms):
            return found
    return None


def _by_gauge(state: LevelState, slice_ms: int, newest: int, mm_per_ml: float) -> Iterator[Stood]:
    most = LONGEST_MS // slice_ms
    points = [
        _Point(piece.index, piece.gauge.mm, piece.gauge.variance)
        for piece in state.slices
        if piece.gauge is not None
        and piece.index >= newest - most - _LATELY
        and not _paused(state, piece.index * slice_ms)
    ]
    for last, after in _steps(points):
        if points[after].index < newest - _LATELY:
            continue
        fall = points[last].mm - points[after].mm
        if not _whole(points, last, after, fall) or after + 1 == len(points):
            continue
        begun = _rise(points, last, fall)
        if begun is not None and _poured_near(state, (points[begun].index + 1) * slice_ms):
            begun = None
        if begun is None:
            begun = _balanced(state, points, last, after, slice_ms, mm_per_ml)
        if begun is not None and not _refilled(points, begun, fall, slice_ms):
            begin_ms = (points[begun].index + 1) * slice_ms
            yield Stood(begin_ms, points[after].index * slice_ms, fall)


def _rise(points: Sequence[_Point], last: int, fall: float) -> int | None:
    """Returns the place of the slice before the rise that belongs to a fall after `last`."""
    for first in range(last, 0, -1):
        if points[first].mm < points[last].mm - fall / 2:
            return None  # the water had been down in between
        for back in range(1, _MIXED + 2):
            before = first - back
            if before < 0 or points[first].index - points[before].index > _MIXED + 1:
                continue
            rise = points[first].mm - points[before].mm
            alike = abs(rise - fall) <= max(_ALIKE_MM, _ALIKE * fall)
            if alike and _whole(points, before, first, rise):
                return before
    return None


def _balanced(
    state: LevelState,
    points: Sequence[_Point],
    last: int,
    after: int,
    slice_ms: int,
    mm_per_ml: float,
) -> int | None:
    """Returns the place of the slice before a short stop during which something was poured in."""
    fall = points[last].mm - points[after].mm
    for before in range(last - 1, -1, -1):
        begin_ms, end_ms = (points[k].index * slice_ms for k in (before, after))
        if end_ms - begin_ms > _SHORT_MS:
            return None
        risen = min(before + 1 + _MIXED, last)
        step = points[risen].mm - points[before].mm
        if not _whole(points, before, risen, step) and not _whole(
            points, before, before + 1, points[before + 1].mm - points[before].mm
        ):
            continue
        poured = [
            pour.ml
            for pour in state.pours
            if begin_ms - _POUR_OFF_MS <= pour.t_ms <= end_ms + slice_ms
        ]
        meant = points[before].mm + mm_per_ml * sum(ml or 0.0 for ml in poured)
        off = points[after].mm - meant
        dry = mm_per_ml * _DRY_ML_PER_H * (end_ms - begin_ms) / 3_600_000
        most = max(_ALIKE_MM, _ALIKE * fall)
        if poured and None not in poured and -most - dry <= off <= most:
            return before
    return None


def _refilled(points: Sequence[_Point], before: int, fall: float, slice_ms: int) -> bool:
    """Whether the rise after `before` only brought back what had been taken out: a water change."""
    since = points[before].index - _DIP_MS // slice_ms
    high = points[before].mm + fall / 2
    return any(point.mm > high for point in points[:before] if point.index >= since)


def _steps(points: Sequence[_Point]) -> Iterator[tuple[int, int]]:
    """Yields pairs of neighbouring places, and pairs with one slice in between."""
    for last in range(len(points) - 1):
        for after in range(last + 1, min(last + _MIXED + 2, len(points))):
            if points[after].index - points[last].index <= _MIXED + 1:
                yield last, after


def _whole(points: Sequence[_Point], one: int, other: int, step: float) -> bool:
    """Whether a step is large and complete: neither begun in the slice before nor continued in
    the one after."""
    a, b = points[one], points[other]
    if step < max(_LEAST_MM, _SURE * math.sqrt(a.variance + b.variance)):
        return False
    way = 1.0 if b.mm > a.mm else -1.0
    most = max(_ALIKE_MM, _ALIKE * step)
    begun = one > 0 and way * (a.mm - points[one - 1].mm) > most
    goes_on = other + 1 < len(points) and way * (points[other + 1].mm - b.mm) > most
    return not begun and not goes_on


def _by_float(state: LevelState, slice_ms: int, newest: int) -> Iterator[Stood]:
    most = _LONGEST_BY_FLOAT_MS // slice_ms
    lately = [piece for piece in state.slices if piece.index >= newest - most - _LATELY]
    for name in {told.name for piece in lately for told in piece.floats} - set(state.inverted):
        shares = [
            (piece.index, share) for piece in lately if (share := piece.share_of(name)) is not None
        ]
        opens = [place for place, (_, share) in enumerate(shares) if share <= _OPEN]
        for one, other in pairwise(opens):
            between = [share for _, share in shares[one + 1 : other]]
            begin, end = shares[one][0] + 1, shares[other][0]
            if not between or end - begin > most or end - begin != len(between):
                continue
            closed = between[_MIXED:-_MIXED] if len(between) > 2 * _MIXED else []
            if max(between) >= _MOSTLY and all(share >= _CLOSED for share in closed):
                yield Stood(begin * slice_ms, end * slice_ms, None)


def _known(state: LevelState, found: Stood, slice_ms: int) -> bool:
    """Whether a known pause covers it already."""
    return any(
        pause.t0_ms <= found.end_ms + slice_ms
        and (pause.t1_ms is None or pause.t1_ms >= found.begin_ms - slice_ms)
        for pause in state.pauses
    )


def _paused(state: LevelState, at_ms: int) -> bool:
    return any(p.t0_ms <= at_ms and (p.t1_ms is None or at_ms < p.t1_ms) for p in state.pauses)


def _poured_near(state: LevelState, begin_ms: int) -> bool:
    return any(abs(pour.t_ms - begin_ms) <= _POUR_NEAR_MS for pour in state.pours)
