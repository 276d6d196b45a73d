"""How to trim a heater's dial: which way, by how much, and when to look again.

Dials are not exact and lag: after a change the tank needs two to three hours to come to rest, then
setting and target are compared, the dial is turned by the difference, and after an hour one looks
again (common practice).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from stillwell.units import Dimension, System, show

WARM_UP_S = 2.5 * 3600.0
"""Two to three hours; common practice."""
AGAIN_S = 3600.0
CLOSE_K = 0.1
"""Nearer than this no dial can be set."""
REST_K = 0.3
"""The water is at rest while it stays so close to where the heater switches."""


CAUTION = (
    "Before you reach for the dial unplug the heater and the pump, with dry hands; a heater that "
    "was on stays under water for 15 min. Drip loop, RCD (GFCI)."
)
"""The minutes are common practice."""


class Turn(StrEnum):
    """What to do with the dial."""

    WAIT = "wait"
    LEAVE = "leave"
    UP = "up"
    DOWN = "down"


@dataclass(frozen=True, slots=True)
class Trim:
    """The advice. `by_k` is how far to turn, K, without a sign; 0 to wait or leave."""

    turn: Turn
    by_k: float = 0.0


def trim(
    setting: tuple[float, float, float],
    switches: tuple[float, float],
    target: float,
    lately: Sequence[float],
) -> Trim:
    """Returns what to do with the dial.

    Args:
        setting: as the probe sees it, with its 95 % interval, °C: value, low, high.
        switches: where the heater switches on and off, °C.
        target: °C.
        lately: the water of the last `WARM_UP_S`, °C; empty: nothing was seen.
    """
    on, off = switches
    if not lately or min(lately) < on - REST_K or max(lately) > off + REST_K:
        return Trim(Turn.WAIT)
    value, low, high = setting
    by = target - value
    if abs(by) < CLOSE_K or low <= target <= high:
        return Trim(Turn.LEAVE)
    return Trim(Turn.UP if by > 0 else Turn.DOWN, abs(by))


def words(advice: Trim, setting_c: float, target_c: float, units: System | str) -> str:
    """Returns the advice for the person beside the tank, with the caution where a hand goes in."""
    setting, target = (show(c, Dimension.TEMPERATURE, units) for c in (setting_c, target_c))
    match advice.turn:
        case Turn.WAIT:
            return (
                "Leave the dial for now: the water has not been where the heater holds it for long "
                "enough. Let it come to rest for two to three hours, then look again."
            )
        case Turn.LEAVE:
            return f"Leave the dial: it is at {setting}, the target is {target}."
    way = "up" if advice.turn is Turn.UP else "down"
    by = show(advice.by_k, Dimension.DIFFERENCE, units)
    return (
        f"Turn the dial {way} by {by}: it is at {setting}, the target is {target}. Note it "
        f"(stillwell note heater-trim), look again after an hour, and compare anew once the water "
        f"has been at rest for two to three hours. {CAUTION}"
    )
