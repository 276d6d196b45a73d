"""The noise of one channel, from second differences, in which slow changes cancel."""

from __future__ import annotations

import math
from dataclasses import dataclass

FAST = 1 / 120
"""Weight of one reading in the recent noise: an hour of readings every 30 s; our own choice."""
SLOW = 1 / 6000
"""Weight of one reading in the usual noise: two days of readings; our own choice."""
START2 = 0.04**2
"""The variance before anything is seen; our own choice, of the usual size (`LEAST2` and a
little)."""
LEAST2 = 0.018**2
"""The least variance, that of rounding to 1/16 K: 0.0625 / sqrt(12) (Maxim data sheet of the
DS18B20 for the step)."""


@dataclass(slots=True)
class Noise:
    """Variance of one reading, lately and usually, K^2."""

    lately2: float = START2
    usual2: float = START2
    count: float = 0.0
    _last: float = math.nan
    _before: float = math.nan
    _at_s: float = 0.0

    def add(self, t_s: float, value: float) -> None:
        """Takes one reading; starts the differences anew after a gap."""
        if t_s - self._at_s > 300.0:
            self._last = self._before = math.nan
        self._at_s = t_s
        second = value - 2 * self._last + self._before
        self._before, self._last = self._last, value
        if math.isnan(second):
            return
        # For independent noise the second difference has six times the variance.
        seen2 = second * second / 6
        self.count += 1
        new = 1 / (self.count + 10)
        self.lately2 += max(FAST, new) * (min(seen2, 40 * self.usual2) - self.lately2)
        # The usual noise learns only from values not far above it.
        self.usual2 += max(SLOW, new) * (min(seen2, 12 * self.usual2) - self.usual2)

    @property
    def usual(self) -> float:
        """The standard deviation of one reading, K."""
        return math.sqrt(max(LEAST2, self.usual2))

    @property
    def lately(self) -> float:
        return math.sqrt(max(LEAST2, self.lately2))
