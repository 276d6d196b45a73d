"""What everything that can sound says: one condition, standing or not."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.notice import Message, Priority
from stillwell.reading import Moment


@dataclass(frozen=True, slots=True)
class Finding:
    """A condition that an alarm is about, as one observer sees it now.

    May be given once a change or again and again: only changes move the alarm. An observer that
    raised something must say when it is over, also after a restart: the alarm stands until then.
    """

    alarm: str
    active: bool
    priority: Priority
    message: Message
    since: Moment | None = None
    """When the condition began; None: now."""
