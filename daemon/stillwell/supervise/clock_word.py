"""Whether the calendar may use the wall clock.

A Pi without a battery clock and without a network never learns the time: its clock continues from
where the last run left it, behind by at most the hours for which the machine was off. A review on
such a clock is worth more than none. A review of 1970 would be worth nothing. The times are our own
choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from stillwell.reading import Reading
from stillwell.store import Tail

WAIT_MS = 10 * 60_000
"""How long the network is given to set the clock, in ms; time-series sinks wait as long. A choice
of ours."""
SETTLES_MS = 10_000
"""How long the store takes, in ms, to correct the earlier times of the boot after the clock was
set."""


def not_before_ms(tail: Tail) -> int:
    """Returns the UTC ms before which any clock is wrong: when this file was installed, or when the
    last run kept its last reading. The last reading is taken by the store's order, not by time: a
    reading from a clock that once stood far in the future says nothing about now."""
    installed_ms = round(Path(__file__).stat().st_mtime * 1000)
    newest = max(tail.latest_readings(), key=lambda row: row.seq, default=None)
    if newest is None or not isinstance(newest.body, Reading):
        return installed_ms
    return max(installed_ms, newest.body.moment.utc_ms)


@dataclass(slots=True)
class ClockWord:
    """Decides whether the wall clock counts; asked again and again. A clock that was trusted once
    stays trusted, as in `acquire.epoch`: a time server that is away for a day makes the kernel
    doubt a clock that is still right."""

    began_ms: int
    """Monotonic ms at the start of the run."""
    not_before_utc_ms: int
    """The wall clock is certainly wrong before this: see `not_before_ms`."""
    _asked: bool = False
    _trusted_ms: int | None = None

    def counts(self, mono_ms: int, wall_ms: int, trusted: bool) -> bool:
        """Returns whether local dates and times of day may be taken from `wall_ms` now.

        Args:
            mono_ms: monotonic time.
            wall_ms: the wall clock's time, UTC.
            trusted: whether the machine knows that its clock is set.
        """
        if trusted and self._trusted_ms is None:
            # The clock was trusted from the start, so no times have to be corrected.
            self._trusted_ms = mono_ms if self._asked else mono_ms - SETTLES_MS
        self._asked = True
        if self._trusted_ms is not None:
            return mono_ms - self._trusted_ms >= SETTLES_MS
        return mono_ms - self.began_ms >= WAIT_MS and wall_ms >= self.not_before_utc_ms
