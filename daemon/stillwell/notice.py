"""The nouns of alarms: what the store keeps, what a sink sends. Behaviour lives in
`stillwell.alarm`.

States and terms follow ANSI/ISA-18.2-2016 and IEC 62682.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from enum import StrEnum

from stillwell.reading import Moment
from stillwell.shown import plain_lines


class Priority(StrEnum):
    """How soon a person must act."""

    HIGH = "high"
    """Animals are at risk within hours: get up."""
    MEDIUM = "medium"
    """Act today."""
    LOW = "low"
    """Act when you next pass by."""


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


def _make_plain(noun: object, *names: str) -> None:
    """Makes texts of a noun plain but keeps their newlines: they may quote a sensor, a driver, a
    stranger, and go to terminals, logs, brokers and phones."""
    for name in names:
        text = getattr(noun, name)
        if not text.isprintable():
            object.__setattr__(noun, name, plain_lines(text))


@dataclass(frozen=True, slots=True)
class Facts:
    """What was found about one alarm: figures in SI, names, times. No sentences.

    Each family of alarms has its own frozen dataclasses, beside the rule or the model that finds
    it; `stillwell.words` has a function for each that words it in the units and the zone of whoever
    reads. The store keeps facts as JSON under the name of their class.
    """


@dataclass(frozen=True, slots=True)
class Kept(Facts):
    """Facts as the store keeps them: parsed when somebody wants them in words."""

    text: str
    """The name of the class and its fields, as JSON."""

    @classmethod
    def of(cls, facts: Facts) -> Kept:
        """Returns any facts in the form in which they are kept."""
        if isinstance(facts, Kept):
            return facts
        return cls(json.dumps([type(facts).__name__, asdict(facts)]))


@dataclass(frozen=True, slots=True)
class Message(Facts):
    """Facts that are words already: what others reported (a driver, a file), and what was kept when
    alarms were kept as text."""

    what: str
    """What is wrong, with value, limit and since when."""
    likely: str = ""
    """What it most likely is."""
    do: str = ""
    """What to do now."""
    caution: str = ""
    """The caution that goes with what to do: mains and water."""

    def __post_init__(self) -> None:
        _make_plain(self, "what", "likely", "do", "caution")


@dataclass(frozen=True, slots=True)
class Prose(Facts):
    """A notice that is words already."""

    title: str
    text: str = ""

    def __post_init__(self) -> None:
        _make_plain(self, "title", "text")


@dataclass(frozen=True, slots=True)
class EitherProse(Facts):
    """A notice that is words already, in both systems of units."""

    metric: Prose
    us: Prose


@dataclass(frozen=True, slots=True)
class Said:
    """An alarm in words, for one reader."""

    title: str
    """At most 60 characters: the cause, then a figure or what to do."""
    do: str = ""
    """What to do, the safe way."""
    seen: str = ""
    """What was seen: value, limit, since when, how fast, what it leads to."""
    why: str = ""
    """Why this is the likely cause, and what else it may be."""
    caution: str = ""
    """The caution that goes with what to do: mains and water."""

    def __post_init__(self) -> None:
        _make_plain(self, "title", "do", "seen", "why", "caution")

    @property
    def parts(self) -> tuple[str, ...]:
        """The parts below the title, in the order in which they are read."""
        return tuple(filter(None, (self.do, self.seen, self.why, self.caution)))

    def __str__(self) -> str:
        return " ".join((self.title, *self.parts))


@dataclass(frozen=True, slots=True)
class Told:
    """A notice in words, for one reader."""

    title: str
    text: str

    def __post_init__(self) -> None:
        _make_plain(self, "title", "text")


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of one alarm's state: a row in the alarm log."""

    alarm: str
    moment: Moment
    before: State
    after: State
    event: str
    """What moved the alarm: raise, clear, acknowledge, reset, shelve, unshelve, shelf-ended,
    suppress, unsuppress, out-of-service, return-to-service, priority."""
    priority: Priority
    active: bool
    """Whether the condition stands after the change, also while shelved or suppressed."""
    facts: Facts
    since: Moment
    """When the condition of this change began."""
    by: str = ""
    """Who did it, if a person did."""
    shelved_for_ms: int = 0

    def __post_init__(self) -> None:
        _make_plain(self, "by")


@dataclass(frozen=True, slots=True)
class Notice:
    """One message for people, kept until every sink has taken it. It is put into words for each
    recipient when it is handed over."""

    key: str
    """Idempotence key: the same notice sent twice has the same key."""
    subject: str
    """The alarm's name, or `review`, `drill`, `reminder`, `maintenance`."""
    kind: str
    """raised, returned, repeated, worse, review, drill, reminder, blind, maintenance."""
    priority: Priority
    moment: Moment
    facts: Facts
    lasted_ms: int = 0
    """How long before `moment` the alarm's condition began, in ms."""
    unanswered_ms: int = 0
    """In a repeat: how long nobody has answered, in ms."""
