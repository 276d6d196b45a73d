"""One change of an alarm, for people and for programs."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from stillwell.cli.console import (
    PRIORITY_STYLE,
    STATE_STYLE,
    print_json,
    say,
    stderr,
    stdout,
)
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


def alarm_as_text(transition: Transition, reader: Reader) -> Text:
    """Returns when, which alarm, what happened to it, what it says."""
    from rich.text import Text

    at = datetime.fromtimestamp(transition.moment.utc_ms / 1000, ZoneInfo(reader.zone))
    by = f" by {transition.by}" if transition.by else ""
    return Text.assemble(
        f"{at:%a %d %b %H:%M:%S}  ",
        (transition.alarm, PRIORITY_STYLE[transition.priority]),
        "  ",
        (f"{transition.event}{by}", STATE_STYLE[transition.after]),
        f"  {reader.alarm(transition).title}",
    )


def printing_changes(reader: Reader, *, as_json: bool) -> Callable[[Transition], None]:
    """Returns what prints each raise and each end of an alarm as it comes, or every change as
    JSON."""

    def told(transition: Transition) -> None:
        if as_json:
            print_json(alarm_as_dict(transition, reader))
        elif transition.event in ("raise", "clear"):
            # On a terminal these lines go to standard error, where the progress line makes room for
            # them.
            out = stderr() if stdout().is_terminal else stdout()
            say(alarm_as_text(transition, reader), to=out)

    return told
