"""One change of an alarm, for people and for programs."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from stillwell.cli.console import PRIORITY_STYLE, STATE_STYLE
from stillwell.notice import Transition
from stillwell.reading import rfc3339 as rfc3339

if TYPE_CHECKING:
    from rich.text import Text

    from stillwell.cli.printed import AlarmChange
    from stillwell.words import Reader


def alarm_as_dict(transition: Transition, reader: Reader) -> AlarmChange:
    """Returns the change as every command prints it with ``--json``."""
    return {
        "time": rfc3339(transition.moment.utc_ms),
        "alarm": transition.alarm,
        "state": transition.after,
        "event": transition.event,
        "active": transition.active,
        "priority": transition.priority,
        "since": rfc3339(transition.since.utc_ms),
        "text": str(reader.alarm(transition)),
        "by": transition.by,
    }


def alarm_as_text(transition: Transition, reader: Reader, *, full: bool = False) -> Text:
    """Returns when, which alarm, what happened to it, what it says.

    Args:
        full: also what to do, what was seen, why, and the caution, on lines of their own.
    """
    from rich.text import Text

    at = datetime.fromtimestamp(transition.moment.utc_ms / 1000, ZoneInfo(reader.zone))
    by = f" by {transition.by}" if transition.by else ""
    said = reader.alarm(transition)
    text = Text.assemble(
        f"{at:%a %d %b %H:%M:%S}  ",
        (transition.alarm, PRIORITY_STYLE[transition.priority]),
        "  ",
        (f"{transition.event}{by}", STATE_STYLE[transition.after]),
        f"  {said.title}",
    )
    if full and transition.active:
        for part in said.parts:
            text.append(f"\n    {part}")
    return text
