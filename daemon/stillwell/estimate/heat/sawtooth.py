"""The thermostat's saw-tooth, taken apart: half cycles between turning points, each turning point
where the straight lines on either side of it meet.

Where the lines meet ("the hinge") is what is learned and judged later, not the extreme that was
read: the lags of heater, thermostat and probe round the tip off, always alike, and the hinge has
them in it. Readings are folded into minutes first; nothing older than a day is held.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul

BIN_S = 60.0
LONGEST = 1500
"""Minutes that are held at most."""
GAP_S = 900.0
"""After so long without a reading a half cycle is not trusted."""
NEAR_S = 2400.0
"""The lines that make a hinge are fitted this near to it: water cools along a curve."""

TORN_K = 0.2
"""Two minutes apart, no small tank's water as a whole changes by more: 150 W warm 40 L by 0.1 K.
What does is a pump that stands, a pour, a probe that was moved."""

Minute = tuple[float, float]
"""Time in s, mean temperature in °C."""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line fitted by least squares."""

    at_s: float
    value: float
    """At `at_s`, the mean of its times."""
    slope: float
    """Per second."""
    slope_error: float
    rms: float
    count: int

    def variance(self, t_s: float, sigma: float) -> float:
        """Variance of `at(t_s)`, K^2, for minutes of standard deviation `sigma` at least."""
        noise = max(self.rms, sigma)
        scale = noise / max(self.rms, 1e-9)
        return noise * noise / self.count + (self.slope_error * scale * (t_s - self.at_s)) ** 2

    def at(self, t_s: float) -> float:
        return self.value + self.slope * (t_s - self.at_s)


def fit(points: Sequence[Minute]) -> Line | None:
    """Returns the least squares line through at least three points; None for fewer."""
    n = len(points)
    if n < 3:
        return None
    times, values = zip(*points, strict=True)
    mean_t, mean_y = sum(times) / n, sum(values) / n
    off_t, off_y = [t - mean_t for t in times], [y - mean_y for y in values]
    stt, sty = sum(map(mul, off_t, off_t)), sum(map(mul, off_t, off_y))
    syy = sum(map(mul, off_y, off_y))
    slope = sty / stt
    rms = math.sqrt(max(0.0, syy - slope * sty) / (n - 2))
    return Line(mean_t, mean_y, slope, rms / math.sqrt(stt), rms, n)


@dataclass(frozen=True, slots=True)
class Half:
    """One half cycle that is over: the heater was on (rising) or off all through it."""

    rising: bool
    start_s: float
    end_s: float
    slope: float
    """K/s over its inner part."""
    slope_error: float
    mean_c: float
    hinge_c: float
    """The turning point at its end: a peak where it rose, else a trough."""
    hinge_error: float
    """Its standard error, K, by the noise of the minutes alone."""
    bend: float
    """By how much the slope changes there, K/s, positive: the heater's whole effect, if it was the
    relay that turned the water and not the lamp, a window or a hand."""
    clean: bool
    """Whether straight lines describe it and the beginning of the next half."""


class SawTooth:
    """Takes minutes in time order and gives each half cycle once it and its neighbour are over."""

    def __init__(self) -> None:
        self._minutes: deque[Minute] = deque(maxlen=LONGEST)
        self._turns: list[float] = []
        """Times of the last confirmed turns, three at most."""
        self._rising: bool | None = None
        self._extreme: Minute = (0.0, 0.0)
        self._low: Minute = (0.0, math.inf)
        self._high: Minute = (0.0, -math.inf)

    def restart(self) -> None:
        """Forgets the half cycle that is going on: something has cut it."""
        self._minutes.clear()
        self._turns.clear()
        self._rising = None
        self._low, self._high = (0.0, math.inf), (0.0, -math.inf)

    @property
    def rising(self) -> bool | None:
        """Which way it goes since `turned_s`; None before the first turn."""
        return self._rising

    @property
    def turned_s(self) -> float | None:
        """When it last turned, as far as that is certain; None before."""
        return self._turns[-1] if self._turns else None

    @property
    def furthest_s(self) -> float:
        """Until then it has surely not turned again."""
        return self._extreme[0]

    def add(self, minute: Minute, sigma: float, swing: float | None) -> Half | None:
        """Takes one minute.

        Args:
            sigma: standard deviation of a minute's mean, K.
            swing: the learned distance from trough to peak, K; None before it is known.
        """
        minutes = self._minutes
        if (minutes and minute[0] - minutes[-1][0] > GAP_S) or (
            len(minutes) >= 2 and abs(minute[1] - minutes[-2][1]) > TORN_K + 6 * sigma
        ):
            self.restart()
        minutes.append(minute)
        if len(minutes) < 3:
            return None
        t = minutes[-2][0]
        smooth = (minutes[-1][1] + minutes[-2][1] + minutes[-3][1]) / 3
        least = max(0.09, 4.5 * sigma / math.sqrt(3))
        threshold = least if swing is None else max(least, 0.45 * swing)
        turn = self._turn(t, smooth, threshold)
        if turn is None:
            return None
        self._turns.append(turn)
        if len(self._turns) < 3:
            return None
        half = self._measure(sigma)
        del self._turns[0]
        while minutes and minutes[0][0] < self._turns[0]:
            minutes.popleft()
        return half

    def _turn(self, t: float, value: float, threshold: float) -> float | None:
        """The time of a turning point that has just become certain."""
        if self._rising is None:
            if value < self._low[1]:
                self._low = (t, value)
            if value > self._high[1]:
                self._high = (t, value)
            if value - self._low[1] > threshold:
                self._rising, self._extreme = True, (t, value)
                return self._low[0]
            if self._high[1] - value > threshold:
                self._rising, self._extreme = False, (t, value)
                return self._high[0]
            return None
        way = 1.0 if self._rising else -1.0
        if (value - self._extreme[1]) * way >= 0:
            self._extreme = (t, value)
            return None
        if (self._extreme[1] - value) * way > threshold:
            at = self._extreme[0]
            self._rising, self._extreme = not self._rising, (t, value)
            return at
        return None

    def _measure(self, sigma: float) -> Half | None:
        """The half cycle between the first two turns, with the hinge at the second."""
        first, middle, last = self._turns
        before, after = _inner(first, middle), _inner(middle, last)
        whole = fit([m for m in self._minutes if before[0] <= m[0] <= before[1]])
        near = fit(
            [m for m in self._minutes if max(before[0], middle - NEAR_S) <= m[0] <= before[1]]
        )
        beyond = fit(
            [m for m in self._minutes if after[0] <= m[0] <= min(after[1], middle + NEAR_S)]
        )
        if whole is None or near is None or beyond is None:
            return None
        rising = near.slope > 0
        bend = near.slope - beyond.slope
        if near.slope * beyond.slope >= 0 or bend == 0:
            return None
        meet = (
            beyond.value - beyond.slope * beyond.at_s - near.value + near.slope * near.at_s
        ) / bend
        spread = (
            beyond.slope**2 * near.variance(meet, sigma)
            + near.slope**2 * beyond.variance(meet, sigma)
        ) / (bend * bend)
        straight = max(near.rms, beyond.rms) < 2.0 * sigma + 0.008
        timely = abs(meet - middle) < 300.0 + 0.2 * (last - first)
        return Half(
            rising=rising,
            start_s=first,
            end_s=meet,
            slope=whole.slope,
            slope_error=whole.slope_error,
            mean_c=whole.value,
            hinge_c=near.at(meet),
            hinge_error=math.sqrt(spread),
            bend=abs(bend),
            clean=straight and timely,
        )


def _inner(start: float, end: float) -> tuple[float, float]:
    """What lies between two turns without the rounded tips."""
    margin = min(240.0, 0.2 * (end - start))
    return start + margin, end - margin
