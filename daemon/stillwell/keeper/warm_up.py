"""Commissioning a heater: let the tank warm, wait until it is steady, compare, adjust the dial,
look again after an hour (common practice: 2 to 3 h first)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from stillwell.estimate.trim import CAUTION, WARM_UP_S, Trim, Turn, trim
from stillwell.estimate.trim import words as advised
from stillwell.units import Dimension, System, show

HOUR_MS = 3_600_000
AT_LEAST_MS = 2 * HOUR_MS
"""The time after the start before anything is called steady (common practice)."""
AFTER_TRIM_MS = HOUR_MS
"""The time after which it is worth looking again (common practice)."""
WINDOW_MS = 6 * HOUR_MS
"""How much of the past is used: a thermostat switches on and off once in an hour or two, more
rarely beside a warm lamp (our own choice)."""
TURN_K = 0.06
"""Water has turned when it comes back by more than this: more than the noise of a ten-minute mean
(our own choice)."""
BEGINS_K = 1.0
"""Water that has turned once within this of the target has most likely reached the thermostat's
setting (our own choice)."""
STILL_K = 0.1
"""Water that moves less than this in all is steady, whether or not it is seen to turn (our own
choice)."""
HELD_WITHIN_K = 0.15
"""How exactly two turns of ten-minute means tell the thermostat's setting, K (our own
allowance)."""
FEWEST = 6
"""The fewest ten-minute means that are used: an hour of them."""
WAIT = Trim(Turn.WAIT)


class Stage(StrEnum):
    """How far the warm-up has come."""

    UNSEEN = "not seen"
    WARMING = "warming"
    COOLING = "cooling"
    SETTLING = "settling"
    TRIM = "steady, to be trimmed"
    DONE = "steady at the target"


@dataclass(frozen=True, slots=True)
class WarmUp:
    """The present state of a warm-up."""

    stage: Stage
    mean_c: float | None
    """What the thermostat holds once it is steady; before that, the mean of the last hour, °C."""
    rate_k_h: float | None
    """The change over the last hour, K/h."""
    advice: Trim
    """What to do with the dial."""
    look_again_ms: int
    """When it is worth looking again, UTC ms."""

    @property
    def trim_k(self) -> float:
        """Returns by how much to turn the dial, K: up when above 0."""
        return -self.advice.by_k if self.advice.turn is Turn.DOWN else self.advice.by_k


def stage(
    points: Sequence[tuple[int, float]],
    target_c: float,
    begun_ms: int,
    now_ms: int,
    trimmed_ms: int | None = None,
) -> WarmUp:
    """Returns the state of a warm-up.

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
        return WarmUp(Stage.UNSEEN, None, None, WAIT, max(soon, begun_ms + HOUR_MS))
    values = [value for _, value in seen]
    mean = sum(values[-FEWEST:]) / FEWEST
    rate = (seen[-1][1] - seen[-FEWEST][1]) / (seen[-1][0] - seen[-FEWEST][0]) * HOUR_MS
    turned = turns(values)
    if now_ms - begun_ms < least:
        return WarmUp(Stage.SETTLING, mean, rate, WAIT, begun_ms + least)
    if len(turned) < 2 and not held_still(values):
        if turned and abs(target_c - mean) < BEGINS_K:
            return WarmUp(Stage.SETTLING, mean, rate, WAIT, soon)
        moving = Stage.WARMING if rate > 0 else Stage.COOLING
        left_h = max(0.5, min(12.0, (target_c - mean) / rate)) if rate else 0.5
        return WarmUp(moving, mean, rate, WAIT, now_ms + round(left_h * HOUR_MS))
    low, high = sorted(turned[-2:]) if len(turned) >= 2 else (min(values), max(values))
    held = (low + high) / 2
    lately = [value for at_ms, value in seen if at_ms >= now_ms - WARM_UP_S * 1000]
    interval = held, held - HELD_WITHIN_K, held + HELD_WITHIN_K
    advice = trim(interval, (low, high), target_c, lately)
    match advice.turn:
        case Turn.WAIT:
            return WarmUp(Stage.SETTLING, mean, rate, WAIT, soon)
        case Turn.LEAVE:
            return WarmUp(Stage.DONE, held, rate, advice, now_ms + 24 * HOUR_MS)
    return WarmUp(Stage.TRIM, held, rate, advice, now_ms + AFTER_TRIM_MS)


def held_still(values: Sequence[float]) -> bool:
    """Returns whether the water hardly moves at all."""
    return len(values) >= 2 * FEWEST and max(values) - min(values) < STILL_K


def turns(values: Sequence[float]) -> list[float]:
    """Returns the temperatures at which the water turned, tops and bottoms, in order: that is where
    the heater switches. The first value may hide a turn."""
    found: list[float] = []
    low = high = values[0]
    rising: bool | None = None
    for value in values[1:]:
        low, high = min(low, value), max(high, value)
        if rising is not False and value < high - TURN_K:
            if rising:
                found.append(high)
            rising, low = False, value
        elif rising is not True and value > low + TURN_K:
            if rising is False:
                found.append(low)
            rising, high = True, value
    return found


@dataclass(slots=True)
class Guide:
    """Remembers what somebody who watches the warm-up has been told."""

    stage: Stage | None = None
    trimmed_ms: int | None = None
    told_ms: int = 0

    def tells(self, run: WarmUp, trimmed_ms: int | None, now_ms: int) -> bool:
        """Returns whether there is something to tell: a new stage, an adjustment that was noted,
        or, after an hour, the same advice again where nobody followed it."""
        again = run.stage is Stage.TRIM and now_ms - self.told_ms >= AFTER_TRIM_MS
        news = run.stage is not self.stage or trimmed_ms != self.trimmed_ms or again
        if news:
            self.stage, self.trimmed_ms, self.told_ms = run.stage, trimmed_ms, now_ms
        return news


def words(run: WarmUp, target_c: float, units: System) -> str:
    """Returns what to tell the person beside the tank."""

    def c(value: float) -> str:
        return show(value, Dimension.TEMPERATURE, units)

    def k(value: float) -> str:
        return show(abs(value), Dimension.DIFFERENCE, units)

    now = "" if run.mean_c is None else f"{c(run.mean_c)} lately. "
    rate = run.rate_k_h or 0.0
    match run.stage:
        case Stage.UNSEEN:
            return "The water has not been seen for a whole hour yet."
        case Stage.SETTLING:
            return f"{now}Not at rest yet: a tank takes 2 to 3 h to settle. Leave the dial."
        case Stage.WARMING:
            text = f"{now}It is still warming, by {k(rate)} an hour"
            hours = hours_to(run, target_c)
            if hours is not None:
                ahead = show(round(hours * 2) * 1800, Dimension.DURATION)
                text += f"; at this rate it is at {c(target_c)} in about {ahead}"
            return f"{text}. Leave the dial."
        case Stage.COOLING:
            text = f"{now}It is cooling, by {k(rate)} an hour. "
            if run.mean_c is not None and run.mean_c < target_c:
                return text + (
                    "Look whether the heater's light is on, and whether it is plugged in and under "
                    f"water. {CAUTION}"
                )
            return text + "It was warmer than the dial says: leave it."
    assert run.mean_c is not None
    return f"Steady. {advised(run.advice, run.mean_c, target_c, units)}"


def hours_to(run: WarmUp, target_c: float) -> float | None:
    """Returns in how many hours warming water reaches the target at its present rate, at least half
    an hour; None where it does not."""
    if run.stage is not Stage.WARMING or run.mean_c is None or not run.rate_k_h:
        return None
    left = target_c - run.mean_c
    return max(0.5, left / run.rate_k_h) if left > 0 else None
