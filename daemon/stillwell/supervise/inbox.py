"""What comes to the pipeline's thread from all others: one bounded queue."""

from __future__ import annotations

import logging
import queue
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from stillwell.acquire.bus import Batch, SourceState, Written
from stillwell.notice import Notice
from stillwell.ports import Refusal, Reply, Request, Stream

log = logging.getLogger(__name__)

CAPACITY = 10_000
"""Far more than is ever waiting: at 1 Hz on eight sources it is twenty minutes of a stuck
pipeline, and the watchdog acts long before that."""


@dataclass(frozen=True, slots=True)
class CursorMoved:
    sink: str
    stream: Stream
    seq: int
    refused: tuple[Refusal, ...] = ()


@dataclass(frozen=True, slots=True)
class LetterSettled:
    """What became of a dead letter that was sent once more."""

    letter: int
    reason: str | None
    """Why it was refused again; None: it was taken."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A request that came through a sink; `answer` is called with the reply from the pipeline's
    thread."""

    request: Request
    answer: Callable[[Reply], None]


@dataclass(frozen=True, slots=True)
class Announced:
    """A notice from the calendar, and the box to tick once it is kept."""

    notice: Notice
    job: str
    local_date: str


@dataclass(frozen=True, slots=True)
class Wake:
    """Nothing has come, but there is something to look at: the daemon is to end."""


Item = Batch | SourceState | Written | CursorMoved | LetterSettled | Asked | Announced | Wake


class InboxFullError(Exception):
    """The pipeline does not keep up; the item was not taken."""


class Inbox:
    """Thread-safe. Putting never blocks: a bus thread must not wait for a disk."""

    def __init__(self, capacity: int = CAPACITY) -> None:
        self._queue: queue.Queue[Item] = queue.Queue(capacity)
        self.dropped = 0

    def put(self, item: Item) -> None:
        """Takes an item, or counts it as dropped when full (only readings come often enough for
        that, and then nobody is reading them any more)."""
        try:
            self._queue.put_nowait(item)
        except queue.Full:
            self.dropped += 1
            if self.dropped & (self.dropped - 1) == 0:
                log.error("the pipeline does not keep up: %d items dropped", self.dropped)

    def move(self, sink: str, stream: Stream, seq: int, refused: Sequence[Refusal]) -> None:
        """Like `put` for a sink's cursor, but raises `InboxFullError`: the sink offers it again."""
        try:
            self._queue.put_nowait(CursorMoved(sink, stream, seq, tuple(refused)))
        except queue.Full as error:
            raise InboxFullError from error

    def settle_letter(self, letter: int, reason: str | None) -> None:
        """Like `move` for a dead letter."""
        try:
            self._queue.put_nowait(LetterSettled(letter, reason))
        except queue.Full as error:
            raise InboxFullError from error

    def ask(self, request: Request, answer: Callable[[Reply], None]) -> None:
        """For sinks through which people ask; answers at once with a refusal when full."""
        try:
            self._queue.put_nowait(Asked(request, answer))
        except queue.Full:
            answer(Reply(False, "The daemon is too busy to take this now; try again in a minute."))

    def take(self, wait_s: float) -> list[Item]:
        """Everything that waits, in order; waits up to `wait_s` real seconds for the first item."""
        try:
            items = [self._queue.get(timeout=wait_s)]
        except queue.Empty:
            return []
        try:
            while len(items) < 1000:
                items.append(self._queue.get_nowait())
        except queue.Empty:
            pass
        return items
