"""When a value reaches a limit at its present rate; no answer when the evidence is thin."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.alarm.rules.rate import Slope

LONGEST_H = 12.0
"""The furthest look ahead in hours: nobody should plan on a straight line for longer."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """Time until `target` is reached, in seconds from now, with a 95 % interval that covers only
    the uncertainty of the slope."""

    target: float
    seconds: float
    soonest_s: float
    latest_s: float | None
    """None: later than anybody should look ahead."""


def reaches(slope: Slope | None, value: float, target: float) -> Forecast | None:
    """Returns when `value` reaches `target` at the rate of `slope`.

    Returns None when there is no slope, when its interval includes standing still or turning
    away, when the value is there already, or when it takes longer than `LONGEST_H`.
    """
    if slope is None:
        return None
    way = target - value
    slow, fast = (slope.low, slope.high) if way > 0 else (slope.high, slope.low)
    if way == 0 or slow * way <= 0:
        return None
    hours = way / slope.per_h
    if hours > LONGEST_H:
        return None
    latest = way / slow
    return Forecast(
        target=target,
        seconds=hours * 3600,
        soonest_s=way / fast * 3600,
        latest_s=latest * 3600 if latest <= LONGEST_H else None,
    )
