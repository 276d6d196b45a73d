"""Facts about the watch and the machine that watches, and not about the tank."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.notice import Facts, Kept


@dataclass(frozen=True, slots=True)
class SourceDown(Facts):
    """None of a source's channels can be read."""

    what: str
    """What is wrong, as its driver says it."""
    do: str


@dataclass(frozen=True, slots=True)
class SinkAway(Facts):
    """A recipient can't be reached."""

    reason: str


@dataclass(frozen=True, slots=True)
class ClockStepped(Facts):
    """The machine's clock has been set."""

    by_ms: int


@dataclass(frozen=True, slots=True)
class StoreFailing(Facts):
    """Readings can't be kept."""

    what: str
    do: str
    lost: int
    """Readings that could not be held."""


@dataclass(frozen=True, slots=True)
class SettingsBroken(Facts):
    """The settings can't be used."""

    place: str
    """File, line and key."""
    what: str
    do: str
    more: int
    """Further faults."""


@dataclass(frozen=True, slots=True)
class Drilling(Facts):
    """A drill has begun."""

    by: str
    """Who asked for it."""


@dataclass(frozen=True, slots=True)
class Drilled(Facts):
    """A drill is over."""

    answered: bool


@dataclass(frozen=True, slots=True)
class AtWork(Facts):
    """Somebody works at the tank."""

    until_ms: int
    """When the work ends, UTC."""
    left_ms: int


@dataclass(frozen=True, slots=True)
class Standing:
    """One alarm that stands when the work is over."""

    alarm: str
    since_ms: int
    """Since when it stands, UTC."""
    facts: Kept


@dataclass(frozen=True, slots=True)
class WorkOver(Facts):
    """The work is over."""

    stands: tuple[Standing, ...]
    """The alarms that stand, the more urgent first."""


@dataclass(frozen=True, slots=True)
class Blind(Facts):
    """Nobody watched for a while."""

    from_ms: int
    """Since when, UTC; where nobody knows, when the gap ended."""
    gone_ms: int | None
    """How long the gap was; None where the clocks don't tell."""


@dataclass(frozen=True, slots=True)
class Removed(Facts):
    """The configuration no longer has this alarm."""


@dataclass(frozen=True, slots=True)
class Restarting(Facts):
    """The daemon, or the machine, starts again and again."""

    starts: int
    since_ms: int | None
    """The first of them, UTC; None where no clock tells."""
    machine: bool
    """Whether it is the machine that starts again, and not the daemon alone."""
