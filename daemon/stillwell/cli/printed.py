"""What each command prints with ``--json``: the form of one line of its standard output.

`json_schema` makes config/output.schema.json of it. Times are RFC 3339 in UTC, values in SI units
(volumes in mL), and a name that the MQTT documents have too means the same here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NotRequired

from typing_extensions import TypedDict

from stillwell.cli.checks.point import Grade
from stillwell.cli.printed_deeds import (
    Answer,
    Copy,
    Day,
    Drill,
    DriverWritten,
    Exported,
    FaultKind,
    Initialised,
    JournalEntry,
    JournalTaken,
    JournalWritten,
    Mix,
    PutBack,
    Sent,
    Simulated,
    Time,
)
from stillwell.estimate.trim import Turn
from stillwell.notice import Priority, State
from stillwell.review import Review
from stillwell.watching import Watch


class Error(TypedDict):
    """The line on standard error of a command that ends because something is wrong."""

    error: str
    do: str
    """What to do about it; may be empty."""


class Remark(TypedDict):
    """A line on standard error beside the result."""

    remark: str


class Quantity(TypedDict):
    value: float
    unit: str
    """A unit of the IANA SenML registry if it has one; else K/h, mL."""


class Interval(TypedDict):
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float


class Learned(TypedDict):
    value: float | None
    low: float | None
    high: float | None
    unit: str


class AlarmChange(TypedDict):
    """One change of one alarm, or its present state."""

    time: Time
    alarm: str
    state: State
    """The ISA-18.2 state after the change."""
    event: str
    active: bool
    """Whether the condition stands, also while shelved or suppressed."""
    priority: Priority
    since: Time
    text: str
    by: str


class MostFrequent(TypedDict):
    alarm: str
    raised: int


class Unanswered(TypedDict):
    alarm: str
    raised: Time


class AlarmDay(TypedDict):
    day: Day
    raised: int
    high: int
    stale: int


class AlarmReport(TypedDict):
    start: Time
    end: Time
    raised: int
    per_day: float
    by_priority: Mapping[str, int]
    most_frequent: list[MostFrequent]
    flood_share: float
    chattering: list[str]
    fleeting: list[str]
    stale: list[str]
    standing: list[str]
    unanswered: list[Unanswered]
    answer_median_s: float | None
    days: list[AlarmDay]
    figures: Mapping[str, Any]
    """The target of each figure."""


class Book(TypedDict):
    start: Time
    end: Time
    water: Mapping[str, list[tuple[Time, float]]]
    """Daily means of each measurand, in its unit (degC, %, mm)."""
    salinity: list[tuple[Time, float, float, float]]
    """Practical salinity: value, low, high."""
    tests: Mapping[str, list[tuple[Time, float]]]
    """The tests in mg/L (as N), or pH."""
    done: Mapping[str, int]
    alarms: list[tuple[Time, str]]


class CheckPoint(TypedDict):
    part: str
    name: str
    grade: Grade
    what: str
    do: str
    source: NotRequired[str]
    value: NotRequired[float | None]
    unit: NotRequired[str]
    flag: NotRequired[int]
    """The QARTOD flag: 1, 2, 3, 4, 9."""
    tests: NotRequired[str]
    free_bytes: NotRequired[int]
    trusted: NotRequired[bool]
    pour_ml: NotRequired[float]
    before_ml: NotRequired[float]
    after_ml: NotRequired[float]


class SettingGiven(TypedDict):
    table: str
    key: str
    value: str
    """As it was written; "…" in place of a secret."""


class Check(TypedDict):
    ok: bool
    daemon_runs: bool
    points: list[CheckPoint]
    settings: NotRequired[list[SettingGiven]]


class DeadmanWay(TypedDict):
    way: str
    commands: list[str]
    text: str


class Advice(TypedDict):
    turn: Turn
    by_k: float
    """By how much to turn, K."""


class Heater(TypedDict):
    learned: Mapping[str, Learned]
    """Empty until it has seen some cycles; then the other keys are there too, the last two where
    there is a heater."""
    basis: NotRequired[str]
    time: NotRequired[Time]
    target: NotRequired[Quantity]
    looks_like: NotRequired[str]
    """How the heater is controlled by what was learned: thermostat or proportional."""
    advice: NotRequired[Advice]
    """What to do with the heater's dial."""


class Night(TypedDict):
    review: Review


class StreamStanding(TypedDict):
    stream: str
    sent: int
    behind: int
    waiting_since: Time | None


class DeadLetter(TypedDict):
    id: int
    stream: str
    seq: int
    time: Time
    reason: str
    again: bool


class Sink(TypedDict):
    sink: str
    configured: bool
    away: bool | None
    verdict: str
    since: Time | None
    behind: int
    streams: list[StreamStanding]
    dead_letters: list[DeadLetter]


class WatchState(TypedDict):
    state: Watch
    since: Time | None
    ahead_s: float
    """By how much the newest reading is ahead of the clock, in seconds, if that is too much."""


class LastReading(TypedDict):
    channel: str
    time: Time | None
    age_s: float | None
    value: float | None
    unit: str
    """Empty if the store does not tell what the channel measures."""
    flag: int | None
    """The QARTOD flag: 1, 2, 3, 4, 9."""
    tests: str


class KeptQuiet(AlarmChange):
    until: Time | None


class LastNotice(TypedDict):
    time: Time
    title: str
    priority: Priority
    to: list[str]


class StoreState(TypedDict):
    path: str
    size_bytes: int
    free_bytes: int
    sound: bool


class ClockState(TypedDict):
    set: bool


class Status(TypedDict):
    watch: WatchState
    time: Time
    channels: list[LastReading]
    calling: list[AlarmChange]
    quiet: list[KeptQuiet]
    notice: LastNotice | None
    """The last notice that a recipient took."""
    recipients: list[Sink]
    store: StoreState
    clock: ClockState
    version: str


class WaterNow(TypedDict):
    value: float | None
    unit: str
    low: float
    """The lower limit of the band."""
    high: float
    rate: Quantity | None


class Cycle(TypedDict):
    stage: str
    missing: list[str]
    forecast: str | None


class DueTask(TypedDict):
    task: str
    date: Day
    title: str
    text: str
    note: str


class Today(TypedDict):
    time: Time
    water: Mapping[str, WaterNow]
    to_add: Quantity | None
    """Fresh water to the fill mark; negative above it. The same as in a review."""
    salinity: Interval | None
    """The practical salinity."""
    cycle: Cycle | None
    due: list[DueTask]
    soon: list[DueTask]
    alarms: list[str]


class WarmUp(TypedDict):
    time: Time
    stage: str
    mean: Quantity | None
    rate: Quantity | None
    trim: Quantity | None
    again: Time
    """When to look again."""
    text: str


BY_COMMAND: dict[str, list[Any]] = {
    "ack": [Answer],
    "alarms": [AlarmChange, AlarmReport],
    "backfill": [Sent],
    "backup": [Copy],
    "book": [Book],
    "check": [Check, DeadmanWay],
    "drill": [Drill],
    "export": [Exported],
    "heater": [Heater],
    "in-service": [Answer],
    "init": [Initialised],
    "mix": [Mix],
    "new-driver": [DriverWritten],
    "note": [JournalEntry, JournalWritten, JournalTaken],
    "out-of-service": [Answer],
    "replay": [AlarmChange, Night],
    "reset": [Answer],
    "restore": [PutBack],
    "review": [Night],
    "run": [AlarmChange],
    "shelve": [Answer],
    "simulate": [AlarmChange, Simulated, FaultKind],
    "sinks": [Sink],
    "status": [Status],
    "today": [Today],
    "unshelve": [Answer],
    "warm-up": [WarmUp],
}
"""The forms that a line of each command's standard output may have."""
