"""Which changes of an alarm are worth telling people, and the one message that each becomes."""

from __future__ import annotations

from stillwell.alarm.annunciate.state import Kind
from stillwell.notice import Notice, Priority, State, Transition

_LOWER = {
    Priority.HIGH: Priority.MEDIUM,
    Priority.MEDIUM: Priority.LOW,
    Priority.LOW: Priority.LOW,
}


def kind_of(transition: Transition) -> str | None:
    """Returns what people are told about `transition`: raised, worse, returned; None for nothing.

    People are told what calls somebody, and the end of what somebody was called for. They are
    not told of acknowledging, shelving, suppressing, resetting and removing: a person did these,
    or they serve to keep an alarm quiet.
    """
    if transition.after is State.UNACKNOWLEDGED:
        return "worse" if transition.event == Kind.PRIORITY else "raised"
    if transition.event == Kind.CLEAR and transition.before in (
        State.UNACKNOWLEDGED,
        State.ACKNOWLEDGED,
    ):
        return "returned"
    return None


def notices(transition: Transition) -> list[Notice]:
    """Returns the notice for `transition`, or none.

    The key is made of what never changes about the transition (not of its wall time, which is
    corrected later when the clock was wrong): the same transition always gives the same key, and
    another one another key.
    """
    kind = kind_of(transition)
    if kind is None:
        return []
    moment, priority = transition.moment, transition.priority
    return [
        Notice(
            key=f"{transition.alarm}:{kind}:{priority}:{moment.epoch}:{moment.mono_ms}",
            subject=transition.alarm,
            kind=kind,
            priority=priority,
            moment=moment,
            facts=transition.facts,
            lasted_ms=max(0, moment.mono_ms - transition.since.mono_ms),
        )
    ]


def rings_as(notice: Notice) -> Priority:
    """Returns how loudly a notice rings. The end of an alarm needs nobody and is one priority
    lower than the alarm. A drill is as loud as the alarm that it imitates."""
    return _LOWER[notice.priority] if notice.kind == "returned" else notice.priority
