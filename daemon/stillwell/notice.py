"""The nouns of alarms: what the store keeps, what a sink sends. Behaviour lives in
`stillwell.alarm`.

States and terms follow ANSI/ISA-18.2-2016 and IEC 62682.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from enum import StrEnum

from stillwell.reading import Moment
from stillwell.shown import plain_lines


class Priority(StrEnum):
    """How soon a person is needed."""

    HIGH = "high"
    """Animals at risk within hours: get up."""
    MEDIUM = "medium"
    """Today."""
    LOW = "low"
    """When you next pass by."""


class State(StrEnum):
    """ISA-18.2 alarm states. `LATCHED` is the unacknowledged latched state; once acknowledged and
    cleared a latched alarm waits for a reset in `LATCHED_ACKNOWLEDGED`."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    LATCHED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


_MARKS = re.compile("([\ufff9-\ufffb])")
"""What `units.either` sets around a figure in both systems, until the text is worded for one."""


def _make_plain(noun: object, *names: str) -> None:
    """Makes texts of a noun plain, their newlines kept: they may quote a sensor, a driver, a
    stranger, and go to terminals, logs, brokers and phones."""
    for name in names:
        text = getattr(noun, name)
        if not text.isprintable():
            parts = _MARKS.split(text)
            parts[::2] = map(plain_lines, parts[::2])
            object.__setattr__(noun, name, "".join(parts))


@dataclass(frozen=True, slots=True)
class Message:
    """What an alarm says to a person: each part one or two plain sentences, units included."""

    what: str
    """What is wrong, with value, limit and since when."""
    likely: str = ""
    """What it most likely is."""
    do: str = ""
    """What to do now."""
    caution: str = ""
    """The caution that goes with the deed: mains and water."""

    def __post_init__(self) -> None:
        _make_plain(self, "what", "likely", "do", "caution")

    def __str__(self) -> str:
        return " ".join(part for part in (self.what, self.likely, self.do, self.caution) if part)


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of one alarm's state: a row in the alarm log."""

    alarm: str
    moment: Moment
    before: State
    after: State
    event: str
    """What moved it: raise, clear, acknowledge, reset, shelve, unshelve, shelf-ended, suppress,
    unsuppress, out-of-service, return-to-service, priority."""
    priority: Priority
    active: bool
    """Whether the condition stood after the change, also while shelved or suppressed."""
    message: Message
    since: Moment
    """When the condition that this is about began."""
    by: str = ""
    """Who did it, where a person did."""
    shelved_for_ms: int = 0
    also: Message | None = None
    """`message` in the other system of units, where that makes a difference and is known."""
    also_units: str = ""
    """Which system that is: metric or us."""

    def __post_init__(self) -> None:
        _make_plain(self, "by")

    def in_units(self, units: str | None) -> Transition:
        """Returns the transition as somebody reads it who wants these units; itself where it is
        worded in them already, or where nobody asks for any."""
        if self.also is None or self.also_units != units:
            return self
        return replace(self, message=self.also, also=None, also_units="")


@dataclass(frozen=True, slots=True)
class Worded:
    """What a notice says in another system of units."""

    units: str
    """metric or us."""
    title: str
    text: str

    def __post_init__(self) -> None:
        _make_plain(self, "title", "text")


@dataclass(frozen=True, slots=True)
class Notice:
    """One message for people, kept until every sink has taken it."""

    key: str
    """Idempotence key: the same notice sent twice has the same key."""
    subject: str
    """The alarm's name, or `review`, `drill`, `reminder`, `maintenance`."""
    kind: str
    """raised, returned, repeated, worse, review, drill, reminder, blind, maintenance."""
    priority: Priority
    moment: Moment
    title: str
    """One line, at most 80 characters."""
    text: str
    also: Worded | None = None
    """The same in the other system of units, where that makes a difference and is known."""

    def __post_init__(self) -> None:
        _make_plain(self, "title", "text")

    def in_units(self, units: str | None) -> Notice:
        """Returns the notice as somebody reads it who wants these units; itself where it is worded
        in them already, or where nobody asks for any."""
        also = self.also
        if also is None or also.units != units:
            return self
        return replace(self, title=also.title, text=also.text, also=None)
