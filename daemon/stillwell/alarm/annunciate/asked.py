"""What people ask of alarms: which event a request is, which alarms it fits, what the reply is.
Pure."""

from __future__ import annotations

from stillwell.alarm.annunciate import shelving
from stillwell.alarm.annunciate.state import UNANSWERED, AlarmState, Event, Kind
from stillwell.notice import State
from stillwell.request import Command, Request

DONE = {
    Kind.ACKNOWLEDGE: "Acknowledged",
    Kind.RESET: "Reset",
    Kind.SHELVE: "Shelved",
    Kind.UNSHELVE: "Taken off the shelf",
    Kind.RETURN_TO_SERVICE: "Back in service",
}
"""The reply's first word to a request for every alarm that it fits."""

_PLAIN = {
    Command.ACKNOWLEDGE: Kind.ACKNOWLEDGE,
    Command.RESET: Kind.RESET,
    Command.UNSHELVE: Kind.UNSHELVE,
    Command.OUT_OF_SERVICE: Kind.OUT_OF_SERVICE,
    Command.RETURN_TO_SERVICE: Kind.RETURN_TO_SERVICE,
}


def event_of(request: Request, longest_s: float, longest: str) -> Event | str:
    """Returns the event that a request stands for, or a sentence that says why there is none.

    Args:
        longest_s: the longest shelf, in s.
        longest: the same in words.
    """
    if request.command is Command.SHELVE:
        shelve_ms = shelving.shelf_ms(request.seconds, longest_s)
        if shelve_ms is None:
            late = " What was asked for was over when it came here." if request.age_s else ""
            return f"Say for how long to shelve it: between 1 s and {longest}.{late}"
        return Event(Kind.SHELVE, shelve_ms=shelve_ms)
    kind = _PLAIN.get(request.command)
    return Event(kind) if kind else f"The alarms do not know how to {request.command}."


def fits(kind: Kind, state: AlarmState) -> bool:
    """Whether a request without a name is about an alarm in this state."""
    match kind:
        case Kind.ACKNOWLEDGE:
            return state.state in UNANSWERED
        case Kind.RESET:
            return state.state is State.LATCHED_ACKNOWLEDGED
        case Kind.SHELVE:
            return state.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
        case Kind.UNSHELVE:
            return state.state is State.SHELVED
        case Kind.RETURN_TO_SERVICE:
            return state.state is State.OUT_OF_SERVICE
        case _:
            return False
