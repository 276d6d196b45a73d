"""The daemon in this process, on a clock that runs fast and that a test can set: for what can't be
done to a process from outside."""

from __future__ import annotations

import threading
import time

from stillwell.acquire.clock import FastClock
from stillwell.notice import Transition
from stillwell.settings import Settings
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store

SPEED = 300.0
"""How fast the clock runs. A channel is silent after three minutes without a reading: 0.6 s here,
which a busy machine can keep."""


class SteppedClock(FastClock):
    """A fast clock whose wall time somebody sets."""

    def __init__(self, start_utc_ms: int, trusted: bool = True) -> None:
        super().__init__(start_utc_ms, SPEED)
        self.offset_ms = 0
        self.is_trusted = trusted

    def wall_ms(self) -> int:
        return super().wall_ms() + self.offset_ms

    def trusted(self) -> bool:
        return self.is_trusted


class Live:
    """The daemon in this process, so that its clock can be set from outside."""

    def __init__(
        self, settings: Settings, clock: SteppedClock, calendar_every_s: float = 0.1
    ) -> None:
        self.clock = clock
        self.path = settings.store_path
        self.told: list[Transition] = []
        store = open_store(settings)
        self._stop = threading.Event()
        self.daemon = assemble.daemon(
            settings,
            store,
            clock,
            "boot-1",
            told=self.told.append,
            calendar_every_s=calendar_every_s,
        )
        self._thread = threading.Thread(target=self.daemon.run, daemon=True)
        self._thread.start()

    def pass_h(self, hours: float) -> None:
        """Lets this many hours of the daemon's time pass."""
        until = self.clock.monotonic_ns() + hours * 3600e9
        while self.clock.monotonic_ns() < until:
            assert self._thread.is_alive(), "the daemon has ended"
            time.sleep(0.02)

    def stop(self) -> None:
        self.daemon.stop()
        self._thread.join(20)
        assert not self._thread.is_alive()
