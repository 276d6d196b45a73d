"""When a recipient is left alone, and which notices reach them all the same. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

from stillwell.alarm.annunciate.state import URGENCY
from stillwell.notice import Notice, Priority


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From one local time of day to another, over midnight when `to` is the earlier one; never
    quiet when both are the same."""

    from_: time
    to: time
    zone: ZoneInfo
    lets_through: Priority = Priority.HIGH
    """This priority and higher ones are told at any time."""

    def at(self, utc_ms: int) -> bool:
        """Whether it is quiet at `utc_ms`. Follows the local clock on the wall: on the night when
        summer time ends the hours last an hour longer."""
        local = datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(self.zone).time()
        if self.from_ <= self.to:
            return self.from_ <= local < self.to
        return local >= self.from_ or local < self.to

    def holds(self, notice: Notice, utc_ms: int) -> bool:
        """Whether `notice` waits until the quiet hours are over.

        A drill never does: somebody asked for it just now.
        """
        urgent = URGENCY[notice.priority] >= URGENCY[self.lets_through]
        return not urgent and notice.kind != "drill" and self.at(utc_ms)
