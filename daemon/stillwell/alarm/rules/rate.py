"""Rate of change over a window, from the means of short stretches.

A DS18B20 moves in steps of 1/16 K: the difference of two readings a minute apart is 0 or 3.75
K/h and says nothing. So readings are first averaged over stretches of a few minutes, and the
slope is the median of the slopes of all pairs of stretches (Theil 1950; Sen, J. Am. Stat. Assoc.
63 (1968) 1379); up to 29 % of spoiled stretches do not move it far. Its interval comes from
Sen's rank statistic and is never narrower than one step of the sensor over the span. A rate
limit is compared with the slope less that one step over the span, so that a value that flickers
between two steps has no rate at all.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

STRETCH_MS = 300_000
"""Readings are averaged over stretches of five minutes."""

STRETCHES = 12
"""The stretches that are kept, an hour of them."""

LATELY = 7
"""How many stretches a rate limit looks at: half an hour. The hour is for texts: a limit that
waited for it would ring only after the band has."""

LEAST_STRETCHES = 5
"""With fewer stretches than this there is no slope: too little evidence."""

FASTEST_WATER_K_PER_S = 4.0 / 3600
"""The fastest that the water of a small tank heats or cools. A choice of ours: 150 W in 40 L of
seawater (4.09 J/(mL K), by `water.heat`) give 3.3 K an hour."""

LEAP_MS = 1_800_000
"""How long a faster change may be a chamber whose pump rests for a feeding or a water change
(half an hour, common practice): one probe alone cannot tell it from the tank's water."""

_NO_END = -(1 << 62)
"""The end of a stretch that has not begun: before every monotonic time, including those of an
earlier boot, which are below zero on the clock of this one."""

_Z_95 = 1.959964  # the 97.5 % point of the normal distribution


@dataclass(frozen=True, slots=True)
class Slope:
    """A rate of change in units an hour, with a 95 % interval."""

    per_h: float
    low: float
    high: float
    value: float
    """The level of the fitted line at its newest stretch."""
    certain_per_h: float
    """The slope, shortened towards zero by one step of the sensor over the span."""
    first_ms: int
    """Monotonic time of the oldest stretch looked at."""
    turned_ms: int | None
    """Monotonic time of the extreme since which the value has gone in this direction; None when
    it already did before `first_ms`."""


class Trail:
    """The means of the last hour's stretches of one channel. Bounded; the only state in this file.

    `total` and `count` belong to the open stretch and may be added to directly by the hot path,
    until `ends_ms` is reached and `close` is due.
    """

    __slots__ = ("count", "ends_ms", "points", "total")

    def __init__(self) -> None:
        self.points: deque[tuple[int, float]] = deque(maxlen=STRETCHES)
        self.total = 0.0
        self.count = 0
        self.ends_ms = _NO_END

    def close(self, now_ms: int) -> bool:
        """Ends the open stretch if it is due and begins the next; returns whether a mean was
        added."""
        if now_ms < self.ends_ms:
            return False
        added = self.count > 0
        if added:
            self.points.append((self.ends_ms - STRETCH_MS // 2, self.total / self.count))
        self.total, self.count = 0.0, 0
        self.ends_ms = now_ms + STRETCH_MS
        oldest = now_ms - (STRETCHES + 1) * STRETCH_MS
        while self.points and self.points[0][0] < oldest:
            self.points.popleft()
        return added

    def clear(self) -> None:
        """Forgets everything: what comes next is not comparable with what was."""
        self.points.clear()
        self.total, self.count, self.ends_ms = 0.0, 0, _NO_END


def slope(points: Sequence[tuple[int, float]], resolution: float) -> Slope | None:
    """Returns the slope of `points` (monotonic ms, value; oldest first), or None where there are
    too few.

    Args:
        resolution: the step of the sensor, in the unit of the value.
    """
    n = len(points)
    if n < LEAST_STRETCHES:
        return None
    slopes = [
        (later - value) / (later_ms - ms)
        for (ms, value), (later_ms, later) in combinations(points, 2)
    ]
    slopes.sort()
    middle = _median(slopes)
    spread = _Z_95 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    outside = max(0, int((len(slopes) - spread) / 2))
    step = resolution / (points[-1][0] - points[0][0])
    low = min(slopes[outside], middle - step)
    high = max(slopes[-1 - outside], middle + step)
    newest_ms = points[-1][0]
    level = _median(sorted([value + middle * (newest_ms - ms) for ms, value in points]))
    certain = math.copysign(max(0.0, abs(middle) - step), middle)
    hour = 3_600_000
    return Slope(
        per_h=middle * hour,
        low=low * hour,
        high=high * hour,
        value=level,
        certain_per_h=certain * hour,
        first_ms=points[0][0],
        turned_ms=_turn(points, middle),
    )


def comes_back(points: Sequence[tuple[int, float]], lately: Slope) -> bool:
    """Returns whether the change in `lately` only leads back to where the value was before it. It
    then is no trend of the water, but for example a chamber that was warmed while its pump had
    stopped. "Back" means within half of that change of the earlier value, a choice of ours.

    Args:
        points: all that is kept (monotonic ms, value; oldest first), the older ones included.
    """
    before = [value for ms, value in points if ms < lately.first_ms]
    if not before:
        return False
    went = lately.per_h * (points[-1][0] - lately.first_ms) / 3_600_000
    off = lately.value - _median(sorted(before))
    return off * math.copysign(1.0, went) < abs(went) / 2


def goes_on(points: Sequence[tuple[int, float]], lately: Slope, resolution: float) -> bool:
    """Returns whether the newest stretch still changes in the direction of `lately`, by at least a
    quarter of its rate. A step that is over, as in a small chamber when its pump rests, is no rate.
    Where the value moves by less than two steps of the sensor in a stretch, one stretch says
    nothing, and the result is True. The quarter and the two steps are choices of ours.

    Args:
        points: those of which `lately` is the slope (monotonic ms, value; oldest first).
        resolution: the step of the sensor, in the unit of the value.
    """
    (before_ms, before), (newest_ms, newest) = points[-2:]
    went = lately.per_h * (newest_ms - before_ms) / 3_600_000
    if abs(went) < 2 * resolution:
        return True
    return (newest - before) * math.copysign(1.0, went) >= abs(went) / 4


def steepest(points: Sequence[tuple[int, float]]) -> float:
    """Returns the size of the steepest step from one stretch to the next, in units an hour.

    No slope of these points is steeper, because the slope between any two of them is a mean of
    the steps between. It costs a tenth of `slope` and mostly shows that `slope` need not be
    worked out.
    """
    steps = [
        abs(later - value) / (later_ms - ms) for (ms, value), (later_ms, later) in pairwise(points)
    ]
    return max(steps, default=0.0) * 3_600_000


def leaps(points: Iterable[tuple[int, float]], now_ms: int) -> bool:
    """Returns whether temperatures have begun to change faster than a tank's water does, less than
    `LEAP_MS` ago.

    Args:
        points: all that is kept (monotonic ms, degC; oldest first).
    """
    for (ms, value), (later_ms, later) in pairwise(points):
        if abs(later - value) > FASTEST_WATER_K_PER_S * (later_ms - ms) / 1000:
            return now_ms - ms < LEAP_MS + STRETCH_MS
    return False


def trend(points: Sequence[tuple[int, float]], resolution: float) -> Slope | None:
    """Returns the slope since the value last turned, if that is long enough ago to have one,
    else the slope of all `points` without a turn. It is for texts; a limit takes `slope`, whose
    window does not depend on where an extreme lies.
    """
    whole = slope(points, resolution)
    if whole is None or whole.turned_ms is None:
        return whole
    since = slope([point for point in points if point[0] >= whole.turned_ms], resolution)
    if since is None:
        return replace(whole, turned_ms=None)
    return replace(since, turned_ms=whole.turned_ms)


def together(slopes: Iterable[Slope]) -> Slope | None:
    """Returns one slope for several channels that see the same water: the median one, of an even
    number the gentler of the two in the middle; None for none.

    Each channel is compared with itself only, so that a probe that drops out, with its own
    offset, makes no rate. Where two slopes differ, one place changes and not the water, such as
    a chamber that is mixed again after its pump had stopped.
    """
    ordered = sorted(slopes, key=lambda s: s.per_h)
    if not ordered:
        return None
    middle = (ordered[(len(ordered) - 1) // 2], ordered[len(ordered) // 2])
    return min(middle, key=lambda s: abs(s.per_h))


def _median(ordered: Sequence[float]) -> float:
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def _turn(points: Sequence[tuple[int, float]], direction: float) -> int | None:
    """Returns when the extreme was passed since which the values go in `direction`, as monotonic
    time; None if the points do not reach back to it."""
    way = -1.0 if direction < 0 else 1.0
    extreme = min(points, key=lambda point: (way * point[1], -point[0]))
    return None if extreme[0] == points[0][0] else extreme[0]
