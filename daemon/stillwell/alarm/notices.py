"""Which changes of an alarm are worth telling people, and the one message that each becomes."""

from __future__ import annotations

from stillwell.alarm.state import Kind
from stillwell.notice import Notice, State, Transition

LONGEST_TITLE = 80


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
    moment, message = transition.moment, transition.message
    body = [part for part in (message.likely, message.do, message.caution) if part]
    priority = transition.priority
    return [
        Notice(
            key=f"{transition.alarm}:{kind}:{priority}:{moment.epoch}:{moment.mono_ms}",
            subject=transition.alarm,
            kind=kind,
            priority=priority,
            moment=moment,
            title=title(message.what, "Worse: " if kind == "worse" else ""),
            text="\n".join([message.what, *body, f"({transition.alarm}, {priority} priority)"]),
        )
    ]


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
