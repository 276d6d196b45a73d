"""A configuration as the daemon uses it: its tables, its sources and sinks with their plugins."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from stillwell.settings.faults import Fault
from stillwell.settings.schema.answers import Page, Unanswered
from stillwell.settings.schema.book import Book, Night
from stillwell.settings.schema.channels import Channel
from stillwell.settings.schema.machine import Store
from stillwell.settings.schema.tank import Tank
from stillwell.settings.schema.watched import Agreement, Band, StateWatch


@dataclass(frozen=True, slots=True)
class Source:
    """One configured driver."""

    name: str
    driver: str
    every: float
    """Seconds from one reading to the next."""
    look: float | None
    """Seconds from one look at the hardware to the next; None: one look a reading."""
    deadline: float
    """Seconds after which a read is given up."""
    channels: tuple[str, ...]
    made: type[Any] | None
    """The driver's class, a `ports.Driver`: ``made(settings)``. None when `broken`."""
    settings: BaseModel | None
    """An instance of ``made.Settings``."""
    broken: str = ""
    """Why the driver cannot be had: the source is down, and the rest runs."""


@dataclass(frozen=True, slots=True)
class Destination:
    """One configured sink."""

    name: str
    kind: str
    made: type[Any] | None
    """The sink's class, a `ports.Sink`: ``made(name, tank, settings)``. None when `broken`."""
    settings: BaseModel | None
    """An instance of ``made.Settings``."""
    broken: str = ""
    """Why the sink cannot be had: it is away, and the rest runs."""
    sealed: bool = False
    """Whether the service has it, and only who runs this may not read its secrets."""


@dataclass(frozen=True, slots=True)
class Settings:
    """A configuration that fits together. The attributes bear the names of the tables in the
    file."""

    file: Path
    tank: Tank
    night: Night
    store: Store
    store_path: Path
    """Where the store is, absolute."""
    source: Mapping[str, Source]
    channel: Mapping[str, Channel]
    agreement: Mapping[str, Agreement]
    band: Mapping[str, Band]
    state: Mapping[str, StateWatch]
    sink: Mapping[str, Destination]
    unanswered: Unanswered
    page: Page
    book: Book
    warnings: tuple[Fault, ...] = ()
    """What does not stop the start and should be put right."""

    def source_of(self, channel: str) -> Source:
        """Returns the source that delivers a channel."""
        return next(source for source in self.source.values() if channel in source.channels)
