"""Work at the tank: for a while, and never without an end, what a hand in the tank causes keeps
still. Pure.

It is an alarm that never rings, and whose shelf is the work. While it is shelved it explains the
alarms that by the catalogue a hand causes, as any cause explains what follows from it; what kills
rings all the same. A shelf has an end and survives a restart, and so does the work. When it is over
people are told, with what stands then; what does not pass by itself speaks afterwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stillwell.alarm.notices import title
from stillwell.notice import Message, Notice, Priority, State, Transition, Worded
from stillwell.request import Request

MAINTENANCE = "maintenance"
"""The alarm's name."""

USUAL_S = 3_600.0
"""For how long, unless somebody says otherwise."""
LONGEST_S = 4 * 3_600.0
"""A choice of ours: in an unheated room 68 L lose a degree or two in so long, and nobody has a hand
in the tank for longer."""

_NAMED = 6
"""So many of what stands are named in the notice."""


def as_sent(request: Request) -> Request:
    """Returns a request for work with what is left of the time that was asked for: it may have been
    under way for hours, and the hand is out of the water by then."""
    if not request.seconds or not request.age_s:
        return request
    return replace(request, seconds=max(0.0, request.seconds - request.age_s))


def begun(until: str) -> Message:
    """Returns what is said while it lasts.

    Args:
        until: ``until 13:06``, or how long.
    """
    return Message(
        f"Work at the tank {until}: alarms that a hand causes are quiet.",
        "What kills still rings: a leak, a heater that does not switch off, water that is too "
        "warm.",
        'Done before? "stillwell unshelve --all".',
    )


def over(standing: Sequence[Message]) -> Message:
    """Returns what is said at its end.

    Args:
        standing: what the alarms say that stand, the more urgent first.
    """
    if not standing:
        return Message("Work over, alarms ring again: nothing stands.")
    sentences = [message.what.partition(". ")[0].removesuffix(".") for message in standing]
    more = f"\nand {len(sentences) - _NAMED} more" if len(sentences) > _NAMED else ""
    count = "one thing is" if len(sentences) == 1 else f"{len(sentences)} things are"
    return Message(
        f"Work over, alarms ring again: {count} not well.",
        "\n".join(sentences[:_NAMED]) + more,
        "See whether heater and pump run. What does not pass in the next minutes rings.",
    )


def maintenance_notices(transition: Transition) -> list[Notice]:
    """Returns what people are told of a change of the work: its end, and nothing else."""
    if transition.before is not State.SHELVED or transition.after is State.SHELVED:
        return []
    moment, also = transition.moment, transition.also
    told = None
    if also is not None:
        told = Worded(transition.also_units, title(also.what), _text(also))
    return [
        Notice(
            key=f"{MAINTENANCE}:over:{moment.epoch}:{moment.mono_ms}",
            subject=MAINTENANCE,
            kind=MAINTENANCE,
            priority=transition.priority,
            moment=moment,
            title=title(transition.message.what),
            text=_text(transition.message),
            also=told,
        )
    ]


def priority_of(standing: Sequence[Message]) -> Priority:
    """Returns how urgent the end is: what is urgent in it speaks for itself."""
    return Priority.MEDIUM if standing else Priority.LOW


def _text(message: Message) -> str:
    return "\n".join(part for part in (message.what, message.likely, message.do) if part)
