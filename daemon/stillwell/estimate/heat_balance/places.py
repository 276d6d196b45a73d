"""Where each device of a tank switches, by what is known so far."""

from __future__ import annotations

import math

from stillwell.estimate.heat_balance.devices import Devices
from stillwell.estimate.heat_balance.kalman import Pair, Point
from stillwell.estimate.heat_balance.knowledge import Knowledge

HELD_LEAST, HELD_WIDER = 0.06, 1.5
"""K: proportional control holds no tank closer than this; and by so much more than the middle eight
tenths of a day, if these are normal, it may let the water go on another one. Assumptions."""
DROOP_K = 0.45
"""K: by so much proportional control lets the water go before it works with all it has: half of a
usual proportional band. From memory of such controllers."""
UNKNOWN_K = 1.0
"""K: of points that nobody has seen."""
OTHERS_K = 0.4
"""K: below the one of several heaters that is set highest, the next one is by so much, give or
take as much. An assumption: dials err by a quarter of a kelvin each."""


SHIFT_ERROR = 0.1
"""Of the shift of a schedule: lags and dials err by as much where the water falls for hours. An
assumption."""


def placed(known: Knowledge, devices: Devices, shift: float) -> list[Pair]:
    """Returns the pairs of points by their number; see `hypotheses.Switch`.

    Args:
        known: of the tank; its last known points are kept up.
        devices: of the tank.
        shift: by how much the heater is set higher now than by day, K.
    """
    last = known.pairs
    pairs = known.pairs = [turns.pair() or last[i] for i, turns in enumerate(known.turns)]
    if known.proportional:
        a, s = held(known)
        a += shift
        middle = (Point(a, s), Point(a, s))
        chills = pairs[1] or _supposed(known, devices, 1)
        upper = (Point(a + s, s / 2), Point(a + 3 * s, s / 2))
        full = (Point(a - 6 * s, 3 * s), Point(a - 2 * s, 2 * s))
        return [middle, chills, upper, full]
    heats, chills = (pair or _supposed(known, devices, i) for i, pair in enumerate(pairs))
    if shift:
        on, off = (Point(p.at + shift, math.hypot(p.scatter, SHIFT_ERROR * shift)) for p in heats)
        heats = on, off
    return [heats, chills, _lower(heats)]


def _supposed(known: Knowledge, devices: Devices, which: int) -> tuple[Point, Point]:
    """Returns where a device that has not switched yet may do so: beyond the other's points."""
    other = known.pairs[1 - which]
    if other is None:
        return Point(known.base, UNKNOWN_K), Point(known.base, UNKNOWN_K)
    between = devices.between_c
    middle = 0.5 * (other[0].at + other[1].at)
    away = UNKNOWN_K if between is None else max(2 * abs(between - middle), UNKNOWN_K)
    at = middle + away if which else middle - away
    return Point(at - UNKNOWN_K / 4, UNKNOWN_K / 2), Point(at + UNKNOWN_K / 4, UNKNOWN_K / 2)


def held(known: Knowledge) -> tuple[float, float]:
    """Returns where proportional control holds the water, and how far from there it lets it go
    on a day, °C and K."""
    ordered = sorted(known.flat)
    n = len(ordered)
    low, high = ordered[n // 10], ordered[n - 1 - n // 10]
    return ordered[n // 2], max(HELD_LEAST, HELD_WIDER * (high - low) / 2.56)


def _lower(pair: Pair) -> Pair:
    """Returns where the others of several heaters switch."""
    low, high = pair
    return Point(low.at - OTHERS_K, OTHERS_K), Point(high.at - OTHERS_K, OTHERS_K)
