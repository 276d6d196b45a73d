"""What every source of alarms reports: whether one condition stands."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.notice import Facts, Priority
from stillwell.reading import Moment


@dataclass(frozen=True, slots=True)
class Over(Facts):
    """The condition does not stand, or no longer does: there is no figure to report."""


@dataclass(frozen=True, slots=True)
class Finding:
    """The condition of an alarm, as one observer sees it now.

    It may be reported once per change or again and again: only changes move the alarm. An observer
    that reported a condition must also report its end, even after a restart: the alarm stands until
    then.
    """

    alarm: str
    active: bool
    priority: Priority
    facts: Facts
    """What was found; where the condition is over, the present state."""
    since: Moment | None = None
    """When the condition began; None: now."""
