"""A configuration as the daemon uses it: its tables, and its sources and sinks with their
plugins."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from stillwell.reading import Quantity
from stillwell.settings.faults import Fault
from stillwell.settings.given import Given
from stillwell.settings.schema.answers import Page, Unanswered
from stillwell.settings.schema.book import Book, Night
from stillwell.settings.schema.channels import Channel
from stillwell.settings.schema.machine import Store
from stillwell.settings.schema.tank import Tank
from stillwell.settings.schema.watched import Agreement, Band, StateWatch

_ROOM, _LAMP = "room", "lamp"
"""The names of the channels of the room's temperature and of the lamp's switch."""

_OF_THE_AIR = (Quantity.HUMIDITY, Quantity.SWITCH)
"""Quantities that no channel in the water measures."""


@dataclass(frozen=True, slots=True)
class Source:
    """One configured driver."""

    name: str
    driver: str
    every: float
    """Seconds from one reading to the next."""
    look: float | None
    """Seconds from one look at the hardware to the next; None: one look per reading."""
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
    """Whether the service can use it, but the present user may not read its secrets."""


@dataclass(frozen=True, slots=True)
class Settings:
    """A configuration that is consistent. The attributes have the names of the tables in
    the file."""

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
    """Faults that do not stop the start and should be corrected."""
    given: tuple[Given, ...] = ()
    """The keys that are set, with their values as they may be shown."""

    def source_of(self, channel: str) -> Source:
        """Returns the source that delivers a channel."""
        return next(source for source in self.source.values() if channel in source.channels)

    def that_measure(self, quantity: Quantity) -> tuple[str, ...]:
        """Returns the channels that measure a quantity, in the order of the file."""
        return tuple(n for n, c in self.channel.items() if Quantity(c.quantity) is quantity)

    @property
    def gauge(self) -> str:
        """The channel of the gauge in the return chamber; empty without one."""
        level = self.that_measure(Quantity.LEVEL)
        return next((name for name in level if name != self.tank.top_up.gauge), "")

    @property
    def room(self) -> str:
        """The channel of the room's temperature; empty without one."""
        return _ROOM if _ROOM in self.that_measure(Quantity.TEMPERATURE) else ""

    @property
    def lamp_switch(self) -> str:
        """The channel that shows whether the lamp is on; empty without one."""
        return _LAMP if _LAMP in self.that_measure(Quantity.SWITCH) else ""

    @property
    def water(self) -> tuple[str, ...]:
        """The channels of the water's temperature, in the order of the file."""
        return tuple(n for n in self.that_measure(Quantity.TEMPERATURE) if n != _ROOM)

    def in_water(self, channel: str) -> bool:
        """Whether a channel measures the tank's water: its heat, level or salt."""
        return channel != _ROOM and Quantity(self.channel[channel].quantity) not in _OF_THE_AIR
