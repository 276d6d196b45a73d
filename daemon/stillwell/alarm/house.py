"""Facts about the machine that watches, and not about the tank."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.notice import Facts


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
