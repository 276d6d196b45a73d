"""One Kalman filter of a tank's water and of the wander of where it would settle, and where a
device switches."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from stillwell.estimate.heat_balance.hypotheses import RELATIVE, Level

SWING_SCATTER = 0.3
"""Relative: a dial that was moved changes the distance of its points by so much. An assumption."""
LATE_H = 0.2
"""h: a thermostat that should have switched, and has not, does so within this. Its own lag."""


@dataclass(slots=True)
class Point:
    """Where a device switches, °C, with its scatter as a standard deviation, K."""

    at: float
    scatter: float

    def not_yet(self, water: float, falls: bool) -> float:
        """Returns the logarithm of the probability that it has not switched by `water`, falling or
        rising. A logistic law: its tails are heavier than the normal's."""
        z = (water - self.at) / (0.55 * self.scatter)
        if not falls:
            z = -z
        if z > 30:
            return 0.0
        return -math.log1p(math.exp(-z)) if z > -30 else z


class Filter:
    """State: water and wander, °C and K, with covariance, by (level, surrounding)."""

    __slots__ = ("high", "low", "tt", "tw", "w", "water", "ww")

    def __init__(self, water: float, w: float, tt: float, tw: float, ww: float) -> None:
        self.water, self.w, self.tt, self.tw, self.ww = water, w, tt, tw, ww
        self.low = self.high = water

    def copy(self) -> Filter:
        out = Filter(self.water, self.w, self.tt, self.tw, self.ww)
        out.low, out.high = self.low, self.high
        return out


def merged(found: Sequence[tuple[float, Level, Filter]], level: Level | None) -> Filter:
    """Returns the blend of weighted filters, each with the level that it had."""
    total, (top, of, lead) = sum(f[0] for f in found), max(found, key=lambda f: f[0])
    if top > (1 - 1e-6) * total:
        out = lead.copy()
        if of is not level:
            out.low = out.high = out.water
        return out
    water = w = low = high = 0.0
    parts = []
    for weight, key, one in found:
        share = weight / total
        parts.append((share, one))
        water += share * one.water
        w += share * one.w
        if key is level:
            low += share * one.low
            high += share * one.high
        else:
            low += share * one.water
            high += share * one.water
    tt = tw = ww = 0.0
    for share, one in parts:
        dt, dw = one.water - water, one.w - w
        tt += share * (one.tt + dt * dt)
        tw += share * (one.tw + dt * dw)
        ww += share * (one.ww + dw * dw)
    out = Filter(water, w, tt, tw, ww)
    out.low, out.high = low, high
    return out


def switches(
    at: Filter, points: Sequence[tuple[Point, Point]], pair: int, falls: bool, hours: float
) -> float:
    """Returns the probability that a thermostat switches within the step."""
    water = at.water
    if pair == RELATIVE:
        swing = max(points[0][1].at - points[0][0].at, 0.1)
        point = Point(at.high - swing if falls else at.low + swing, SWING_SCATTER * swing)
    else:
        point = points[pair][0] if falls else points[pair][1]
    now = point.not_yet(water, falls)
    rate = hours / LATE_H * (1.0 - math.exp(now))
    if falls and water < at.low:
        rate += point.not_yet(at.low, falls) - now
    elif not falls and water > at.high:
        rate += point.not_yet(at.high, falls) - now
    return 1.0 - math.exp(-rate)
