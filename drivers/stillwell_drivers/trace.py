"""Plays back a trace: what a daemon has read, as a file.

In the configuration::

    [source.recorded]
    driver = "trace"
    every = "1 min"
    readings = "/var/lib/stillwell/night.csv"
    [source.recorded.channels]
    water-a = {}
    float-low = { column = "float-low" }

`trace_file` describes the file.

The first row is played at the moment of the first `open`, and the rest follows by the daemon's
monotonic clock. A row that is returned again because the next one is not due yet is marked stale; a
channel whose latest row is older than ``hold`` is silent.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from stillwell.ports import Clock, DriverError
from stillwell.reading import Failure, Sample
from stillwell.units import Seconds
from stillwell_drivers.trace_file import Damage, TraceError, read_trace


class TraceChannel(BaseModel):
    """Where one channel stands in the trace."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    column: str = ""
    """The name in the trace's column ``channel``; empty for the same name as here."""


class TraceSettings(BaseModel):
    """The settings of a trace."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    channels: dict[str, TraceChannel] = Field(min_length=1)
    readings: Path
    speed: Annotated[float, Field(gt=0, le=100_000)] = 1.0
    """How many seconds of the trace pass in one second."""
    hold: Seconds = 150.0
    """For how long (of the trace's time) the latest row of a channel counts."""


class Trace:
    """The driver that plays a trace back. `damage` counts the rows left out so far."""

    Settings: ClassVar[type[BaseModel]] = TraceSettings

    def __init__(self, settings: TraceSettings) -> None:
        self._settings = settings
        self._names = {row.column or name: name for name, row in settings.channels.items()}
        self._clock: Clock | None = None
        self._rows: Iterator[tuple[int, tuple[Sample, ...]]] | None = None
        self._next: tuple[int, tuple[Sample, ...]] | None = None
        self._first_ms = 0
        self._began_ns: int | None = None
        self._latest: dict[str, tuple[int, Sample]] = {}
        self._last_given: dict[str, int] = {}
        self._open = False
        self._broken: TraceError | None = None
        self.damage = 0

    @classmethod
    def bus(cls, settings: TraceSettings) -> str:
        """Returns a bus of its own for each trace."""
        return f"trace:{settings.readings}"

    def use_clock(self, clock: Clock) -> None:
        """Takes the clock by which the trace is played."""
        self._clock = clock

    def open(self) -> None:
        """Opens the file on the first call; later calls continue where the clock is. Raises
        TraceError for a file that is missing or no trace."""
        if self._clock is None:
            raise DriverError(
                "The trace has no clock.", "Call use_clock with the daemon's clock first."
            )
        if self._began_ns is None:
            self._rows = read_trace(self._settings.readings, self._count)
            self._next = next(self._rows, None)
            if self._next is None:
                self._rows = None
                raise TraceError(
                    f"{self._settings.readings} holds no reading that can be used.",
                    "Give another trace.",
                )
            self._first_ms = self._next[0]
            self._began_ns = self._clock.monotonic_ns()
        self._open = True

    def read(self) -> Iterable[Sample]:
        """Returns each channel's latest row up to the trace's time. Raises DriverError after the
        last row has been held for ``hold``."""
        if not self._open or self._clock is None or self._began_ns is None:
            raise DriverError("The trace is not open.", "Open the driver first.")
        if self._broken is not None:
            raise self._broken
        passed_ms = (self._clock.monotonic_ns() - self._began_ns) / 1e6 * self._settings.speed
        now_ms = self._first_ms + passed_ms
        self._take(now_ms)
        hold_ms = self._settings.hold * 1000
        if self._next is None and all(at + hold_ms < now_ms for at, _ in self._latest.values()):
            raise DriverError(
                f"The trace {self._settings.readings} has come to its end.",
                "Give another trace, or take the source out of the configuration.",
            )
        return [self._sample(name, now_ms, hold_ms) for name in self._settings.channels]

    def close(self) -> None:
        """Stops reading; the trace's time goes on with the clock."""
        self._open = False

    def _count(self, damage: Damage) -> None:
        self.damage += 1

    def _take(self, now_ms: float) -> None:
        while self._next is not None and self._next[0] <= now_ms:
            at, samples = self._next
            for sample in samples:
                name = self._names.get(sample.channel)
                if name is not None:
                    self._latest[name] = (at, sample._replace(channel=name))
            try:
                self._next = next(self._rows, None) if self._rows is not None else None
            except TraceError as error:
                self._broken = error
                raise

    def _sample(self, name: str, now_ms: float, hold_ms: float) -> Sample:
        held = self._latest.get(name)
        if held is None or held[0] + hold_ms < now_ms:
            return Sample(name, None, Failure.SILENT, "trace: no row")
        at, sample = held
        again = self._last_given.get(name) == at
        self._last_given[name] = at
        return sample._replace(stale=True) if again and sample.value is not None else sample
