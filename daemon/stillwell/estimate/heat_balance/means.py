"""Short means of a probe's readings: what the model of the heat is fed with."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from stillwell.estimate.noise import Noise

LENGTH_S = 120.0
"""s: short beside the half cycle of the smallest tank, a quarter of an hour."""
ROUNDED_K = 0.01
"""K: what is left in a mean of the steps of a probe whose noise is as large as a step."""
LEAST_STEP_K = 0.005
"""K: steps below this are of no probe's; those that are seen are its resolution."""


class Mean(NamedTuple):
    """When, s; the value, °C; its standard error, K."""

    at_s: float
    value: float
    error: float


@dataclass(slots=True)
class Means:
    """Of one probe. A reading that comes less often than every two minutes is its own mean."""

    noise: Noise = field(default_factory=Noise)
    _times: float = 0.0
    _values: float = 0.0
    _count: int = 0
    _first_s: float = 0.0
    _last_s: float = -1e9
    _last: float | None = None
    step: float = 1.0
    """The least change that was seen, K: the probe's resolution."""

    def add(self, at_s: float, value: float) -> Mean | None:
        """Takes a reading. Returns the mean that it completes."""
        self.noise.add(at_s, value)
        if self._last is not None and abs(value - self._last) > LEAST_STEP_K:
            self.step = min(self.step, abs(value - self._last))
        self._last = value
        every_s = at_s - self._last_s
        self._last_s = at_s
        if self._count == 0 or every_s > LENGTH_S:
            self._times = self._values = 0.0
            self._count, self._first_s = 0, at_s
        self._times += at_s
        self._values += value
        self._count += 1
        if at_s - self._first_s + min(every_s, LENGTH_S) < LENGTH_S:
            return None
        n, self._count = self._count, 0
        noise = self.noise.usual
        # Without noise neighbours are rounded alike, and their mean as a single one.
        rounded = self.step / 12**0.5 if noise < self.step / 2 and self.step < 1.0 else ROUNDED_K
        variance = noise**2 / n + rounded**2
        return Mean(self._times / n, self._values / n, variance**0.5)
