"""The hours in which the lamp should be on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class Window:
    """One stretch in which the lamp should be on throughout, or off throughout; UTC ms."""

    lit: bool
    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True)
class LampHours:
    """Local hours of a lamp that is on once a day; they may go past midnight."""

    on: time
    off: time
    zone: ZoneInfo

    def lit(self, around_ms: int) -> list[Window]:
        """The three windows of light about an instant, in order."""
        day = datetime.fromtimestamp(around_ms / 1000, UTC).astimezone(self.zone).date()
        out = []
        for offset in (-1, 0, 1):
            first = day + timedelta(days=offset)
            last = first if self.off > self.on else first + timedelta(days=1)
            out.append(Window(True, self._at(first, self.on), self._at(last, self.off)))
        return out

    def window(self, at_ms: int) -> Window:
        """The window of light or of darkness in which an instant lies."""
        windows = self.lit(at_ms)
        for window in windows:
            if window.start_ms <= at_ms < window.end_ms:
                return window
        before = max((w.end_ms for w in windows if w.end_ms <= at_ms), default=at_ms)
        after = min((w.start_ms for w in windows if w.start_ms > at_ms), default=at_ms)
        return Window(False, before, after)

    def share(self, start_ms: int, end_ms: int, by_ms: int = 0) -> float:
        """Returns for which share of the time between two instants, less than a day apart, the lamp
        should be on, with its hours moved by `by_ms`."""
        lit = sum(
            max(0, min(end_ms, w.end_ms + by_ms) - max(start_ms, w.start_ms + by_ms))
            for w in self.lit((start_ms + end_ms) // 2)
        )
        return min(1.0, lit / max(1, end_ms - start_ms))

    def _at(self, day: date, at: time) -> int:
        return round(datetime.combine(day, at, self.zone).timestamp() * 1000)
