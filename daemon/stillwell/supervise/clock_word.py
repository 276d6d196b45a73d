"""Whether the calendar may go by the wall clock.

A Pi without a battery clock and without a network is never told the time: its clock goes on from
where the last run left it, hours behind at most if the machine was off. A review on such a clock is
worth more than none. What would be worth nothing is a review of 1970. The times are our own choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from stillwell.reading import Reading
from stillwell.store import Tail

WAIT_MS = 10 * 60_000
"""How long the network is given to set the clock; time-series sinks wait as long. A choice of
ours."""
SETTLES_MS = 10_000
"""After the clock was set the store puts the earlier times of the boot right, within so long."""


def not_before_ms(tail: Tail) -> int:
    """Returns UTC ms before which no clock is right: when this file was installed, or the last run
    kept its last reading. By the store's order, not by the time: a reading of a clock that once
    stood in the far future says nothing about now."""
    installed_ms = round(Path(__file__).stat().st_mtime * 1000)
    newest = max(tail.latest_readings(), key=lambda row: row.seq, default=None)
    if newest is None or not isinstance(newest.body, Reading):
        return installed_ms
    return max(installed_ms, newest.body.moment.utc_ms)


@dataclass(slots=True)
class ClockWord:
    """Asked again and again; trust once won is kept, as by `acquire.epoch`: a time server that is
    away for a day makes the kernel doubt a clock that still goes right."""

    began_ms: int
    """Monotonic ms at the start of the run."""
    not_before_utc_ms: int
    """The wall clock is wrong for certain before this: see `not_before_ms`."""
    _asked: bool = False
    _trusted_ms: int | None = None

    def counts(self, mono_ms: int, wall_ms: int, trusted: bool) -> bool:
        """Whether local dates and times of day may be taken from `wall_ms` now.

        Args:
            mono_ms: monotonic time.
            wall_ms: what the wall clock says, UTC.
            trusted: whether the machine knows its clock to be set.
        """
        if trusted and self._trusted_ms is None:
            # Trusted from the start: nothing is going to be put right.
            self._trusted_ms = mono_ms if self._asked else mono_ms - SETTLES_MS
        self._asked = True
        if self._trusted_ms is not None:
            return mono_ms - self._trusted_ms >= SETTLES_MS
        return mono_ms - self.began_ms >= WAIT_MS and wall_ms >= self.not_before_utc_ms
