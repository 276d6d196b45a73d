"""A float or a switch in the wrong state (a discrepancy alarm in ISA-18.2's terms).

A float's reading is the share of looks at which it was closed. Near the float's height ripple
makes that any number between 0 and 1, so the share is judged like any other value: wrong beyond
a threshold, and in order again only past a deadband on the other side.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.alarm.rules.limit import Limit, Side
from stillwell.notice import Facts, Priority


@dataclass(frozen=True, slots=True)
class Discrepancy:
    """A float or a switch, and its wrong state: closed (water at or above, switch on) where
    `wrong_above`, else open."""

    name: str
    channel: str
    wrong_above: bool
    on_delay_s: float
    off_delay_s: float
    priority: Priority
    says: str = ""
    """What to do about it, in the keeper's words."""
    in_chamber: bool = False
    """Whether it is a float in the return chamber, where the water rises when the pump stops."""


@dataclass(frozen=True, slots=True)
class InState(Facts):
    """A float or a switch is in the wrong state; when the alarm is over, it is in the right one
    again."""

    name: str
    called: str
    is_float: bool
    above: bool
    """Whether the water is at or above the float, or the switch is on."""
    says: str
    """What to do about it, in the keeper's words."""
    in_chamber: bool


def limit_of(discrepancy: Discrepancy, longest_step_ms: int) -> Limit:
    """Returns the limit on the share that follows from the discrepancy: halfway, with a deadband
    that only a float clear of the ripple leaves."""
    return Limit(
        side=Side.HIGH if discrepancy.wrong_above else Side.LOW,
        at=0.5,
        deadband=0.25,
        on_delay_ms=round(discrepancy.on_delay_s * 1000),
        off_delay_ms=round(discrepancy.off_delay_s * 1000),
        longest_step_ms=longest_step_ms,
    )
