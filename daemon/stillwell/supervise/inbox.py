"""What comes to the pipeline's thread from all others: a bounded queue of what happens, and a short
queue of requests, which is served after it."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

from stillwell.acquire.source import Batch, JournalBatch, SourceState
from stillwell.deliver.allowance import Allowance
from stillwell.deliver.checked import checked_request
from stillwell.foreign import Aside
from stillwell.notice import Notice
from stillwell.ports import Refusal, Stream
from stillwell.request import Command, Reply, Request

log = logging.getLogger(__name__)

CAPACITY = 10_000
"""Items that may wait: far more than ever do. With eight sources at 1 Hz it is twenty minutes of a
stuck pipeline, and the watchdog acts long before that."""

ROUND = 1000
ASKED_AT_ONCE = 8
"""Requests that are taken before the readings and the clock are looked at again. Each costs some
milliseconds on a Pi."""
MOST_ASKED = 100
"""Requests that may wait."""
ASKED_IN_A_ROW, ASKED_PER_S = 60, 1.0
"""How many requests people may make through sinks in a row, and per second; notes are counted apart
from everything else. Enough for a week's notes that were written without a network, and not for a
flood. Choices of ours."""


@dataclass(frozen=True, slots=True)
class CursorMoved:
    sink: str
    stream: Stream
    seq: int
    refused: tuple[Refusal, ...] = ()


@dataclass(frozen=True, slots=True)
class LetterSettled:
    """The outcome of sending a dead letter once more."""

    letter: int
    reason: str | None
    """Why it was refused again; None when it was taken."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A request that came through a sink; `answer` is called with the reply from the pipeline's
    thread."""

    request: Request
    answer: Callable[[Reply], None]


@dataclass(frozen=True, slots=True)
class Questions:
    """Requests of one round, which are kept together."""

    asked: tuple[Asked, ...]


@dataclass(frozen=True, slots=True)
class Announced:
    """A notice from the calendar, and the job to tick off once it is kept."""

    notice: Notice
    job: str
    local_date: str


@dataclass(frozen=True, slots=True)
class Wake:
    """An item that only wakes the pipeline's thread: the daemon is to end."""


Item = (
    Batch | SourceState | JournalBatch | CursorMoved | LetterSettled | Questions | Announced | Wake
)


class InboxFullError(Exception):
    """The pipeline does not keep up, so the item was not taken."""


class Inbox:
    """The queue to the pipeline's thread. Thread-safe. Putting never blocks, because a bus thread
    must not wait for a disk."""

    def __init__(self, capacity: int = CAPACITY) -> None:
        self._capacity = capacity
        self._changed = threading.Condition()
        self._items: deque[Item] = deque()
        self._asked: deque[Asked] = deque()
        self._notes = Allowance(ASKED_IN_A_ROW, ASKED_PER_S)
        self._others = Allowance(ASKED_IN_A_ROW, ASKED_PER_S)
        self.dropped = 0

    def put(self, item: Item) -> None:
        """Takes an item, or counts it as dropped when the inbox is full (only readings come often
        enough to fill it, and then the pipeline is stuck)."""
        if not self._add(item):
            self.dropped += 1
            if self.dropped & (self.dropped - 1) == 0:
                log.error("the pipeline does not keep up: %d items dropped", self.dropped)

    def move(self, sink: str, stream: Stream, seq: int, refused: Sequence[Refusal]) -> None:
        """Like `put` for a sink's cursor, but raises `InboxFullError`: the sink offers it again."""
        if not self._add(CursorMoved(sink, stream, seq, tuple(refused))):
            raise InboxFullError

    def settle_letter(self, letter: int, reason: str | None) -> None:
        """Like `move` for a dead letter."""
        if not self._add(LetterSettled(letter, reason)):
            raise InboxFullError

    def ask(self, sink: str, request: Request, answer: Callable[[Reply], None]) -> None:
        """Takes a request that somebody makes through `sink`; answers at once with a refusal when
        there are too many."""
        with self._changed:
            budget = self._notes if request.command is Command.NOTE else self._others
            why = ""
            if len(self._asked) >= MOST_ASKED:
                why = "The daemon is too busy to take this now; try again in a minute."
            elif not budget.take(time.monotonic()):
                why = "Too many at once: this one was not taken. Send it again in a minute."
            else:
                self._asked.append(Asked(replace(request, way=sink), answer))
                self._changed.notify()
        if why:
            answer(Reply(False, why))

    def ask_aside(
        self, aside: Aside, sink: str, request: Request, answer: Callable[[Reply], None]
    ) -> None:
        """Like `ask`, for what a sink's own code hands over; raises `MistakeError` if that is no
        request. The answer is delivered by `aside`, so that no sink can delay the pipeline."""

        def answered(reply: Reply) -> None:
            if not aside.call(partial(answer, reply)):
                log.warning("A sink takes no more answers; one is dropped.")

        self.ask(sink, checked_request(request), answered)

    def take(self, wait_s: float) -> list[Item]:
        """Returns the waiting items, in order, followed by a few of the requests; waits up to
        `wait_s` real seconds for the first."""
        with self._changed:
            if not self._items and not self._asked:
                self._changed.wait(wait_s)
            items = [self._items.popleft() for _ in range(min(ROUND, len(self._items)))]
            few = min(ASKED_AT_ONCE, len(self._asked))
            if few:
                items.append(Questions(tuple(self._asked.popleft() for _ in range(few))))
        return items

    def oldest_ms(self) -> int | None:
        """When the oldest waiting readings were taken, monotonic ms; None when none wait."""
        with self._changed:
            return next((item.mono_ms for item in self._items if isinstance(item, Batch)), None)

    def _add(self, item: Item) -> bool:
        with self._changed:
            if len(self._items) >= self._capacity:
                return False
            self._items.append(item)
            self._changed.notify()
        return True
