"""One clock for an estimator: never stepped, and it goes on across restarts.

The monotonic clock begins anew with each boot, and the wall clock is set and stepped. An estimator
needs neither: it needs durations that are true. So its own line of time follows the monotonic clock
within a boot, takes the wall clock's word for how long the machine was off, and never goes back.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.reading import Moment

_YOUNG_BOOT_MS = 6 * 3_600_000
"""A Pi boots with an old time and is set within minutes or hours: a step forward so early tells how
long it was off. Later ones are somebody's hand on the clock."""
_STEP_MS = 2_000


@dataclass(slots=True)
class Timeline:
    """Integer ms; equal to UTC as long as nobody steps the clock."""

    offset_ms: int | None = None
    """Line less monotonic."""
    mono_ms: int = 0
    """The newest monotonic time."""
    skew_ms: int = 0
    """UTC less line."""

    def at(self, moment: Moment) -> int:
        """Where a moment lies on the line. Moments come in order, but for small disorder."""
        wall_ms = moment.utc_ms - moment.mono_ms
        if self.offset_ms is None:
            self.offset_ms = wall_ms
        elif moment.mono_ms < self.mono_ms - 60_000:
            # another boot: it began after the last one ended
            newest = self.mono_ms + self.offset_ms
            self.offset_ms = max(wall_ms, newest - moment.mono_ms)
        elif (
            moment.mono_ms < _YOUNG_BOOT_MS and wall_ms - (self.offset_ms + self.skew_ms) > _STEP_MS
        ):
            self.offset_ms = max(self.offset_ms, wall_ms)
        self.mono_ms = moment.mono_ms
        line = moment.mono_ms + self.offset_ms
        self.skew_ms = moment.utc_ms - line
        return line

    def of_utc(self, utc_ms: int) -> int:
        """Where a wall-clock time lies on the line, as the wall clock is now."""
        return utc_ms - self.skew_ms

    def to_utc(self, line_ms: int) -> int:
        """The inverse of `of_utc`."""
        return line_ms + self.skew_ms

    def moment(self, line_ms: int, now: Moment) -> Moment:
        """The moment of an earlier time on the line, as the clocks are `now`; `now` itself for a
        later one."""
        ago_ms = max(0, self.at(now) - line_ms)
        return Moment(now.mono_ms - ago_ms, now.utc_ms - ago_ms, now.epoch)
