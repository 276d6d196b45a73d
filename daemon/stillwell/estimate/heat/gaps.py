"""Minutes without a reading: where the water can have got to meanwhile, and whether what the probe
reads then lies elsewhere.

Nobody exchanges a probe between two readings: it is gone for some minutes, and the new one reads a
little otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field

LEAST_S = 180.0
"""A shorter gap is none."""
TIMES = 2.5
"""Nor one that is not so many times as long as readings are apart."""
LONGEST_S = 1800.0
"""After a longer one the water may be anywhere."""
SEEN_S = 300.0
"""For so long readings are collected after it."""
MARGIN_K = 0.03
UNSURE = 0.25
"""Share of the way through the gap by which the water may have gone otherwise."""


@dataclass(slots=True)
class Gap:
    """One gap, and the readings since its end. Times in s, temperatures in °C, slopes in K/s."""

    at_s: float
    """Of the last reading before it."""
    value: float
    """The water then."""
    slope: float
    """As it went then."""
    on: bool
    """Whether the heater was on then."""
    ended_s: float
    _after: list[tuple[float, float]] = field(default_factory=list)

    def add(self, t_s: float, value: float) -> bool:
        """Takes a reading since its end; returns whether they are enough."""
        self._after.append((t_s, value))
        return t_s - self.ended_s >= SEEN_S

    def jump(self, trough: float, peak: float, gain: float) -> float:
        """Returns by how much the readings since lie beyond where a working thermostat may have
        brought the water, K; 0 where they do not.

        Args:
            gain: what the heater does, K/s.
        """
        times = [t for t, _ in self._after]
        mean = sum(value for _, value in self._after) / len(self._after)
        lasted = sum(times) / len(times) - self.at_s
        point, back = (peak, self.slope - gain) if self.on else (trough, self.slope + gain)
        straight = self.value + self.slope * lasted
        unsure = MARGIN_K + UNSURE * abs(straight - self.value)
        low = high = straight
        way = 1.0 if self.on else -1.0
        if (straight - point) * way > -unsure:
            # It may have switched on the way, or not quite yet.
            left = max(0.0, lasted - max(0.0, (point - self.value) / self.slope))
            turned = point + back * left
            low, high = sorted((point, min(peak, max(trough, turned))))
        low, high = low - unsure, high + unsure
        return mean - low if mean < low else max(0.0, mean - high)
