"""A sink's thread as the supervisor sees it."""

from __future__ import annotations

from collections.abc import Mapping

from stillwell.deliver.outbox import OutboxThread
from stillwell.ports import Row, Stream


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
