"""The thread of an outbox."""

from __future__ import annotations

import logging
import threading
import time

from stillwell.deliver.outbox.back_off import SHORTEST_PAUSE_S
from stillwell.deliver.outbox.rounds import IDLE_S, Outbox

log = logging.getLogger(__name__)


class OutboxThread:
    """Runs an outbox on a thread of its own until it is stopped."""

    def __init__(self, outbox: Outbox) -> None:
        self.outbox = outbox
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"sink-{outbox.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Ends the thread and closes the sink; returns whether it ended within `timeout_s`."""
        self._stop.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def is_alive(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                pause = self._step()
                if pause > IDLE_S:
                    # In slices, so that the progress counter moves while the far side is away.
                    self._stop.wait(min(pause, SHORTEST_PAUSE_S))
                elif pause > 0:
                    self.outbox.idle(pause)
        finally:
            self.outbox.close()

    def _step(self) -> float:
        """Does one round. A fault of the outbox itself costs that round and not the recipient."""
        try:
            return self.outbox.step(time.monotonic())
        except Exception:
            log.exception("the outbox of %s failed", self.outbox.name)
            return SHORTEST_PAUSE_S
