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

    Told is what calls somebody, and the end of what somebody was called for. Acknowledging,
    shelving, suppressing, resetting and removing are not: somebody did them, or they are there to
    keep still.
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
    """Returns the notice that `transition` is worth, or none.

    The key is made of what never changes about the transition (not of its wall time, which is put
    right later when the clock was wrong): the same transition always gives the same key, another
    one another.
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
    """Returns how loudly a notice is told: the end of an alarm needs nobody and is one lower than
    the alarm. A drill is as loud as what it stands for."""
    return _LOWER[notice.priority] if notice.kind == "returned" else notice.priority
