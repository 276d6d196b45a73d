"""When to read next: a cadence on the monotonic clock that neither drifts nor catches up."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Ticker:
    """A cadence of one tick every `period_ms`, counted from `start_ms` (monotonic milliseconds)."""

    period_ms: int
    start_ms: int

    def __post_init__(self) -> None:
        if self.period_ms <= 0:
            raise ValueError("a ticker needs a period above zero")

    def after(self, now_ms: int) -> int:
        """The first tick strictly after `now_ms`. Ticks that were missed while something hung are
        not made up for: a burst of stale readings would tell nobody anything."""
        if now_ms < self.start_ms:
            return self.start_ms
        return self.start_ms + ((now_ms - self.start_ms) // self.period_ms + 1) * self.period_ms
