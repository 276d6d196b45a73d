"""When the water gets somewhere, by Newton's law from where it is and how fast it goes now."""

from __future__ import annotations

import math

from stillwell.alarm.rules.forecast import Forecast

LONGEST_S = 36 * 3600.0
USUAL_TAU_S = (8 * 3600.0, 20 * 3600.0, 60 * 3600.0)
"""Time constants of small tanks: short, usual, long; common practice."""
CHANGES = 0.15
"""How well the present slope holds over the next hours, as a share of it (standard deviation):
lamp, lid and room change meanwhile."""
CHANGES_K_PER_S = 0.03 / 3600
"""And at least so much."""


def reach(
    value: float,
    slope: float,
    slope_error: float,
    target: float,
    tau_s: tuple[float, float, float] | None = None,
    value_error: float = 0.0,
) -> Forecast | None:
    """Returns when `value` (°C), going at `slope` (K/s) and bending towards rest, is at `target`.

    None where it goes the other way, is there already, comes to rest before, or takes longer than
    anybody should look ahead. `tau_s` is the time constant with its interval (value, low, high);
    `slope_error` and `value_error` are standard errors.
    """
    way = target - value
    if way == 0 or slope * way <= 0:
        return None
    short, usual, long = USUAL_TAU_S if tau_s is None else (tau_s[1], tau_s[0], tau_s[2])
    off = 1.96 * math.sqrt(slope_error**2 + (CHANGES * slope) ** 2 + CHANGES_K_PER_S**2)
    sign = 1.0 if slope > 0 else -1.0
    seconds = _time(way, slope, usual)
    nearer = sign * max(0.0, abs(way) - 1.96 * value_error)
    soonest = _time(nearer, sign * (abs(slope) + off), long)
    if seconds is None or soonest is None or seconds > LONGEST_S:
        return None
    slow = abs(slope) - off
    farther = way + sign * 1.96 * value_error
    latest = _time(farther, sign * slow, short) if slow > 0 else None
    if latest is not None and latest > LONGEST_S:
        latest = None
    return Forecast(target, seconds, min(soonest, seconds), latest)


def _time(way: float, slope: float, tau_s: float) -> float | None:
    """Time until `way` K have been gone, the slope shrinking with `tau_s`; None for never."""
    share = way / (slope * tau_s)
    return -tau_s * math.log1p(-share) if share < 1 else None
