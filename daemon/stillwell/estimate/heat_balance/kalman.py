"""One Kalman filter of a tank's water and of the wander of where it would settle, and where a
device switches."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from stillwell.estimate.heat_balance.law import Law

SWING_SCATTER = 0.3
"""Relative: a dial that was moved changes the distance of its points by so much. An assumption."""
DIAL_K = 1.5
"""K: of such a size are the moves of a dial. An assumption."""
SHARE_LEAST, SHARE_ERROR = 0.08, 0.05
"""Of its lift, a heater that holds the water gives at least so much, and leaves as much; and how
far that is to be believed. Assumptions."""
FAR = 0.02
"""Part of the readings that are off for no reason of the model's."""
FAR_K = 0.3
"""K: by so much."""
ANEW_H = 1.0
"""h: where a thermostat switches scatters anew as often as this, though the water stands. An
assumption."""
FAILS_H = 0.08
"""h: control that can't hold the water gives nothing or all it has within this. An assumption."""


@dataclass(slots=True)
class Point:
    """Where a device switches, °C, with its scatter as a standard deviation, K."""

    at: float
    scatter: float

    def not_yet(self, water: float, falls: bool) -> float:
        """Returns the logarithm of the probability that it has not switched by `water`, falling or
        rising."""
        z = (water - self.at) / self.scatter
        return math.log(0.5 * math.erfc(min(-z if falls else z, 35.0) / math.sqrt(2)))


Pair = tuple[Point, Point]
"""Where a device's heat begins as the water falls, and where it ends as the water rises."""


@dataclass(slots=True)
class Filter:
    """Water and wander, °C and K, with their covariance, and the lowest and highest water since
    the devices last switched."""

    water: float
    w: float
    tt: float
    tw: float
    ww: float
    low: float
    high: float


def fresh(water: float, w: float, ww: float) -> Filter:
    """Returns a filter that knows the water to a tenth of a kelvin."""
    return Filter(water, w, 0.01, 0.0, ww, water, water)


def merged(found: Sequence[tuple[float, Filter, bool]], total: float) -> Filter:
    """Returns the blend of weighted filters, the heaviest one first.

    Args:
        found: weight, filter, and whether it comes from another level of the devices, so that a
            half cycle begins with it.
        total: of the weights.
    """
    weight, lead, begins = found[0]
    water, w, tt, tw, ww = lead.water, lead.w, lead.tt, lead.tw, lead.ww
    low, high = (water, water) if begins else (lead.low, lead.high)
    for part, one, begins in found[1:]:
        # Two at a time is the same as all at once.
        weight += part
        share = part / weight
        dt, dw = one.water - water, one.w - w
        rest = share * (1.0 - share)
        tt += share * (one.tt - tt) + rest * dt * dt
        tw += share * (one.tw - tw) + rest * dt * dw
        ww += share * (one.ww - ww) + rest * dw * dw
        low += share * ((one.water if begins else one.low) - low)
        high += share * ((one.water if begins else one.high) - high)
        water += share * dt
        w += share * dw
    return Filter(water, w, tt, tw, ww, low, high)


def corrected(one: Filter, value: float, variance: float) -> float:
    """Corrects a filter by a value of such a variance, K². Returns the value's likelihood."""
    off, tt, tw = value - one.water, one.tt, one.tw
    s = tt + variance
    near = (1 - FAR) * math.exp(-0.5 * off * off / s) / math.sqrt(s)
    far2 = s + FAR_K * FAR_K
    both = near + FAR * math.exp(-0.5 * off * off / far2) / math.sqrt(far2)
    if both > 0.0:
        k = near / both / s
        one.water += k * tt * off
        one.w += k * tw * off
        one.ww -= k * tw * tw
        one.tw -= k * tt * tw
        one.tt -= k * tt * tt
    return both


def calmed(at: Filter, spread: float) -> tuple[float, Filter]:
    """Returns how near to the learned temperature the wander is, 0 to 1, for a spread in K, and the
    filter for which it is as near."""
    total = at.ww + spread * spread
    gain, water = at.ww / total, at.tw / total
    near = spread / math.sqrt(total) * math.exp(-0.5 * at.w * at.w / total)
    calm = Filter(
        at.water - water * at.w,
        at.w - gain * at.w,
        at.tt - water * at.tw,
        at.tw - gain * at.tw,
        at.ww - gain * at.ww,
        at.low,
        at.high,
    )
    return near, calm


def switches(at: Filter, pair: Pair, falls: bool, tries: float) -> float:
    """Returns the probability that a device switches within a step, in which its point scatters
    anew so many times."""
    water = at.water
    point = pair[0] if falls else pair[1]
    before = at.low if falls else at.high
    now = point.not_yet(water, falls)
    rate = -now * tries
    if (water < before) if falls else (water > before):
        rate += point.not_yet(before, falls) - now
    return 1.0 - math.exp(-rate) if rate > 1e-12 else 0.0


def moved_pair(at: Filter, pair: Pair) -> Pair:
    """Returns the points of a device with a moved dial: as far from where it last switched as its
    points were apart."""
    swing = max(pair[1].at - pair[0].at, 0.1)
    scatter = SWING_SCATTER * swing
    return Point(at.high - swing, scatter), Point(at.low + swing, scatter)


def settles(at: Filter, falls: bool) -> float:
    """Returns the probability that a device with a moved dial has come to its new point within a
    step: there is none where the water does not move."""
    beyond = at.low - at.water if falls else at.water - at.high
    return 1.0 - math.exp(-beyond / DIAL_K) if beyond > 0 else 0.0


def unbalanced(above: float, wide: float, law: Law, falls: bool, hours: float) -> float:
    """Returns the probability that what seemed to hold the water is seen, within a step, to give
    nothing, or, where it does not fall, everything: the balance needs no heat or all of it.

    Args:
        above: by how much the water is above where it would settle, K.
        wide: how far that is known, K.
    """
    per_k = law.loss / law.heater
    need = per_k * above
    left = need if falls else 1.0 - need
    error = math.hypot(SHARE_ERROR, per_k * wide)
    z = (left - SHARE_LEAST) / (0.55 * error)
    return 1.0 - math.exp(-hours / FAILS_H / (1.0 + math.exp(min(z, 50.0))))
