"""Work at the tank: for a limited time, alarms that a hand in the tank causes are kept quiet. Pure.

It is an alarm that never rings, and the work is its shelf. While it is shelved it explains the
alarms that by the catalogue a hand causes, as any cause explains what follows from it; alarms
about what kills animals ring all the same. A shelf has an end and survives a restart, and so
does the work. When it is over people are told, with the alarms that stand then; those that do
not pass by themselves ring afterwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stillwell.alarm.house import Standing
from stillwell.notice import Notice, Priority, State, Transition
from stillwell.request import Request

MAINTENANCE = "maintenance"
"""The alarm's name."""

USUAL_S = 3_600.0
"""How long the work lasts, in s, unless somebody gives another time."""
LONGEST_S = 4 * 3_600.0
"""The longest work, in s. A choice of ours: in an unheated room 68 L lose a degree or two in
that time, and nobody has a hand in the tank for longer."""


def as_sent(request: Request) -> Request:
    """Returns a request for work with what is left of the time that was asked for: the request
    may have been under way for hours, and by then the hand is out of the water."""
    if not request.seconds or not request.age_s:
        return request
    return replace(request, seconds=max(0.0, request.seconds - request.age_s))


def maintenance_notices(transition: Transition) -> list[Notice]:
    """Returns what people are told of a change of the work: only its end."""
    if transition.before is not State.SHELVED or transition.after is State.SHELVED:
        return []
    moment = transition.moment
    return [
        Notice(
            key=f"{MAINTENANCE}:over:{moment.epoch}:{moment.mono_ms}",
            subject=MAINTENANCE,
            kind=MAINTENANCE,
            priority=transition.priority,
            moment=moment,
            facts=transition.facts,
        )
    ]


def priority_of(standing: Sequence[Standing]) -> Priority:
    """Returns how urgent the notice of the end is. Never high: urgent alarms in it ring by
    themselves."""
    return Priority.MEDIUM if standing else Priority.LOW
