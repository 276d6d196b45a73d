"""Commissioning a heater: let the tank warm, wait until it is steady, compare, trim the dial, look
again after an hour (common practice: 2 to 3 h first)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from stillwell.units import Dimension, System, show

HOUR_MS = 3_600_000
AT_LEAST_MS = 2 * HOUR_MS
"""After the start, before anything is called steady (common practice)."""
AFTER_TRIM_MS = HOUR_MS
WINDOW_MS = 3 * HOUR_MS
"""A thermostat switches on and off once in an hour or two."""
TURN_K = 0.06
"""Water that comes back by more has turned: more than the noise of a ten-minute mean."""
STILL_K = 0.1
"""Water that moves less than this in all is held, whether or not it is seen to turn."""
NEAR_K = 0.2
"""As near to the target as a dial can be set (our own allowance)."""
FEWEST = 6
"""Ten-minute means: an hour of them."""
CAUTION = (
    "Before you reach for the dial unplug the heater and the pump, with dry hands; a heater that "
    "was on stays under water for 15 min. Drip loop, RCD (GFCI)."
)


class Stage(StrEnum):
    """How far it is."""

    UNSEEN = "not seen"
    WARMING = "warming"
    COOLING = "cooling"
    SETTLING = "settling"
    TRIM = "steady, to be trimmed"
    DONE = "steady at the target"


@dataclass(frozen=True, slots=True)
class WarmUp:
    """Where the run stands."""

    stage: Stage
    mean_c: float | None
    """What the thermostat holds, once it is steady; before, the mean of the last hour."""
    rate_k_h: float | None
    """Over the last hour."""
    trim_k: float
    """By how much to turn the dial: up when above 0."""
    look_again_ms: int
    """When it is worth looking again, UTC ms."""


def stage(
    points: Sequence[tuple[int, float]],
    target_c: float,
    begun_ms: int,
    now_ms: int,
    trimmed_ms: int | None = None,
) -> WarmUp:
    """Returns where a run stands.

    Args:
        points: ten-minute means as (UTC ms of the middle, °C), in order.
        target_c: where the water is to be.
        begun_ms: when the heater was plugged in.
        now_ms: now.
        trimmed_ms: when the dial was moved last; None: not since.
    """
    begun_ms = max(begun_ms, trimmed_ms or begun_ms)
    least = AFTER_TRIM_MS if trimmed_ms is not None else AT_LEAST_MS
    seen = [p for p in points if max(begun_ms, now_ms - WINDOW_MS) <= p[0] <= now_ms]
    soon = now_ms + HOUR_MS // 2
    if len(seen) < FEWEST:
        return WarmUp(Stage.UNSEEN, None, None, 0.0, max(soon, begun_ms + HOUR_MS))
    values = [value for _, value in seen]
    mean = sum(values[-FEWEST:]) / FEWEST
    rate = (seen[-1][1] - seen[-FEWEST][1]) / (seen[-1][0] - seen[-FEWEST][0]) * HOUR_MS
    held = setting(values)
    if now_ms - begun_ms < least:
        return WarmUp(Stage.SETTLING, mean, rate, 0.0, begun_ms + least)
    if held is None:
        moving = Stage.WARMING if rate > 0 else Stage.COOLING
        left_h = max(0.5, min(12.0, (target_c - mean) / rate)) if rate else 0.5
        return WarmUp(moving, mean, rate, 0.0, now_ms + round(left_h * HOUR_MS))
    off = target_c - held
    if abs(off) <= NEAR_K:
        return WarmUp(Stage.DONE, held, rate, 0.0, now_ms + 24 * HOUR_MS)
    return WarmUp(Stage.TRIM, held, rate, off, now_ms + AFTER_TRIM_MS)


def setting(values: Sequence[float]) -> float | None:
    """Returns what a thermostat holds: midway between where the water turned last at the top and at
    the bottom. None while it has not turned both ways; the mean where it hardly moves at all.
    """
    if max(values) - min(values) < STILL_K and len(values) >= 2 * FEWEST:
        return sum(values) / len(values)
    turns: list[float] = []
    low = high = values[0]
    rising: bool | None = None
    for value in values[1:]:
        low, high = min(low, value), max(high, value)
        if rising is not False and value < high - TURN_K:
            if rising:
                turns.append(high)
            rising, low = False, value
        elif rising is not True and value > low + TURN_K:
            if rising is False:
                turns.append(low)
            rising, high = True, value
    return (turns[-1] + turns[-2]) / 2 if len(turns) >= 2 else None


def words(run: WarmUp, target_c: float, units: System) -> str:
    """Returns what to tell the person beside the tank."""

    def c(value: float) -> str:
        return show(value, Dimension.TEMPERATURE, units)

    def k(value: float) -> str:
        return show(abs(value), Dimension.DIFFERENCE, units)

    held = run.stage in (Stage.TRIM, Stage.DONE)
    now = "" if run.mean_c is None else f"{c(run.mean_c)} {'held' if held else 'lately'}. "
    match run.stage:
        case Stage.UNSEEN:
            return "The water was not seen for a whole hour yet: look again in an hour."
        case Stage.SETTLING:
            return f"{now}Too early to judge: a tank takes 2 to 3 h to settle."
        case Stage.WARMING:
            return f"{now}It is still warming, by {k(run.rate_k_h or 0.0)} an hour. Leave it."
        case Stage.COOLING:
            text = f"{now}It is cooling, by {k(run.rate_k_h or 0.0)} an hour. "
            if run.mean_c is not None and run.mean_c < target_c:
                return text + (
                    "Look whether the heater's light is on, and whether it is plugged in and under "
                    f"water. {CAUTION}"
                )
            return text + "It was warmer than the dial says: leave it."
        case Stage.DONE:
            return (
                f"{now}Steady, and within {k(NEAR_K)} of {c(target_c)}: the dial is right. Look "
                "again tomorrow morning, after a night without the lamp."
            )
        case Stage.TRIM:
            way = "up" if run.trim_k > 0 else "down"
            return (
                f"{now}Steady, {k(run.trim_k)} {'below' if run.trim_k > 0 else 'above'} "
                f"{c(target_c)}: turn the dial {way} by about {k(run.trim_k)}, note it, and look "
                f"again in an hour. {CAUTION}"
            )
