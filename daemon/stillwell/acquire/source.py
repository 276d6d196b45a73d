"""A source and what it delivers: plain values that every part may use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from stillwell.ports import Driver, JournalLine
from stillwell.reading import Sample


@dataclass(frozen=True, slots=True)
class Source:
    """One configured driver, as a bus thread needs it."""

    name: str
    make: Callable[[], Driver]
    """Makes a driver object; raises `DriverError` when the driver can't be loaded."""
    channels: tuple[str, ...]
    shares: frozenset[str] = frozenset()
    """The channels whose looks are averaged."""
    every_s: float = 30.0
    look_s: float | None = None
    deadline_s: float = 10.0
    driver: str = ""
    """The name of the driver in the configuration."""

    @property
    def who(self) -> str:
        """The driver, in words that begin a sentence."""
        if self.driver in ("", self.name):
            return f"The driver {self.driver}" if self.driver else f"The driver of {self.name}"
        return f"The driver {self.driver} of {self.name}"


@dataclass(frozen=True, slots=True)
class Batch:
    """The samples of one source at one monotonic instant."""

    source: str
    mono_ms: int
    samples: tuple[Sample, ...]


@dataclass(frozen=True, slots=True)
class SourceState:
    """A source has come up or gone down; `what` and `do` are for the person beside the tank."""

    source: str
    up: bool
    what: str = ""
    do: str = ""


@dataclass(frozen=True, slots=True)
class JournalBatch:
    """The lines of a driver's own journal, in order."""

    source: str
    notes: tuple[JournalLine, ...]


Deliver = Callable[[Batch | SourceState | JournalBatch], None]
