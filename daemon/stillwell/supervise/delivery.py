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
"""How long all sinks together may take to be made, in seconds; watching then begins without those
that hang."""


class CantBeMadeError(Exception):
    """A sink could not be made by a mistake of its own, which is given in words: it is away, and
    watching begins all the same."""


def patience() -> Patience:
    """Returns the waiting time that all sinks of one start share."""
    return Patience(SINKS_MADE_WITHIN_S)


def made_within(
    waits: Patience, name: str, make: Callable[[], Sink], hand: Hand
) -> tuple[Sink, Abilities]:
    """Returns the sink that `make` makes, and what it can do; both are asked on the thread `hand`.
    Raises `CantBeMadeError`."""
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
    """Returns what a sink did wrong when it was made, without the exception's own words, which may
    hold a password."""
    if isinstance(error, HangsError | MistakeError):
        return f"it {error}"
    return error.kind if isinstance(error, FailedError) else plain(type(error).__name__, 60)


def newest_of(store: Store) -> dict[Stream, int]:
    """Returns the number of the newest row of each stream. Asked before a run begins, so that what
    is kept at its beginning is new to a new sink too."""
    return {stream: store.tail.newest(stream, committed_only=False) for stream in Stream}


def first_cursors(
    store: Store, name: str, able: Abilities, newest: Mapping[Stream, int]
) -> dict[Stream, int]:
    """Returns the number up to which the sink has been given each stream. A new sink starts at
    `newest` for notices and transitions (nobody wants last year's alarms on a new phone) and for
    streams of which it shows only the latest; a server that keeps history starts at the beginning.
    The start is kept at once, so that a restart before the sink's first row does not skip what came
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
    """A sink on its thread, or one that could not be made: that one is away, and says why."""

    def __init__(self, thread: OutboxThread | None, name: str = "", reason: str = "") -> None:
        self._thread = thread
        self._reason = reason
        self._started = False
        self.name = thread.outbox.name if thread is not None else name

    @classmethod
    def broken(cls, name: str, reason: str) -> SinkDelivery:
        """Returns a sink whose class could not be loaded."""
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
        """The number up to which each stream has been sent."""
        return {} if self._thread is None else self._thread.outbox.health.cursors

    def send_again(self, letter: int, row: Row) -> None:
        """Gives the sink a dead letter once more; a sink that could not be made leaves it where it
        is."""
        if self._thread is not None:
            self._thread.outbox.send_again(letter, row)

    def start(self) -> None:
        if self._thread is not None:
            self._started = True
            self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Ends the thread, which is then no longer reported as having died. See
        `OutboxThread.stop`."""
        self._started = False
        return self._thread is None or self._thread.stop(timeout_s)
