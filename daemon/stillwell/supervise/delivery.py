"""A sink's thread as the supervisor sees it."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from functools import partial

from stillwell.deliver.checked import Abilities, MistakeError, abilities_of
from stillwell.deliver.outbox import OutboxThread
from stillwell.foreign import FailedError, Hand, HangsError, Patience, plain
from stillwell.ports import Row, Sink, Stream
from stillwell.store import Store

log = logging.getLogger(__name__)

SINKS_MADE_WITHIN_S = 10.0
"""All sinks together have so long to be made before the watch begins without those that hang."""


class CantBeMadeError(Exception):
    """A sink's own mistake, in words: it is away, and the watch begins all the same."""


def patience() -> Patience:
    """Returns what all sinks of one start share."""
    return Patience(SINKS_MADE_WITHIN_S)


def made_within(
    waits: Patience, name: str, make: Callable[[], Sink], hand: Hand
) -> tuple[Sink, Abilities]:
    """Returns the sink that `make` makes, and what it can do, asked on the thread `hand`. Raises
    `CantBeMadeError`."""
    try:
        with waits.share() as seconds:
            sink = hand.do(make, seconds)
        with waits.share() as seconds:
            return sink, hand.do(partial(abilities_of, sink), seconds)
    except Exception as error:
        reason = f"The sink {name} can't be made: {_kind(error)}."
        log.error("%s", reason)
        raise CantBeMadeError(reason) from None


def _kind(error: Exception) -> str:
    """What a sink did wrong when it was made, without an exception's own words: they may hold a
    password."""
    if isinstance(error, HangsError | MistakeError):
        return f"it {error}"
    return error.kind if isinstance(error, FailedError) else plain(type(error).__name__, 60)


def newest_of(store: Store) -> dict[Stream, int]:
    """Returns the number of the newest row of each stream: asked before a run begins, so that what
    it begins with is news to a new sink too."""
    return {stream: store.tail.newest(stream, committed_only=False) for stream in Stream}


def first_cursors(
    store: Store, name: str, able: Abilities, newest: Mapping[Stream, int]
) -> dict[Stream, int]:
    """How far the sink has been given each stream. A sink that is new starts at `newest` for
    notices and transitions (nobody wants the alarms of last year on a new phone) and for what it
    shows only the latest of; a server that keeps history starts at the beginning of it. Where it
    starts is kept at once: a restart before its first row must not move it past what came
    meanwhile."""
    cursors: dict[Stream, int] = {}
    for stream in able.streams:
        kept = store.sinks.cursor(name, stream)
        if kept is None:
            from_now = stream in (Stream.NOTICES, Stream.TRANSITIONS) or stream in able.collapse
            kept = newest[stream] if from_now else 0
            store.sinks.move_cursor(name, stream, kept)
        cursors[stream] = kept
    return cursors


class SinkDelivery:
    """A sink on its thread, or one that can't be had at all: then it is away, and says why."""

    def __init__(self, thread: OutboxThread | None, name: str = "", reason: str = "") -> None:
        self._thread = thread
        self._reason = reason
        self._started = False
        self.name = thread.outbox.name if thread is not None else name

    @classmethod
    def broken(cls, name: str, reason: str) -> SinkDelivery:
        """A sink whose class could not be loaded."""
        return cls(None, name, reason)

    @property
    def away(self) -> tuple[bool, str]:
        """Whether the far side can't be reached, and why in words."""
        if self._thread is None:
            return True, self._reason
        if self._started and not self._thread.is_alive():
            return True, f"The thread of the sink {self.name} has died: restart stillwell."
        health = self._thread.outbox.health
        return health.away, health.verdict

    @property
    def sent(self) -> Mapping[Stream, int]:
        """How far each stream has been sent."""
        return {} if self._thread is None else self._thread.outbox.health.cursors

    def send_again(self, letter: int, row: Row) -> None:
        """Gives the sink a dead letter once more; one that can't be had leaves it where it is."""
        if self._thread is not None:
            self._thread.outbox.send_again(letter, row)

    def start(self) -> None:
        if self._thread is not None:
            self._started = True
            self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Ends the thread; from now on nobody says that it has died. See `OutboxThread.stop`."""
        self._started = False
        return self._thread is None or self._thread.stop(timeout_s)
