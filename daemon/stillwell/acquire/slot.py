"""A source on the thread of its bus: its cadence, its failures so far, how often it has hung."""

from __future__ import annotations

import threading
from contextlib import suppress
from dataclasses import dataclass, field

from stillwell.acquire.backoff import pause_s
from stillwell.acquire.checked import LONGEST_RAW
from stillwell.acquire.fold import Fold
from stillwell.acquire.one_read import Read, Words
from stillwell.acquire.source import Source
from stillwell.acquire.ticker import Ticker
from stillwell.foreign import MOST_LEFT_BEHIND, pause_after_hang_s
from stillwell.ports import Driver
from stillwell.reading import Failure, Sample

_MISTAKE_STANDS_MS = 600_000
_MISTAKE_STANDS_READS = 10
"""A source that made a mistake is up again after this many reads, and as long a time, without one:
so a source that errs now and then raises one alarm."""
_FORGETS_MS = 3_600_000
"""A source that has gone well for this long counts its hangs from zero again."""


@dataclass(slots=True)
class Hangs:
    """How often a source has hung, and which of its threads still hang."""

    count: int = 0
    until_ms: int = 0
    """The source is left alone until then, monotonic ms."""
    words: Words | None = None
    threads: list[threading.Thread] = field(default_factory=list)

    def again(self, thread: threading.Thread | None, now_ms: int) -> None:
        """Notes that the source has hung once more, on this thread, and leaves it alone for a
        while."""
        self.count = self.count + 1 if now_ms - self.until_ms < _FORGETS_MS else 1
        self.until_ms = now_ms + round(pause_after_hang_s(self.count) * 1000)
        alive = [each for each in self.threads if each.is_alive()]
        self.threads = [*alive, *([] if thread is None else [thread])]

    def left_behind(self) -> int:
        """How many of its threads hang now."""
        return sum(thread.is_alive() for thread in self.threads)


class Slot:
    """A source on its thread: the driver object, its cadence, its failures so far."""

    def __init__(self, source: Source, now_ms: int, hangs: Hangs) -> None:
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
        self.hangs = hangs
        self.retry_ms = max(now_ms, hangs.until_ms)
        self.words = hangs.words
        """What is wrong with it; None when nothing is."""
        self.told: set[Words] = set()
        """What has been logged since it was last well: each reason is logged once."""
        self.remark = ""
        self.erred_ms: int | None = None
        self.clean_reads = 0
        self.noted_ms: int | None = None

    def erred(self, now_ms: int) -> None:
        """Notes that a read made a mistake."""
        self.erred_ms, self.clean_reads = now_ms, 0

    def has_mended(self, now_ms: int) -> bool:
        """Whether a source whose last read went well counts as up again."""
        self.clean_reads += 1
        return self.erred_ms is None or (
            self.clean_reads > _MISTAKE_STANDS_READS
            and now_ms - self.erred_ms >= _MISTAKE_STANDS_MS
        )

    def recovered(self) -> None:
        """Notes that nothing is wrong with it any more."""
        self.words = self.erred_ms = None
        self.told.clear()

    def failed(self, now_ms: int) -> None:
        """Notes that a read failed: the source is tried again after a pause."""
        self.failures += 1
        self.retry_ms = now_ms + round(pause_s(self.failures) * 1000)

    def must_wait(self, now_ms: int) -> bool:
        """Whether it is too early to open it."""
        return not self.opened and (
            now_ms < self.retry_ms or self.hangs.left_behind() >= MOST_LEFT_BEHIND
        )

    def filled(self, read: Read) -> list[Sample]:
        """Returns what a read brought before it failed; while a source is down, each of its
        channels gets a missing reading at the source's cadence."""
        reason = self.words.what if self.words else "not opened yet"
        return read.filled(Failure.DRIVER, reason[:LONGEST_RAW])

    def close(self) -> None:
        """Closes the driver, whatever that raises."""
        self.opened = False
        if self.driver is not None:
            with suppress(BaseException):
                self.driver.close()
