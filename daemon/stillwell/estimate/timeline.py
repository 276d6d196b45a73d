"""One clock for an estimator, which is never stepped and continues across restarts.

The monotonic clock starts anew with each boot, and the wall clock is set and stepped. An estimator
only needs durations that are true. So its own line of time follows the monotonic clock within a
boot, takes from the wall clock how long the machine was off, and never goes back.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.reading import Moment

_YOUNG_BOOT_MS = 6 * 3_600_000
"""A Pi boots with an old time and is set within minutes or hours: a step forward this early
shows how long it was off. Later steps are made by a person."""
_STEP_MS = 2_000


@dataclass(slots=True)
class Timeline:
    """Times on the line are integer ms; they equal UTC as long as nobody steps the clock."""

    offset_ms: int | None = None
    """The line's time less the monotonic time."""
    mono_ms: int = 0
    """The newest monotonic time."""
    skew_ms: int = 0
    """UTC less the line's time."""

    def at(self, moment: Moment) -> int:
        """Returns the time of a moment on the line, ms. Moments come in order, apart from small
        disorder."""
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
        """Returns the time on the line for a wall-clock time, by the present setting of the wall
        clock."""
        return utc_ms - self.skew_ms

    def to_utc(self, line_ms: int) -> int:
        """The inverse of `of_utc`."""
        return line_ms + self.skew_ms

    def of_this_boot(self, moment: Moment) -> int:
        """Returns the time on the line of a moment of the boot that runs, also of an earlier one,
        which `at` would take for another boot's."""
        return moment.mono_ms + (self.offset_ms or 0)

    def moment(self, line_ms: int, now: Moment) -> Moment:
        """Returns the moment of an earlier time on the line by the clocks of `now`, and `now`
        itself for a later one."""
        ago_ms = max(0, self.at(now) - line_ms)
        return Moment(now.mono_ms - ago_ms, now.utc_ms - ago_ms, now.epoch)
