"""What everything that can sound says: one condition, standing or not."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.notice import Facts, Priority
from stillwell.reading import Moment


@dataclass(frozen=True, slots=True)
class Over(Facts):
    """Nothing of the kind is so, or no longer: no figure is worth telling."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A condition that an alarm is about, as one observer sees it now.

    May be given once a change or again and again: only changes move the alarm. An observer that
    raised something must say when it is over, also after a restart: the alarm stands until then.
    """

    alarm: str
    active: bool
    priority: Priority
    facts: Facts
    """What was found; where the condition is over, what is so now."""
    since: Moment | None = None
    """When the condition began; None: now."""
