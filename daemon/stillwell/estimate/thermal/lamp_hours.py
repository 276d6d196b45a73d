"""The hours in which the lamp should burn, and what the pieces of a day's trace say of it.

Two stories are held against each other: the lamp does as always, its hours perhaps moved by up to
`MOVED_H` (the timer's clock, summer time, a keeper who did not tell the settings); or it has stayed
dark, or burns on, through the whole of the window. The likelier shift counts for the first story,
so that an hour moved is never a fault, and only what no such shift explains is evidence.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from stillwell.estimate.thermal.lamp_heat import LampHeat, Piece

MOVED_H = 2.5
_STEP_H = 0.5
SURE = 8.0
"""Log likelihood ratio at which the lamp is believed not to do as it should: odds of 3000 to 1."""
WELL = -4.0
"""And at which it is believed to do as it should again."""
MOST = 4.0
"""What an hour or more may say at most, a shorter piece by its share of one: no single window left
open decides, nor one short rise whose tips are not quite straight."""
STRANGE = 3.5
"""A piece further than so many standard deviations from both stories belongs to neither."""
_HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class Window:
    """One stretch in which the lamp should be on throughout, or off throughout; UTC ms."""

    lit: bool
    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True)
class LampHours:
    """Local hours of a lamp that burns once a day; they may go past midnight."""

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

    def share(self, piece: Piece, shift_h: float = 0.0) -> float:
        """For which share of a piece the lamp should burn, its hours moved by `shift_h`."""
        return self.burns(piece.start_ms, piece.end_ms, round(shift_h * _HOUR_MS))

    def burns(self, start_ms: int, end_ms: int, by_ms: int = 0) -> float:
        """The same of the time between two instants, less than a day apart, with the hours moved by
        `by_ms`."""
        lit = sum(
            max(0, min(end_ms, w.end_ms + by_ms) - max(start_ms, w.start_ms + by_ms))
            for w in self.lit((start_ms + end_ms) // 2)
        )
        return min(1.0, lit / max(1, end_ms - start_ms))

    def _at(self, day: date, at: time) -> int:
        return round(datetime.combine(day, at, self.zone).timestamp() * 1000)


def against(heat: LampHeat, hours: LampHours, pieces: Iterable[Piece], lit_instead: bool) -> float:
    """Returns the log likelihood ratio that through all of `pieces` the lamp burnt (`lit_instead`)
    or stayed dark, against its hours, moved as suits them best. Positive speaks for a fault."""
    steps = round(2 * MOVED_H / _STEP_H) + 1
    shifts = [-MOVED_H + _STEP_H * k for k in range(steps)]
    totals = [0.0] * steps
    for piece in pieces:
        wrong = _density(heat, piece, 1.0 if lit_instead else 0.0)
        right = [_density(heat, piece, hours.share(piece, shift)) for shift in shifts]
        if min(wrong[1], *(z for _, z in right)) > STRANGE:
            continue
        most = MOST * min(1.0, (piece.end_ms - piece.start_ms) / _HOUR_MS)
        for k, (density, _) in enumerate(right):
            totals[k] += max(-most, min(most, wrong[0] - density))
    return min(totals)


def _density(heat: LampHeat, piece: Piece, lit: float) -> tuple[float, float]:
    """Log density of a piece's loss, and by how many standard deviations it is off."""
    loss, variance = heat.predict(piece, lit)
    z = abs(piece.loss - loss) / math.sqrt(variance)
    return -0.5 * (z * z + math.log(variance)), z
