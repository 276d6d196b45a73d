"""The drill: an alarm about nothing, to try the whole way to a person and back. Pure.

It is a real alarm in the log, raised, told and acknowledged the same way as all others. Only its
notice is of a kind of its own, which every recipient is given, whatever their turn, by day and
by night. It is never repeated and never passed on, and it ends when it is acknowledged or when
its time is up.
"""

from __future__ import annotations

from dataclasses import replace

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.house import Drilled, Drilling
from stillwell.alarm.notices import kind_of, notices
from stillwell.finding import Finding
from stillwell.notice import Notice, Transition

DRILL = "drill"
"""The alarm's name."""

PATIENCE_S = 900.0
"""How long, in s, an acknowledgement is waited for, unless somebody asks for another time."""


def begun(by: str) -> Finding:
    """Returns the finding that raises the drill. `by`: who asked for it."""
    return Finding(DRILL, True, priority_of(DRILL), Drilling(by))


def over(answered: bool) -> Finding:
    """Returns the finding that ends the drill."""
    return Finding(DRILL, False, priority_of(DRILL), Drilled(answered))


def drill_notices(transition: Transition) -> list[Notice]:
    """Returns what people are told of a change of the drill: its beginning, and nothing else."""
    if kind_of(transition) != "raised":
        return []
    return [replace(notice, kind=DRILL) for notice in notices(transition)]
