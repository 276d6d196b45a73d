"""A thread a bus: reads the sources on it at their cadence, and can be abandoned when it hangs.

A read that never returns can't be ended from outside in Python. So the thread's deadline is
watched by the supervisor, which leaves a hung thread behind, puts a new one with fresh driver
objects in its place, and counts. Whatever the old thread still brings is thrown away: it belongs
to a generation that is over.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from stillwell.acquire.backoff import pause_s
from stillwell.acquire.fold import Fold
from stillwell.acquire.left_out import LeftOut, to_blame
from stillwell.acquire.ticker import Ticker
from stillwell.ports import Clock, Driver, DriverError, KeepsJournal, Noted, ReadsInTurn, TellsTime
from stillwell.reading import Failure, Sample

log = logging.getLogger(__name__)

REPLACEMENTS = 2
"""How often a hung bus thread is replaced before the bus is given up until the process restarts."""

_IDLE_S = 3600.0


@dataclass(frozen=True, slots=True)
class Source:
    """One configured driver, as a bus thread needs it."""

    name: str
    make: Callable[[], Driver]
    """Makes a driver object; raises `DriverError` when the driver itself can't be had."""
    channels: tuple[str, ...]
    shares: frozenset[str] = frozenset()
    """The channels whose looks are averaged."""
    every_s: float = 30.0
    look_s: float | None = None
    deadline_s: float = 10.0


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
class Written:
    """What a driver's own keeper has put into the journal."""

    source: str
    notes: tuple[Noted, ...]


Deliver = Callable[[Batch | SourceState | Written], None]


class _Slot:
    """A source on its thread: the driver object, its cadence, its luck so far."""

    def __init__(self, source: Source, now_ms: int) -> None:
        self.source = source
        look_s = source.look_s or source.every_s
        self.looks = Ticker(max(1, round(look_s * 1000)), now_ms)
        self.readings = Ticker(max(1, round(source.every_s * 1000)), now_ms)
        self.next_look_ms = now_ms
        self.next_reading_ms = now_ms
        self.fold = Fold(source.shares)
        self.driver: Driver | None = None
        self.opened = False
        self.failures = 0
        self.retry_ms = now_ms
        self.last_error: DriverError | None = None
        self.noted_ms: int | None = None


class _Generation:
    """One life of a bus thread. `over` is set when it has been abandoned or told to stop."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.over = threading.Event()
        self.thread: threading.Thread | None = None
        self.busy: tuple[str, int] | None = None  # (source, since mono_ms)
        self.brought: list[Sample] = []  # by the read that goes on
        self.turns: list[tuple[str, int]] = []  # (channel, since mono_ms) in what goes on
        self.progress = 0


class Bus:
    """Runs the sources that share one bus, in one thread.

    Args:
        name: the bus, as the drivers name it.
        sources: what is on it.
        clock: the daemon's clock.
        deliver: takes batches and source states; must not block for long.
    """

    def __init__(
        self, name: str, sources: Sequence[Source], clock: Clock, deliver: Deliver
    ) -> None:
        self.name = name
        self.sources = tuple(sources)
        self._clock = clock
        self._deliver = deliver
        self._current = _Generation(0)
        self._lock = threading.Lock()
        self._left_out = LeftOut()
        self.given_up = False

    def start(self) -> None:
        self._begin(self._current)

    def stop(self) -> None:
        """Tells the thread to end; a hung one is a daemon thread and dies with the process."""
        self._current.over.set()

    def join(self, seconds: float) -> None:
        thread = self._current.thread
        if thread is not None:
            thread.join(seconds)

    @property
    def progress(self) -> int:
        """Grows while the thread does anything at all; the watchdog's evidence."""
        return self._current.progress

    @property
    def alive(self) -> bool:
        thread = self._current.thread
        return thread is not None and thread.is_alive()

    def overdue(self) -> str | None:
        """The source whose read has outlived its deadline or killed the thread, else None."""
        generation = self._current
        busy = generation.busy
        if busy is None:
            return self.sources[0].name if not self.alive and not generation.over.is_set() else None
        name, since_ms = busy
        source = next(s for s in self.sources if s.name == name)
        if self._mono_ms() - since_ms > source.deadline_s * 1000 or not self.alive:
            return name
        return None

    def replace(self) -> bool:
        """Leaves the hung thread behind and starts another.

        Returns:
            False when it has been replaced as often as allowed: the bus is given up, its sources
            stay down, and only a restart of the process can bring them back.
        """
        stuck = self.overdue() or self.sources[0].name
        source = next(s for s in self.sources if s.name == stuck)
        old = self._current
        blamed = self._blamed(old)
        with self._lock:
            old.over.set()
            self._current = _Generation(old.number + (0 if blamed else 1))
        if not blamed:
            self._deliver(
                SourceState(
                    stuck,
                    up=False,
                    what=f"{stuck} has not answered for {source.deadline_s:g} s and hangs.",
                    do="Check its cable and plug; other sensors are read on.",
                )
            )
        # What a read brought before it hung is kept: one bad probe must not take others along.
        brought = {s.channel: s for s in tuple(old.brought) if s.channel in source.channels}
        raw = f"no answer within {source.deadline_s:g} s"
        samples = tuple(
            brought.get(channel) or Sample(channel, None, Failure.SILENT, raw)
            for channel in source.channels
        )
        self._deliver(Batch(stuck, self._mono_ms(), samples))
        if not blamed and old.number >= REPLACEMENTS:
            self.given_up = True
            log.error("bus %s: hung %d times, given up", self.name, old.number + 1)
            return False
        if not blamed:
            log.warning("bus %s: %s hangs, thread replaced", self.name, stuck)
        self._begin(self._current)
        return True

    def _blamed(self, old: _Generation) -> str:
        """The channel that a hung thread waits for, which is left out from now on; empty where none
        can be named."""
        now_ms, thread = self._mono_ms(), old.thread
        channel = to_blame(tuple(old.turns), now_ms)
        if channel and thread is not None and thread.is_alive():
            pause_s = self._left_out.hung(channel, now_ms, thread.is_alive)
            log.warning(
                "%s hangs: left out for %g min at least, the others are read on; check its cable "
                "and plug",
                channel,
                pause_s / 60,
            )
            return channel
        return ""

    def _begin(self, generation: _Generation) -> None:
        generation.thread = threading.Thread(
            target=self._run,
            args=(generation,),
            name=f"bus {self.name} #{generation.number}",
            daemon=True,
        )
        generation.thread.start()

    def _mono_ms(self) -> int:
        return self._clock.monotonic_ns() // 1_000_000

    def _run(self, generation: _Generation) -> None:
        slots = [_Slot(source, self._mono_ms()) for source in self.sources]
        try:
            while not generation.over.is_set():
                slot = min(slots, key=lambda s: s.next_look_ms)
                wait_s = (slot.next_look_ms - self._mono_ms()) / 1000
                if wait_s > 0 and self._clock.wait(generation.over, min(wait_s, _IDLE_S)):
                    break
                generation.progress += 1
                if self._mono_ms() >= slot.next_look_ms:
                    self._serve(generation, slot)
        finally:
            for slot in slots:
                self._close(slot)

    def _serve(self, generation: _Generation, slot: _Slot) -> None:
        source = slot.source
        generation.busy = (source.name, self._mono_ms())
        samples = self._attempt(generation, slot)
        now_ms = self._mono_ms()
        generation.busy = None
        slot.next_look_ms = slot.looks.after(now_ms)
        if generation.over.is_set():
            return
        slot.fold.add(samples)
        # A reading is due with the last look of its interval, not with the first of the next one.
        if now_ms >= slot.next_reading_ms:
            slot.next_reading_ms = slot.readings.after(now_ms)
            folded = slot.fold.take()
            if folded:
                self._hand_over(generation, Batch(source.name, now_ms, tuple(folded)))

    def _attempt(self, generation: _Generation, slot: _Slot) -> list[Sample]:
        source = slot.source
        generation.turns = []
        now_ms = self._mono_ms()
        if not slot.opened and now_ms < slot.retry_ms:
            return self._failed(slot)
        try:
            if slot.driver is None:
                slot.driver = source.make()
                if isinstance(slot.driver, TellsTime):
                    slot.driver.use_clock(self._clock)
                if isinstance(slot.driver, ReadsInTurn):
                    slot.driver.watch_turns(
                        lambda channel: generation.turns.append((channel, self._mono_ms()))
                    )
            if not slot.opened:
                if isinstance(slot.driver, ReadsInTurn):
                    slot.driver.read_only(self._left_out.sound(source.channels))
                slot.driver.open()
            began_ms = self._clock.wall_ms()
            samples = self._read(generation, source, slot.driver)
            if isinstance(slot.driver, KeepsJournal):
                self._write_down(generation, slot, slot.driver, began_ms)
        except DriverError as error:
            self._went_down(generation, slot, error)
            return self._failed(slot)
        except Exception as error:
            # A driver's own mistake must not end the bus: the neighbours on it go on.
            log.exception("source %s: the driver failed", source.name)
            trouble = DriverError(
                f"The driver of {source.name} failed: {type(error).__name__}: {error}.",
                "If it goes on, report it with the log.",
            )
            self._went_down(generation, slot, trouble)
            return self._failed(slot)
        if not slot.opened or slot.failures:
            slot.opened = True
            slot.failures = 0
            slot.last_error = None
            self._hand_over(generation, SourceState(source.name, up=True))
        known = [sample for sample in samples if sample.channel in source.channels]
        if len(known) != len(samples):
            strangers = sorted({s.channel for s in samples} - set(source.channels))
            log.warning(
                "source %s returned unknown channels: %s", source.name, ", ".join(strangers)
            )
        return known

    def _read(self, generation: _Generation, source: Source, driver: Driver) -> list[Sample]:
        """What a read brings, and for each channel left out that it is. Those that have hung
        before are tried last, each by itself and with a deadline of its own."""
        samples = generation.brought = []
        rounds = self._left_out.rounds(source.channels, self._mono_ms())
        if not rounds:
            raise DriverError(
                f"All that {source.name} reads hangs.",
                "Check cables and plugs; they are tried again by themselves.",
            )
        for number, names in enumerate(rounds):
            if number:
                generation.busy = (source.name, self._mono_ms())
                generation.turns = []
            if isinstance(driver, ReadsInTurn):
                driver.read_only(names)
            for sample in driver.read():
                samples.append(sample)  # noqa: PERF402 - the supervisor looks at it meanwhile
            if generation is self._current:
                self._left_out.answered(names, self._mono_ms())
        generation.turns = []
        raw = "hung; left out until it is tried again"
        read = {name for names in rounds for name in names}
        left = [name for name in source.channels if name not in read]
        return samples + [Sample(name, None, Failure.SILENT, raw) for name in left]

    def _write_down(
        self, generation: _Generation, slot: _Slot, driver: KeepsJournal, began_ms: int
    ) -> None:
        after_ms = began_ms if slot.noted_ms is None else slot.noted_ms
        notes = tuple(driver.journal_since(after_ms))
        slot.noted_ms = max((note.utc_ms for note in notes), default=after_ms)
        if notes:
            self._hand_over(generation, Written(slot.source.name, notes))

    def _failed(self, slot: _Slot) -> list[Sample]:
        """While a source is down each of its channels misses a reading, at the source's cadence."""
        reason = slot.last_error.what if slot.last_error else "not opened yet"
        return [Sample(c, None, Failure.DRIVER, reason[:80]) for c in slot.source.channels]

    def _went_down(self, generation: _Generation, slot: _Slot, error: DriverError) -> None:
        slot.failures += 1
        slot.last_error = error
        slot.retry_ms = self._mono_ms() + round(pause_s(slot.failures) * 1000)
        self._close(slot)
        self._hand_over(
            generation, SourceState(slot.source.name, up=False, what=error.what, do=error.do)
        )

    @staticmethod
    def _close(slot: _Slot) -> None:
        slot.opened = False
        if slot.driver is not None:
            with suppress(Exception):
                slot.driver.close()

    def _hand_over(self, generation: _Generation, item: Batch | SourceState | Written) -> None:
        with self._lock:
            if generation is not self._current:
                return
        self._deliver(item)
