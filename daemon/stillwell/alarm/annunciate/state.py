"""The alarm state machine of ANSI/ISA-18.2-2016 and IEC 62682, as one pure function.

`step(state, event, now)` is defined for every state and every event: it moves and asks for a row in
the alarm log, or it refuses and says why. The states and arrows are those of the standard's alarm
state transition diagram (clause 5, from memory); where the standard leaves a choice, ours is:

- an acknowledged alarm that becomes more urgent is unacknowledged again (re-alarm on priority
  change);
- priority only rises while the condition stands, and starts anew with the next raise;
- a latched alarm must be acknowledged before it can be reset, and cannot be shelved or suppressed:
  its condition is over, there is nothing left to silence, only something to have been seen;
- shelved, suppressed and out-of-service alarms go on tracking their condition; when they come back
  with the condition standing, that is a raise, announced as one;
- shelving again replaces the end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from stillwell.notice import Priority, State
from stillwell.reading import Moment


class Kind(StrEnum):
    """What can happen to an alarm."""

    RAISE = "raise"
    CLEAR = "clear"
    PRIORITY = "priority"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SHELF_ENDED = "shelf-ended"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    OUT_OF_SERVICE = "out-of-service"
    RETURN_TO_SERVICE = "return-to-service"
    REMOVED = "removed"


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happens to one alarm."""

    kind: Kind
    priority: Priority = Priority.LOW
    """The priority, for `RAISE` and `PRIORITY`."""
    since: Moment | None = None
    """For `RAISE`: when the condition began; None: now."""
    under_cause: bool = False
    """Whether a cause of this alarm stands: the alarm is then suppressed by design instead of
    being announced."""
    shelve_ms: int = 0
    """The length of the shelf, for `SHELVE`."""


@dataclass(frozen=True, slots=True)
class AlarmState:
    """Everything that the machine remembers of an alarm. A row of the alarm log holds all of it."""

    state: State = State.NORMAL
    active: bool = False
    """Whether the condition stands, also while shelved, suppressed or out of service."""
    priority: Priority = Priority.LOW
    latching: bool = False
    since: Moment | None = None
    """When the condition that this is about began."""
    shelf_ends_ms: int | None = None
    """When its shelf ends, in monotonic time."""


@dataclass(frozen=True, slots=True)
class Record:
    """The alarm, its condition or its priority has changed: write a row in the alarm log."""


@dataclass(frozen=True, slots=True)
class Refuse:
    """Nothing has changed; `reason` is a clause that follows the alarm's name."""

    reason: str


Action = Record | Refuse

URGENCY = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}

WITHHELD = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})
"""States in which nothing is announced."""

LATCHES = frozenset({State.LATCHED, State.LATCHED_ACKNOWLEDGED})

UNANSWERED = frozenset({State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED})
"""States that wait for an acknowledgement."""

Result = tuple[AlarmState, tuple[Action, ...]]


_BACK_FROM = {
    Kind.UNSHELVE: (State.SHELVED, "is not shelved"),
    Kind.SHELF_ENDED: (State.SHELVED, "is not shelved"),
    Kind.UNSUPPRESS: (State.SUPPRESSED, "is not suppressed"),
    Kind.RETURN_TO_SERVICE: (State.OUT_OF_SERVICE, "is in service"),
}
"""By event that brings an alarm back: the state that it must be in, and the refusal in any
other."""


def step(state: AlarmState, event: Event, now: Moment) -> Result:
    """Returns the state after `event`, and what to do about it: one `Record` or one `Refuse`."""
    if event.kind in _BACK_FROM:
        withheld, why = _BACK_FROM[event.kind]
        return _land(state, event) if state.state is withheld else _refuse(state, why)
    match event.kind:
        case Kind.RAISE:
            return _raise(state, event, now)
        case Kind.CLEAR:
            return _clear(state)
        case Kind.PRIORITY:
            return _priority(state, event)
        case Kind.ACKNOWLEDGE:
            return _acknowledge(state)
        case Kind.RESET:
            return _reset(state)
        case Kind.SHELVE:
            return _shelve(state, event, now)
        case Kind.SUPPRESS:
            return _suppress(state)
        case Kind.OUT_OF_SERVICE:
            if state.state is State.OUT_OF_SERVICE:
                return _refuse(state, "is out of service already")
            return _moved(replace(state, state=State.OUT_OF_SERVICE, shelf_ends_ms=None))
        case _:
            assert event.kind is Kind.REMOVED
            if state.state is State.NORMAL:
                return _refuse(state, "is normal: there is nothing to close")
            return _moved(replace(state, state=State.NORMAL, active=False, shelf_ends_ms=None))


def _raise(state: AlarmState, event: Event, now: Moment) -> Result:
    if state.active:
        return _refuse(state, "stands already")
    after = state.state
    if after not in WITHHELD:
        after = State.SUPPRESSED if event.under_cause else State.UNACKNOWLEDGED
    return _moved(
        replace(state, state=after, active=True, priority=event.priority, since=event.since or now)
    )


def _clear(state: AlarmState) -> Result:
    if not state.active:
        return _refuse(state, "does not stand")
    match state.state:
        case State.UNACKNOWLEDGED:
            after = State.LATCHED if state.latching else State.RETURNED
        case State.ACKNOWLEDGED:
            after = State.LATCHED_ACKNOWLEDGED if state.latching else State.NORMAL
        case _:
            after = state.state
    return _moved(replace(state, state=after, active=False))


def _priority(state: AlarmState, event: Event) -> Result:
    if not state.active:
        return _refuse(state, "does not stand")
    if URGENCY[event.priority] <= URGENCY[state.priority]:
        return _refuse(state, "keeps its priority until its condition is over")
    after = State.UNACKNOWLEDGED if state.state is State.ACKNOWLEDGED else state.state
    return _moved(replace(state, state=after, priority=event.priority))


def _acknowledge(state: AlarmState) -> Result:
    match state.state:
        case State.UNACKNOWLEDGED:
            return _moved(replace(state, state=State.ACKNOWLEDGED))
        case State.RETURNED:
            return _moved(replace(state, state=State.NORMAL))
        case State.LATCHED:
            return _moved(replace(state, state=State.LATCHED_ACKNOWLEDGED))
        case State.ACKNOWLEDGED:
            return _refuse(state, "is acknowledged already")
        case State.LATCHED_ACKNOWLEDGED:
            return _refuse(state, "is acknowledged already; it waits for a reset")
        case State.NORMAL:
            return _refuse(state, "is normal: there is nothing to acknowledge")
        case _:
            return _refuse(state, f"is {_said(state)}: there is nothing to acknowledge")


def _reset(state: AlarmState) -> Result:
    match state.state:
        case State.LATCHED_ACKNOWLEDGED:
            return _moved(replace(state, state=State.NORMAL))
        case State.LATCHED:
            return _refuse(state, "must be acknowledged before it can be reset")
        case State.UNACKNOWLEDGED | State.ACKNOWLEDGED:
            return _refuse(state, "still stands and cannot be reset")
        case _:
            return _refuse(state, "is not latched")


def _shelve(state: AlarmState, event: Event, now: Moment) -> Result:
    if event.shelve_ms <= 0:
        return _refuse(state, "can only be shelved with an end")
    if state.state is State.OUT_OF_SERVICE:
        return _refuse(state, "is out of service; return it to service first")
    if state.state in LATCHES:
        return _refuse(state, "is over and latched: acknowledge and reset it instead")
    return _moved(replace(state, state=State.SHELVED, shelf_ends_ms=now.mono_ms + event.shelve_ms))


def _suppress(state: AlarmState) -> Result:
    if state.state in WITHHELD:
        return _refuse(state, f"is {_said(state)} already")
    if state.state in LATCHES:
        return _refuse(state, "is over and latched: it waits to be seen")
    return _moved(replace(state, state=State.SUPPRESSED))


def _land(state: AlarmState, event: Event) -> Result:
    """Moves an alarm out of a state in which nothing is announced, to the state that its
    condition calls for."""
    if not state.active:
        after = State.NORMAL
    elif event.under_cause:
        after = State.SUPPRESSED
    else:
        after = State.UNACKNOWLEDGED
    return _moved(replace(state, state=after, shelf_ends_ms=None))


def _said(state: AlarmState) -> str:
    return state.state.value.replace("-", " ")


def _moved(state: AlarmState) -> Result:
    return state, (Record(),)


def _refuse(state: AlarmState, reason: str) -> Result:
    return state, (Refuse(reason),)
