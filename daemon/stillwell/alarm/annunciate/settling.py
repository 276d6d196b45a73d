"""What was hidden under a cause that is over: it has a while to follow, and speaks if it does
not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from stillwell.alarm.kept import on_this_clock
from stillwell.notice import Transition
from stillwell.reading import Moment

_LOOK_AGAIN_MS = 600_000
"""So often it is looked whether what has lost its cause still comes back. A choice of ours."""

_LONGEST_MS = 6 * 3_600_000
"""What has not followed its cause by then speaks, whichever way it goes. A choice of ours."""


@dataclass(frozen=True, slots=True)
class Settling:
    """A suppressed alarm without a standing cause. Monotonic times."""

    due_ms: int
    """When it speaks, unless what it is about comes back."""
    until_ms: int
    """When it speaks in any case."""

    def looked_at(self, now_ms: int) -> Settling:
        """What it is about comes back: to be looked at again later."""
        return replace(self, due_ms=min(now_ms + _LOOK_AGAIN_MS, self.until_ms))

    def moved(self, by_ms: int) -> Settling:
        return Settling(self.due_ms + by_ms, self.until_ms + by_ms)


def settling(from_ms: int, patience_ms: int) -> Settling:
    """Returns what begins when a cause is over, at the monotonic time `from_ms`."""
    return Settling(from_ms + patience_ms, from_ms + _LONGEST_MS)


def over_since_ms(causes: Iterable[Transition], now: Moment) -> int:
    """Returns since when, on the clock of this run, nothing has happened to any of `causes`, their
    latest transitions; none of which stands."""
    return max((on_this_clock(cause.moment, now).mono_ms for cause in causes), default=now.mono_ms)


def newest(latest: Iterable[Transition]) -> list[int]:
    """Returns the place in the log of the newest of these transitions: what was kept under another
    one than the log ends with is not what was so at the end."""
    return max(([t.moment.epoch, t.moment.mono_ms] for t in latest), default=[])
