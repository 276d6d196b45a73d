"""Which workers make progress and which don't: the evidence behind ``WATCHDOG=1``. Pure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class _Seen:
    progress: int
    at_ms: int
    limit_ms: int


class Vigil:
    """Follows the progress counters of the workers.

    A worker that is alive but stuck keeps its process alive too, so what counts is its progress,
    not that its thread exists.
    """

    def __init__(self) -> None:
        self._workers: dict[str, _Seen] = {}

    def expect(self, worker: str, limit_s: float, now_ms: int) -> None:
        """Expects `worker` to make progress at least every `limit_s` from now on."""
        self._workers[worker] = _Seen(-1, now_ms, round(limit_s * 1000))

    def report(self, worker: str, progress: int, now_ms: int) -> None:
        seen = self._workers.get(worker)
        if seen is not None and progress != seen.progress:
            seen.progress = progress
            seen.at_ms = now_ms

    def stuck(self, now_ms: int) -> list[str]:
        """The workers that have exceeded their limit, each with how long: ``store 65 s``."""
        return [
            f"{name} {(now_ms - seen.at_ms) // 1000} s"
            for name, seen in self._workers.items()
            if now_ms - seen.at_ms > seen.limit_ms
        ]
