"""Whether the return pump has stopped, by the chamber alone: what runs back lifts the water at
once, by the same height each time, and when the pump runs again it takes as much away.

A rise is weighed under two hypotheses: the pump has stopped, or somebody has poured. A pour ends
near the fill mark; a stop lifts the water by the drain-back height, which each feeding pause
teaches. A rise that goes back at once was a stop, and one that only brings back what was taken out
a moment before was neither. Rates and spreads that name no source are our own choice, checked on
simulated tanks."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from statistics import median

TOLD_MS = 14 * 60_000
"""How long the water must be up before it is told: a feeding pause is mostly shorter…"""
_UNKNOWN_MS, _KNOWN = 25 * 60_000, 3
_LONGEST_MS = 40 * 60_000
_PAUSE_MIN, _PAUSE_SD, _PAUSE_WEIGHT = 12.0, 0.4, 2.0
_RARELY = 2.9
"""… and where the pauses of this tank are longer, so long that one in five hundred lasts, at most
`_LONGEST_MS`; and `_UNKNOWN_MS` before that many were seen. The logarithm of a pause is normal;
what is known before any, 5 to 20 min (common practice), weighs as much as two of them."""
_LEAST_MM, _SIGMAS = 4.0, 4.0
_NEAR_MS = 45 * 60_000
"""A pour that is noted within this time of the rise explains it."""
_STOPS_A_DAY, _POURS_A_DAY = 0.1, 0.5
"""Stops that last for longer than a feeding pause; pours that nobody has noted by then."""
_DOSES_A_DAY, _DOSE_MM = 10.0, 4.0
"""Doses of an automatic top-up, and by how much one lifts the water (a mean)."""
_BACK_MM, _BACK_SD_MM = 20.0, 12.0
"""The drain-back height before any pause was seen (common practice: a finger or two)."""
_ALIKE, _ALIKE_MM = 0.06, 0.7
_MARK_SD_MM, _ELSEWHERE, _SPAN_MM = 3.0, 0.1, 60.0
"""Where a pour ends: about the mark, or seldom anywhere in the chamber."""
_USUAL_MS = 3 * 3_600_000
_DIP_MM, _DIP = 6.0, 0.4
"""Water that was lower than in the hours before by so much, or this share of the rise, had been
taken out."""
_BEFORE_MS = 40 * 60_000
_KEPT = 40
_GONE_MS = 30 * 60_000
"""A gauge that is silent for so long says nothing of a stop."""


@dataclass(slots=True)
class Rest:
    """What is known of the pump's rests; times are ms on the line, heights mm."""

    recent: list[tuple[int, float]] = field(default_factory=list)
    """The gauge's latest readings."""
    usual_mm: float | None = None
    """Where the water stood in the last hours."""
    base_mm: float = 0.0
    """Where the water stood before it rose."""
    since_ms: int | None = None
    """Since when it is up."""
    rise_mm: float = 0.0
    stands: bool = False
    """Whether the pump has stopped, and for longer than it usually pauses."""
    backs: list[float] = field(default_factory=list)
    """By how much the water was up in the latest pauses."""
    pauses: list[int] = field(default_factory=list)
    """How long they lasted."""
    poured_ms: list[int] = field(default_factory=list)
    """When water was poured or changed, by the journal."""
    ended: tuple[int, int] | None = None
    """The stop that has just ended, until it is taken."""

    @property
    def back_mm(self) -> tuple[float, float]:
        """Returns the drain-back height and its spread."""
        if not self.backs:
            return _BACK_MM, _BACK_SD_MM
        middle = median(self.backs)
        return middle, max(_ALIKE_MM, _ALIKE * middle) * (1.0 if len(self.backs) > 2 else 2.0)

    @property
    def told_after_ms(self) -> float:
        """Returns how long the water must be up before a stop is told."""
        if len(self.pauses) < _KNOWN:
            return _UNKNOWN_MS
        logs, prior = [math.log(pause) for pause in self.pauses], math.log(_PAUSE_MIN * 60_000)
        weight = _PAUSE_WEIGHT + len(logs)
        mean = (_PAUSE_WEIGHT * prior + sum(logs)) / weight
        squares = _PAUSE_WEIGHT * (_PAUSE_SD**2 + (prior - mean) ** 2)
        squares += sum((log - mean) ** 2 for log in logs)
        spread = math.sqrt(squares / weight * (1.0 + 1.0 / weight))
        return min(_LONGEST_MS, max(TOLD_MS, math.exp(mean + _RARELY * spread)))

    def see(self, t_ms: int, mm: float, noise_mm: float, *, by_hand: bool) -> bool:
        """Takes the gauge's reading; returns whether `stands` has changed.

        Args:
            noise_mm: the spread of one reading.
            by_hand: whether water is poured into the chamber by hand.
        """
        if self.recent and t_ms - self.recent[-1][0] > _GONE_MS and not self.stands:
            self.recent, self.since_ms = [], None
        self.recent.append((t_ms, mm))
        self.recent = [each for each in self.recent if each[0] > t_ms - _BEFORE_MS][-60:]
        newest = median([value for _, value in self.recent[-3:]])
        least = max(_LEAST_MM, _SIGMAS * noise_mm)
        if self.since_ms is None:
            passed = t_ms - self.recent[-2][0] if len(self.recent) > 1 else 0
            usual = mm if self.usual_mm is None else self.usual_mm
            self.usual_mm = usual + min(1.0, passed / _USUAL_MS) * (mm - usual)
            before = [value for _, value in self.recent[:-3]]
            if len(before) < 3:
                return False
            base = median(before[-12:])
            if newest - base > least:
                first = next(t for t, v in self.recent[-3:] if v - base > 0.5 * least)
                self.base_mm, self.since_ms, self.rise_mm = base, first, newest - base
            return False
        # the water goes on evaporating while it is up: what runs back leaves at once
        up = [value for t, value in self.recent[:-3] if t >= self.since_ms]
        top = median(up) if up else self.base_mm + self.rise_mm
        if newest < top - 0.5 * self.rise_mm:
            half = top - 0.5 * self.rise_mm
            return self._back(next(t for t, v in self.recent[-3:] if v < half))
        if up and not self.stands:
            self.rise_mm = max(least, top - self.base_mm)
        falls = mm < top - 0.5 * self.rise_mm  # one reading is not yet the end of a pause
        if self.stands or falls or t_ms - self.since_ms < self.told_after_ms:
            return False
        if self._odds(by_hand=by_hand) > 0.0:
            self.stands = True
            return True
        # it was poured: the water stands where it is now
        self.since_ms = None
        self.recent = [each for each in self.recent if each[0] >= t_ms - TOLD_MS // 2]
        return False

    def _back(self, t_ms: int) -> bool:
        assert self.since_ms is not None
        stood, self.stands = self.stands, False
        lasted = t_ms - self.since_ms
        if not self._noted(self.since_ms):
            self.backs = [*self.backs, self.rise_mm][-_KEPT:]
            if lasted <= _LONGEST_MS:
                self.pauses = [*self.pauses, lasted][-_KEPT:]
        if stood:
            self.ended = self.since_ms, t_ms
        self.since_ms, self.recent = None, self.recent[-3:]
        return stood

    def _odds(self, *, by_hand: bool) -> float:
        """Returns ln of the odds that the pump has stopped and nobody has poured."""
        assert self.since_ms is not None
        back, spread = self.back_mm
        stop = math.log(_STOPS_A_DAY) + _log_normal(self.rise_mm - back, spread)
        if by_hand:
            near = math.exp(_log_normal(self.base_mm + self.rise_mm, _MARK_SD_MM))
            pour = math.log(_POURS_A_DAY * ((1.0 - _ELSEWHERE) * near + _ELSEWHERE / _SPAN_MM))
        else:
            pour = math.log(_DOSES_A_DAY / _DOSE_MM) - self.rise_mm / _DOSE_MM
        usual = self.base_mm if self.usual_mm is None else self.usual_mm
        refilled = self.base_mm < usual - max(_DIP_MM, _DIP * self.rise_mm)
        return stop - pour - (6.0 if refilled or self._noted(self.since_ms) else 0.0)

    def _noted(self, at_ms: int) -> bool:
        return any(abs(poured - at_ms) <= _NEAR_MS for poured in self.poured_ms)

    def poured(self, at_ms: int) -> None:
        """Takes from the journal that water was poured or changed."""
        self.poured_ms = [*self.poured_ms, at_ms][-_KEPT:]


def _log_normal(off: float, sd: float) -> float:
    return -0.5 * (off / sd) ** 2 - math.log(sd * math.sqrt(2.0 * math.pi))
