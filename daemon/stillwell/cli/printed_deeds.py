"""What the commands that do something print with ``--json``: see `printed`."""

from __future__ import annotations

from collections.abc import Mapping

from typing_extensions import TypeAliasType, TypedDict

Time = TypeAliasType("Time", str)
"""A time in RFC 3339, UTC."""
Day = TypeAliasType("Day", str)
"""A date in the tank's zone."""


class DriverWritten(TypedDict):
    """The package of a driver of one's own."""

    files: list[str]


class Answer(TypedDict):
    """The result of a command about alarms."""

    done: bool
    text: str
    alarms: list[str]


class Sent(TypedDict):
    sink: str
    sent: int
    """The number of points."""
    refused: int
    reasons: Mapping[str, int]


class Copy(TypedDict):
    file: str
    size_bytes: int
    schema: int
    """The schema version of the store."""
    newest: Time | None
    """The time of its last reading."""


class PutBack(Copy):
    store: str
    aside: str | None
    """The file in which the previous store is kept."""


class DrillWay(TypedDict):
    sink: str
    kind: str
    taken_s: float | None
    refused: str
    verdict: str


class Drill(TypedDict):
    sinks: list[DrillWay]
    answered_s: float | None
    by: str


class Exported(TypedDict):
    file: str
    journal: str | None
    readings: int
    entries: int


class Mix(TypedDict, total=False):
    """Salinities are practical salinity."""

    ml: float
    target: float
    t_c: float
    salinity: float
    reads: float
    water_share: float
    dry_g: float
    first_g: float
    fresh_ml: float
    cups: list[float]
    add_fresh_ml: float
    swap_fresh_ml: float
    tank_ml: float
    tank: float
    moves: float
    cold_c: float
    heater_w: float
    warm_s: float | None


class JournalEntry(TypedDict):
    id: int
    time: Time
    kind: str
    value: float | None
    unit: str
    to_mark: bool
    """Whether it is a pour that filled up to the mark."""
    lasted_s: float | None
    text: str
    by: str
    strikes: int | None
    struck_by: int | None


class JournalWritten(TypedDict):
    file: str
    entries: int


class LeftOut(TypedDict):
    line: int
    why: str


class JournalTaken(TypedDict):
    taken: list[int]
    known: int
    struck: list[LeftOut]
    refused: list[LeftOut]
    odd: list[LeftOut]


class Initialised(TypedDict):
    file: str
    channels: list[str]
    recipients: list[str]
    ok: bool
    """Whether `check` found nothing to fix."""
    started: bool


class Simulated(TypedDict):
    store: str
    readings: int
    days: float


class FaultKind(TypedDict):
    fault: str
    part: str
    says: str
    size: float | None
