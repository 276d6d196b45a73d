"""Which changes of an alarm are worth telling people, and the one message that each becomes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from stillwell.alarm.annunciate.state import Kind
from stillwell.notice import Message, Notice, Priority, State, Transition, Worded
from stillwell.units import System, either, read_in

LONGEST_TITLE = 80

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
    moment, priority, also = transition.moment, transition.priority, transition.also
    title_, text = _words(transition, kind, transition.message)
    return [
        Notice(
            key=f"{transition.alarm}:{kind}:{priority}:{moment.epoch}:{moment.mono_ms}",
            subject=transition.alarm,
            kind=kind,
            priority=priority,
            moment=moment,
            title=title_,
            text=text,
            also=None
            if also is None
            else Worded(transition.also_units, *_words(transition, kind, also)),
        )
    ]


def rings_as(notice: Notice) -> Priority:
    """Returns how loudly a notice is told: the end of an alarm needs nobody and is one lower than
    the alarm. A drill is as loud as what it stands for."""
    return _LOWER[notice.priority] if notice.kind == "returned" else notice.priority


def _words(transition: Transition, kind: str, message: Message) -> tuple[str, str]:
    """Title and text."""
    body = [part for part in (message.likely, message.do, message.caution) if part]
    about = f"({transition.alarm}, {transition.priority} priority)"
    text = "\n".join([message.what, *body, about])
    return title(message.what, "Worse: " if kind == "worse" else ""), text


def other(units: System) -> System:
    """Returns the system of units that is not `units`."""
    return System.METRIC if units is System.US else System.US


def in_both(transition: Transition, units: System) -> Transition:
    """Returns a transition whose message was made with `System.BOTH` as one that is worded in
    `units`, and in the other system where that makes a difference."""
    message, also = (_read_in(transition.message, system) for system in (units, other(units)))
    if message == also:
        return transition if message == transition.message else replace(transition, message=message)
    return replace(transition, message=message, also=also, also_units=str(other(units)))


def reopened(transition: Transition) -> Transition:
    """Returns a kept transition with its message as `in_both` takes it: for a watch that goes on
    from it, and says the same again."""
    if transition.also is None:
        return transition
    pairs = zip(_parts(transition.message), _parts(transition.also), strict=True)
    us_first = transition.also_units == System.METRIC
    message = Message(*(either(b, a) if us_first else either(a, b) for a, b in pairs))
    return replace(transition, message=message, also=None, also_units="")


def notice_in_both(make: Callable[[System], Notice], units: System) -> Notice:
    """Returns the notice that `make` makes for `units`, with what it makes for the other system.
    Figures that `System.BOTH` made are read in the system that was asked for."""
    first, second = (_closed(make(system), system) for system in (units, other(units)))
    if (first.title, first.text) == (second.title, second.text):
        return first
    return replace(first, also=Worded(str(other(units)), second.title, second.text))


def _closed(notice: Notice, system: System) -> Notice:
    title_, text = read_in(notice.title, system), read_in(notice.text, system)
    return replace(notice, title=title_, text=text)


def _read_in(message: Message, system: System) -> Message:
    return Message(*(read_in(part, system) for part in _parts(message)))


def _parts(message: Message) -> tuple[str, str, str, str]:
    return message.what, message.likely, message.do, message.caution


def title(what: str, before: str = "") -> str:
    """Returns the first sentence of `what` as one line of at most 80 characters, cut between
    words."""
    line = " ".join(what.split())
    end = line.find(". ")
    line = before + (line if end < 0 else line[:end])
    line = line.removesuffix(".")
    if len(line) <= LONGEST_TITLE:
        return line
    cut = line[: LONGEST_TITLE - 1]
    space = cut.rfind(" ")
    return (cut[:space] if space > LONGEST_TITLE // 2 else cut).rstrip(",;: ") + "…"
