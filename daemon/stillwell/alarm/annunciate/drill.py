"""The drill: an alarm that is none, to try the whole way to a person and back. Pure.

It is a real alarm in the log, so that it is raised, told and acknowledged on the ways of all
others. Only its notice is a kind of its own, which every recipient is given, in turn or not, by
day and by night. It is never said again and never passed on, and it ends with its acknowledgement
or with its time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.notices import kind_of, notices
from stillwell.finding import Finding
from stillwell.notice import Facts, Notice, Transition

DRILL = "drill"
"""The alarm's name."""

PATIENCE_S = 900.0
"""How long an acknowledgement is waited for, unless somebody says otherwise."""


@dataclass(frozen=True, slots=True)
class Drilling(Facts):
    """A drill has begun."""

    by: str
    """Who asked for it."""


@dataclass(frozen=True, slots=True)
class Drilled(Facts):
    """A drill is over."""

    answered: bool


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
