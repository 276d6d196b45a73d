"""Suppressed alarms whose cause is over: they have a while to clear, and ring if they do not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from stillwell.alarm.kept import on_this_clock
from stillwell.notice import Transition
from stillwell.reading import Moment

_LOOK_AGAIN_MS = 600_000
"""The interval between checks whether what has lost its cause still returns to normal. A choice
of ours."""

_LONGEST_MS = 6 * 3_600_000
"""An alarm that has not cleared this long after its cause rings in any case. A choice of ours."""


@dataclass(frozen=True, slots=True)
class Settling:
    """A suppressed alarm none of whose causes stands. Monotonic times."""

    due_ms: int
    """When it rings, unless what it is about is returning to normal."""
    until_ms: int
    """When it rings in any case."""

    def looked_at(self, now_ms: int) -> Settling:
        """Returns it with the next check later, because what it is about is returning to normal."""
        return replace(self, due_ms=min(now_ms + _LOOK_AGAIN_MS, self.until_ms))

    def moved(self, by_ms: int) -> Settling:
        return Settling(self.due_ms + by_ms, self.until_ms + by_ms)


def settling(from_ms: int, patience_ms: int) -> Settling:
    """Returns the settling of an alarm whose cause was over at the monotonic time `from_ms`."""
    return Settling(from_ms + patience_ms, from_ms + _LONGEST_MS)


def over_since_ms(causes: Iterable[Transition], now: Moment) -> int:
    """Returns the monotonic time since which nothing has happened to any of `causes`, their
    latest transitions; none of them stands."""
    return max((on_this_clock(cause.moment, now).mono_ms for cause in causes), default=now.mono_ms)


def newest(latest: Iterable[Transition]) -> list[int]:
    """Returns the place in the log of the newest of these transitions. State that was kept with
    another place than the end of the log is out of date."""
    return max(([t.moment.epoch, t.moment.mono_ms] for t in latest), default=[])
