"""What comes to the pipeline's thread from all others: a bounded queue of what happens, and a short
one of what people ask, which stands behind it."""

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
"""Far more than is ever waiting: at 1 Hz on eight sources it is twenty minutes of a stuck
pipeline, and the watchdog acts long before that."""

ROUND = 1000
ASKED_AT_ONCE = 8
"""Requests between two looks at readings and at the clock. Each costs some milliseconds on a Pi."""
MOST_ASKED = 100
"""Requests that may wait."""
ASKED_IN_A_ROW, ASKED_PER_S = 60, 1.0
"""What people may ask through sinks, notes counted apart from all else: the notes of a week that
were written without a network, or nobody's flood. Choices of ours."""


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
class Questions:
    """Requests of one round, to be kept together."""

    asked: tuple[Asked, ...]


@dataclass(frozen=True, slots=True)
class Announced:
    """A notice from the calendar, and the box to tick once it is kept."""

    notice: Notice
    job: str
    local_date: str


@dataclass(frozen=True, slots=True)
class Wake:
    """Nothing has come, but there is something to look at: the daemon is to end."""


Item = (
    Batch | SourceState | JournalBatch | CursorMoved | LetterSettled | Questions | Announced | Wake
)


class InboxFullError(Exception):
    """The pipeline does not keep up; the item was not taken."""


class Inbox:
    """Thread-safe. Putting never blocks: a bus thread must not wait for a disk."""

    def __init__(self, capacity: int = CAPACITY) -> None:
        self._capacity = capacity
        self._changed = threading.Condition()
        self._items: deque[Item] = deque()
        self._asked: deque[Asked] = deque()
        self._notes = Allowance(ASKED_IN_A_ROW, ASKED_PER_S)
        self._others = Allowance(ASKED_IN_A_ROW, ASKED_PER_S)
        self.dropped = 0

    def put(self, item: Item) -> None:
        """Takes an item, or counts it as dropped when full (only readings come often enough for
        that, and then nobody is reading them any more)."""
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
        """For what people ask through `sink`; answers at once with a refusal when it is too
        much."""
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
        """Like `ask` for what a sink's own code hands over; raises `MistakeError` for what is no
        request. The answer goes out aside: no sink may hold up the pipeline."""

        def answered(reply: Reply) -> None:
            if not aside.call(partial(answer, reply)):
                log.warning("A sink takes no more answers; one is dropped.")

        self.ask(sink, checked_request(request), answered)

    def take(self, wait_s: float) -> list[Item]:
        """What waits, in order, and behind it a few of the requests; waits up to `wait_s` real
        seconds for the first."""
        with self._changed:
            if not self._items and not self._asked:
                self._changed.wait(wait_s)
            items = [self._items.popleft() for _ in range(min(ROUND, len(self._items)))]
            few = min(ASKED_AT_ONCE, len(self._asked))
            if few:
                items.append(Questions(tuple(self._asked.popleft() for _ in range(few))))
        return items

    def oldest_ms(self) -> int | None:
        """When the oldest readings that wait were taken, monotonic ms; None when none wait."""
        with self._changed:
            return next((item.mono_ms for item in self._items if isinstance(item, Batch)), None)

    def _add(self, item: Item) -> bool:
        with self._changed:
            if len(self._items) >= self._capacity:
                return False
            self._items.append(item)
            self._changed.notify()
        return True
