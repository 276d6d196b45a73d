"""One thread per bus: it reads the sources on the bus at their cadence, and can be abandoned when
it hangs.

In Python a read that never returns can't be ended from outside. So the supervisor watches the
thread's deadline, leaves a hung thread behind, and starts a new one with fresh driver objects in
its place. Whatever the old thread still delivers is discarded: it belongs to a generation that is
over.

The neighbours of the source that hung are read again at once. The source itself is left alone for
longer each time, and altogether while `MOST_LEFT_BEHIND` of its threads hang: so threads, memory
and files stay bounded, and no driver can make the process end.
"""

from __future__ import annotations

import logging
import threading
import traceback
from collections.abc import Sequence
from itertools import islice

from stillwell.acquire.backoff import pause_s
from stillwell.acquire.checked import checked_note
from stillwell.acquire.left_out import LeftOut, to_blame
from stillwell.acquire.one_read import REPORT, Read, ReadError, Words, words_of
from stillwell.acquire.slot import Hangs, Slot
from stillwell.acquire.source import Batch, Deliver, JournalBatch, Source, SourceState
from stillwell.foreign import MOST_LEFT_BEHIND
from stillwell.ports import Clock, Driver, DriverError, KeepsJournal, ReadsInTurn, TellsTime
from stillwell.reading import Failure, Sample

log = logging.getLogger(__name__)

MOST_NOTES = 1000
"""The most lines of a driver's own journal that are taken at once; the rest follow after the next
read."""

_MOST_REASONS = 10
_MOST_TURNS = 1000
_IDLE_S = 3600.0


class _Generation:
    """One life of a bus thread. `over` is set when the thread has been abandoned or told to
    stop."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.over = threading.Event()
        self.thread: threading.Thread | None = None
        self.busy: tuple[Source, int] | None = None  # since mono_ms
        self.read: Read | None = None  # the read under way
        self.asked: Sequence[str] = ()  # the channels that it was asked for
        self.turns: list[tuple[str, int]] = []  # (channel, since mono_ms) in the read under way


class Bus:
    """Runs the sources that share one bus, in one thread.

    Args:
        name: the bus, as the drivers name it.
        sources: those on the bus.
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
        self._hangs = {source.name: Hangs() for source in self.sources}
        self._deaths = 0
        self._revive_ms: int | None = None

    def start(self) -> None:
        self._begin()

    def stop(self) -> None:
        """Tells the thread to end; a hung one is a daemon thread and dies with the process."""
        self._current.over.set()

    def join(self, seconds: float) -> None:
        thread = self._current.thread
        if thread is not None:
            thread.join(seconds)

    @property
    def alive(self) -> bool:
        thread = self._current.thread
        return thread is not None and thread.is_alive()

    def overdue(self) -> str | None:
        """The source whose read has passed its deadline; the first source when the thread itself
        has died; else None."""
        if self._current.over.is_set():
            return None
        hung = self._hung()
        if hung is None and not self.alive:
            return self.sources[0].name
        return None if hung is None else hung.name

    def replace(self) -> None:
        """Leaves a hung thread behind and starts another; restarts a thread that has died, after a
        pause. Must be called as long as something is `overdue`."""
        hung = self._hung()
        if not self.alive:
            self._revive()
        elif hung is not None:
            self._leave_behind(hung)

    def _hung(self) -> Source | None:
        busy = self._current.busy
        if busy is None or self._mono_ms() - busy[1] <= busy[0].deadline_s * 1000:
            return None
        return busy[0]

    def _leave_behind(self, source: Source) -> None:
        old, now_ms = self._current, self._mono_ms()
        blamed = self._blamed(old)
        self._turn_over()
        if not blamed:
            self._has_hung(source, old, now_ms)
        raw = f"no answer within {source.deadline_s:g} s"
        read = old.read or Read(source.channels)
        self._deliver(Batch(source.name, now_ms, tuple(read.filled(Failure.SILENT, raw))))
        self._begin()

    def _blamed(self, old: _Generation) -> bool:
        """Whether a hung thread waits for one channel, which is left out from now on. A driver is
        believed only about channels that it was asked for, and each of them can hang only once at a
        time."""
        now_ms, thread = self._mono_ms(), old.thread
        channel = to_blame(tuple(old.turns), now_ms)
        if not channel or thread is None or not thread.is_alive():
            return False
        pause_s = self._left_out.hung(channel, now_ms, thread.is_alive)
        log.warning(
            "%s hangs: left out for %g min at least, the others are read on; check its cable and "
            "plug",
            channel,
            pause_s / 60,
        )
        return True

    def _has_hung(self, source: Source, old: _Generation, now_ms: int) -> None:
        """Reports that a source hangs, and leaves it alone for a while."""
        hangs = self._hangs[source.name]
        hangs.again(old.thread, now_ms)
        do = "Check its cable and plug; other sensors are read on."
        if hangs.left_behind() >= MOST_LEFT_BEHIND:
            do = (
                "It hangs every time and is left alone now. Check its cable and plug, then restart "
                "stillwell; other sensors are read on."
            )
        what = f"{source.who} has not answered for {source.deadline_s:g} s and hangs."
        hangs.words = Words(what, do)
        log.warning("The thread of the bus %s is left behind: %s hangs.", self.name, source.name)
        self._deliver(SourceState(source.name, up=False, what=what, do=do))

    def _revive(self) -> None:
        now_ms = self._mono_ms()
        if self._revive_ms is None:
            self._deaths += 1
            self._revive_ms = now_ms + round(pause_s(self._deaths) * 1000)
            busy = self._current.busy
            within = f" in the driver of {busy[0].name}" if busy else ""
            what = f"The thread that reads the bus {self.name} has died{within}."
            log.error("%s", what)
            for source in self.sources:
                self._deliver(SourceState(source.name, up=False, what=what, do=REPORT))
        elif now_ms >= self._revive_ms:
            self._revive_ms = None
            self._turn_over()
            self._begin()

    def _turn_over(self) -> None:
        """Begins a new generation: what the old thread still delivers is discarded."""
        old = self._current
        with self._lock:
            old.over.set()
            self._current = _Generation(old.number + 1)

    def _begin(self) -> None:
        generation = self._current
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
        now_ms = self._mono_ms()
        slots = [Slot(source, now_ms, self._hangs[source.name]) for source in self.sources]
        try:
            while not generation.over.is_set():
                slot = min(slots, key=lambda s: s.next_look_ms)
                wait_s = (slot.next_look_ms - self._mono_ms()) / 1000
                if wait_s > 0 and self._clock.wait(generation.over, min(wait_s, _IDLE_S)):
                    break
                if self._mono_ms() >= slot.next_look_ms:
                    self._serve(generation, slot)
        finally:
            for slot in slots:
                slot.close()

    def _serve(self, generation: _Generation, slot: Slot) -> None:
        source = slot.source
        generation.busy = (source, self._mono_ms())
        samples = self._attempt(generation, slot)
        now_ms = self._mono_ms()
        generation.busy = generation.read = None
        slot.next_look_ms = slot.looks.after(now_ms)
        if generation.over.is_set():
            return
        slot.fold.add(samples)
        # A reading is delivered with the last look of its interval, not with the first of the next
        # one.
        if now_ms >= slot.next_reading_ms:
            slot.next_reading_ms = slot.readings.after(now_ms)
            folded = slot.fold.take()
            if folded:
                self._hand_over(generation, Batch(source.name, now_ms, tuple(folded)))

    def _attempt(self, generation: _Generation, slot: Slot) -> list[Sample]:
        source = slot.source
        if slot.must_wait(self._mono_ms()):
            return slot.filled(Read(source.channels))
        generation.read = read = Read(source.channels)
        try:
            self._read(generation, slot, read)
        except BaseException as error:
            # Whatever a driver raises, SystemExit included, its neighbours on the bus are still
            # read.
            if generation.over.is_set():
                return []
            self._went_down(generation, slot, words_of(source.who, error), error)
            return slot.filled(read)
        if generation.over.is_set():
            return []
        if read.remark != slot.remark:
            slot.remark = read.remark
            if read.remark:
                log.warning("%s %s.", source.who, read.remark)
        if read.wrong:
            slot.erred(self._mono_ms())
            self._told(generation, slot, Words(f"{source.who} {read.wrong}.", REPORT))
        elif (not slot.opened or slot.words is not None) and slot.has_mended(self._mono_ms()):
            slot.recovered()
            self._hand_over(generation, SourceState(source.name, up=True))
        slot.opened, slot.failures = True, 0
        return slot.filled(read) if read.wrong else read.samples

    def _read(self, generation: _Generation, slot: Slot, read: Read) -> None:
        """Makes all the calls to a driver that one read needs. Raises whatever the driver
        raises."""
        source = slot.source
        if slot.driver is None:
            slot.driver = source.make()
            if isinstance(slot.driver, TellsTime):
                slot.driver.use_clock(self._clock)
            if isinstance(slot.driver, ReadsInTurn):
                slot.driver.watch_turns(lambda channel: self._has_begun(generation, channel))
        driver = slot.driver
        if not slot.opened:
            self._ask_for(generation, driver, self._left_out.sound(source.channels))
            driver.open()
        began_ms = self._clock.wall_ms()
        self._read_rounds(generation, source, driver, read)
        if isinstance(driver, KeepsJournal):
            self._write_down(generation, slot, driver, began_ms)

    def _read_rounds(
        self, generation: _Generation, source: Source, driver: Driver, read: Read
    ) -> None:
        """Reads the sound channels together. Then each channel that has hung before and may be
        tried again is read by itself, with its own deadline; channels that are left out get a
        sample that says so."""
        rounds = self._left_out.rounds(source.channels, self._mono_ms())
        if source.channels and not rounds:
            raise DriverError(
                f"All that {source.name} reads hangs.",
                "Check cables and plugs; they are tried again by themselves.",
            )
        for number, names in enumerate(rounds or [[]]):
            if generation.over.is_set():
                return
            if number:
                generation.busy = (source, self._mono_ms())
            self._ask_for(generation, driver, names)
            read.take(driver.read(), generation.over)
            if generation is self._current:
                self._left_out.answered(names, self._mono_ms())
        generation.turns = []
        tried = {name for names in rounds for name in names}
        read.samples += [
            Sample(name, None, Failure.SILENT, "hung; left out until it is tried again")
            for name in source.channels
            if name not in tried
        ]

    @staticmethod
    def _ask_for(generation: _Generation, driver: Driver, channels: Sequence[str]) -> None:
        generation.asked, generation.turns = channels, []
        if isinstance(driver, ReadsInTurn):
            driver.read_only(channels)

    def _has_begun(self, generation: _Generation, channel: object) -> None:
        """Notes the channel that the driver says it reads from now on."""
        known = channel if type(channel) is str and channel in generation.asked else ""
        if not generation.over.is_set() and len(generation.turns) < _MOST_TURNS:
            generation.turns.append((known, self._mono_ms()))

    def _write_down(
        self, generation: _Generation, slot: Slot, driver: KeepsJournal, began_ms: int
    ) -> None:
        after_ms = began_ms if slot.noted_ms is None else slot.noted_ms
        lines = [checked_note(n) for n in islice(driver.journal_since(after_ms), MOST_NOTES)]
        notes = tuple(note for note in lines if note is not None)
        if len(notes) < len(lines) and generation.read is not None:
            generation.read.wrong = "keeps a journal with a line that is none"
        slot.noted_ms = max((note.utc_ms for note in notes), default=after_ms)
        if notes:
            self._hand_over(generation, JournalBatch(slot.source.name, notes))

    def _went_down(
        self, generation: _Generation, slot: Slot, words: Words, error: BaseException
    ) -> None:
        slot.failed(self._mono_ms())
        if words not in slot.told and not isinstance(error, DriverError | ReadError):
            lines = traceback.format_tb(error.__traceback__, -5)
            log.error("source %s: the driver failed\n%s", slot.source.name, "".join(lines).rstrip())
        slot.close()
        self._told(generation, slot, words)

    def _told(self, generation: _Generation, slot: Slot, words: Words) -> None:
        if words not in slot.told and len(slot.told) < _MOST_REASONS:
            if slot.words is not None:
                # The alarm stands already, so another reason goes only to the log.
                log.warning("source %s: %s", slot.source.name, words.what)
            slot.told.add(words)
        slot.words = words
        self._hand_over(
            generation, SourceState(slot.source.name, up=False, what=words.what, do=words.do)
        )

    def _hand_over(self, generation: _Generation, item: Batch | SourceState | JournalBatch) -> None:
        with self._lock:
            if generation is not self._current:
                return
        self._deliver(item)
