"""Runs a pipeline as fast as the machine can, on a clock that is set rather than waited for.

`simulate` and `replay` use it, and so do the tests and benches that need years: it is the same
pipeline as the live daemon's, without a thread.
"""

from __future__ import annotations

import gc
import heapq
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager

from stillwell.acquire.clock import SetClock
from stillwell.acquire.source import Batch, Source, SourceState
from stillwell.acquire.ticker import Ticker
from stillwell.pipeline import Pipeline
from stillwell.ports import Driver, DriverError, KeepsJournal, TellsTime
from stillwell.reading import Failure, Sample

TICK_MS = 30_000
"""How often the pipeline is ticked between batches: finer than any delay that a person would
set."""

COLLECT_AFTER = 50_000
"""How many new objects are made before the garbage collector looks for cycles, during a run."""

EachDay = Callable[[int], None]
"""Called now and then with the UTC time in ms: the calendar's look, a progress bar."""


@contextmanager
def hurry() -> Iterator[None]:
    """A context in which the garbage collector looks less often, for the time of a run.

    Readings make no cycles, but those that wait for a commit are some ten thousand objects, and by
    default Python looks through them at every seven hundredth new one: a quarter of a run's time.
    For commands only, since the setting holds for the whole process.
    """
    before = gc.get_threshold()
    gc.set_threshold(COLLECT_AFTER, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


class Run:
    """A pipeline on its own clock. Call `begin` once, then `take` in time order, then `end`.

    Args:
        booted_utc_ms: when the boot of that name began, where this is not its first run.
    """

    def __init__(
        self,
        pipeline: Pipeline,
        start_utc_ms: int,
        *,
        boot_id: str,
        booted_utc_ms: int | None = None,
        tick_ms: int = TICK_MS,
        look: EachDay | None = None,
        look_ms: int = 600_000,
    ) -> None:
        self.pipeline = pipeline
        self._start_ms = start_utc_ms if booted_utc_ms is None else booted_utc_ms
        self.clock = SetClock(self._start_ms)
        self.clock.set(start_utc_ms)
        self._tick_ms = tick_ms
        self._ticked_ms = start_utc_ms - self._start_ms
        self._look = look
        self._look_ms = look_ms
        self._looked_ms = start_utc_ms
        pipeline.begin(boot_id, self._ticked_ms, start_utc_ms, trusted=True)

    def pass_to(self, utc_ms: int) -> None:
        """Lets time pass, with ticks on the way, so that silences and delays are noticed when they
        end."""
        target = utc_ms - self._start_ms
        step = self._tick_ms
        while target - self._ticked_ms >= step:
            self._ticked_ms += step
            self.clock.set(self._start_ms + self._ticked_ms)
            self.pipeline.tick(self._ticked_ms)
            self._look_if_due()
        self.clock.set(utc_ms)

    def take(self, utc_ms: int, source: str, samples: Sequence[Sample]) -> None:
        """Takes the samples of one instant; an instant before the last one counts as the
        last one."""
        self.pass_to(utc_ms)
        mono_ms = self.clock.monotonic_ns() // 1_000_000
        self.pipeline.take(Batch(source, mono_ms, tuple(samples)))

    def _look_if_due(self) -> None:
        now = self.clock.wall_ms()
        if self._look is not None and now - self._looked_ms >= self._look_ms:
            self._looked_ms = now
            self._look(now)

    def end(self) -> None:
        self.pipeline.tick(self.clock.monotonic_ns() // 1_000_000)
        if self._look is not None:
            self._look(self.clock.wall_ms())
        self.pipeline.store.commit()


def drive(run: Run, sources: Iterable[Source], until_utc_ms: int) -> list[Driver]:
    """Reads real driver objects at their cadence until `until_utc_ms`; returns them, closed.

    For drivers that live on the daemon's clock (`ports.TellsTime`): any other would be asked for a
    day's readings in a second. A driver that fails is a source that is down, as in the live daemon.
    """
    drivers: list[Driver] = []
    down: set[str] = set()
    turns: list[tuple[int, int, Source, Driver, Ticker]] = []
    now = run.clock.wall_ms()
    noted: dict[int, int] = {}  # the newest note of each source with a keeper
    for index, source in enumerate(sources):
        driver = source.make()
        if isinstance(driver, TellsTime):
            driver.use_clock(run.clock)
        driver.open()
        drivers.append(driver)
        if isinstance(driver, KeepsJournal):
            noted[index] = run.clock.wall_ms()
        run.pipeline.source_changed(SourceState(source.name, up=True), 0)
        heapq.heappush(
            turns, (now, index, source, driver, Ticker(round(source.every_s * 1000), now))
        )
    while turns and turns[0][0] <= until_utc_ms:
        at, index, source, driver, ticker = heapq.heappop(turns)
        run.pass_to(at)
        run.take(at, source.name, _read(run, source, driver, down))
        if index in noted and isinstance(driver, KeepsJournal):
            noted[index] = _write_down(run, source, driver, noted[index])
        heapq.heappush(turns, (ticker.after(at), index, source, driver, ticker))
    run.pass_to(until_utc_ms)
    for driver in drivers:
        driver.close()
    return drivers


def _write_down(run: Run, source: Source, driver: KeepsJournal, after_ms: int) -> int:
    """Puts new notes of the driver's keeper into the journal; returns the time of the newest."""
    notes = driver.journal_since(after_ms)
    run.pipeline.write_down(source.name, notes)
    return max((note.utc_ms for note in notes), default=after_ms)


def _read(run: Run, source: Source, driver: Driver, down: set[str]) -> list[Sample]:
    """Returns the samples of one read; reports when the source goes down or comes back."""
    mono_ms = run.clock.monotonic_ns() // 1_000_000
    try:
        samples = list(driver.read())
    except DriverError as error:
        down.add(source.name)
        run.pipeline.source_changed(
            SourceState(source.name, up=False, what=error.what, do=error.do), mono_ms
        )
        return [Sample(c, None, Failure.DRIVER, error.what[:80]) for c in source.channels]
    if source.name in down:
        down.remove(source.name)
        run.pipeline.source_changed(SourceState(source.name, up=True), mono_ms)
    return samples
