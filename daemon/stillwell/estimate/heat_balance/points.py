"""Where a device switches, from the turning points of the water's trace."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import fmean, median

from stillwell.estimate.heat_balance.kalman import Point

KEPT = 24
"""Turning points of each kind."""
ENOUGH = 4
"""So many of each kind teach where a device switches."""
REVERSAL_K, REVERSAL_ERRORS = 0.07, 4.5
"""A reversal is at least so much, and so many standard errors of one value: noise makes none."""
LEAST_SCATTER = 0.02
"""K: of what rounding to 1/16 K adds."""
NEAR_PART, LEAST_NEAR = 0.4, 3
"""Of all turning points so many, and at least so many, are the device's own. Assumptions."""
BEYOND = 3.0
"""Scatters from its point: as far it is the device's that the water turns; beyond, heat is missing
or too much, where a device has always switched by."""
SWING_PART = 0.12
"""Of the distance of its points a thermostat's own scatter usually is so much: lags and stirring.
From memory."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One turning point."""

    at_h: float
    water: float
    peak: bool


@dataclass(slots=True)
class Zigzag:
    """Finds turning points: an extreme from which the trace came back by a reversal."""

    low: float = 1e9
    low_h: float = 0.0
    high: float = -1e9
    high_h: float = 0.0
    rising: bool | None = None

    def add(self, at_h: float, water: float, reversal: float) -> Turn | None:
        if water < self.low:
            self.low, self.low_h = water, at_h
        if water > self.high:
            self.high, self.high_h = water, at_h
        if self.rising is not True and water > self.low + reversal:
            turn = None if self.rising is None else Turn(self.low_h, self.low, False)
            self.rising, self.high, self.high_h = True, water, at_h
            return turn
        if self.rising is not False and water < self.high - reversal:
            turn = None if self.rising is None else Turn(self.high_h, self.high, True)
            self.rising, self.low, self.low_h = False, water, at_h
            return turn
        return None

    def cut(self) -> None:
        """What comes next has nothing to do with what was."""
        self.low, self.high, self.rising = 1e9, -1e9, None


@dataclass(slots=True)
class Turns:
    """The last turning points of one setting."""

    peaks: list[Turn] = field(default_factory=list)
    troughs: list[Turn] = field(default_factory=list)
    rises: list[float] = field(default_factory=list)
    """Slopes of the half cycles, K/h."""
    falls: list[float] = field(default_factory=list)

    def add(self, turn: Turn, before: Turn | None) -> None:
        kept = self.peaks if turn.peak else self.troughs
        kept.append(turn)
        del kept[:-KEPT]
        if before is not None and before.peak is not turn.peak and turn.at_h > before.at_h:
            slopes = self.rises if turn.peak else self.falls
            slopes.append((turn.water - before.water) / (turn.at_h - before.at_h))
            del slopes[:-KEPT]

    def become(self, other: Turns) -> None:
        """Forgets its own for another's."""
        self.peaks, self.troughs = other.peaks, other.troughs
        self.rises, self.falls = other.rises, other.falls

    def pair(self) -> tuple[Point, Point] | None:
        """Returns where the device's heat begins as the water falls, and where it ends; None where
        the turning points are few or do not agree."""
        if min(len(self.peaks), len(self.troughs)) < ENOUGH:
            return None
        troughs, peaks = [t.water for t in self.troughs], [t.water for t in self.peaks]
        low, high = robust(troughs), robust(peaks)
        if not _agree(low, high):
            low, high = nearest(troughs), nearest(peaks)
            if not _agree(low, high):
                return None
        usual = SWING_PART * (high.at - low.at)
        for point, turns in ((low, troughs), (high, peaks)):
            n = len(turns)
            # What is usual counts as much as the turning points that are enough; few are less sure.
            variance = (n * point.scatter**2 + ENOUGH * usual**2) / (n + ENOUGH)
            point.scatter = (1 + 2 / n) * math.sqrt(variance + LEAST_SCATTER**2)
        return low, high

    def swing_slope(self) -> float | None:
        """Returns by how much the device changes the slope, K/h."""
        if min(len(self.rises), len(self.falls)) < ENOUGH - 1:
            return None
        return median(self.rises) - median(self.falls)


def _agree(low: Point, high: Point) -> bool:
    swing = high.at - low.at
    return swing >= REVERSAL_K and max(low.scatter, high.scatter) <= 0.6 * swing + 0.05


def robust(values: Sequence[float]) -> Point:
    """Returns middle and scatter, by median and mean deviation."""
    middle = median(values)
    return Point(middle, 1.25 * fmean([abs(v - middle) for v in values]))


def nearest(values: Sequence[float]) -> Point:
    """Returns middle and scatter of the values that lie nearest together, two fifths of all, where
    lamps and rooms have turned the water elsewhere (the shortest half, Rousseeuw, J. Am. Stat.
    Assoc. 79 (1984) 871, with a smaller part)."""
    ordered, n = sorted(values), len(values)
    k = min(n, max(LEAST_NEAR, math.ceil(NEAR_PART * n)))
    first = min(range(n - k + 1), key=lambda i: ordered[i + k - 1] - ordered[i])
    near = ordered[first : first + k]
    # As wide as they are it may go on to either side.
    return Point(sum(near) / k, near[-1] - near[0])
