"""A level that comes once a cycle and may creep: local linear trend (Harvey 1989, Forecasting,
structural time series models and the Kalman filter, 2.3).

A switching point stands still for years, but the probe that sees it may drift: followed with its
rate, a drift neither ends in a false alarm nor goes unseen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

DAY_S = 86_400.0
LEVEL_WALK = 0.005
"""How far the level wanders in a day, K: dial, thermostat's temperature, air pressure."""
RATE_WALK = 0.003
"""How far the rate wanders in a day, K/day."""
RATE_PRIOR = 0.008
"""K/day, before anything is seen: a probe that drifts more is at fault."""
ASTRAY = 4.0
"""Innovations that go on to one side, faded over four of them and in standard deviations of their
sum, that say that the rate is another."""
RATE_ASTRAY = 0.10
"""K/day by which it may then be another."""
CLIP = 3.5
LEAST = 0.004
"""The smallest scatter of the turning points themselves that is believed, K."""
FIRST = 0.010
"""Their scatter before any is seen."""


@dataclass(slots=True)
class Creep:
    """Level and rate with their covariance, in K and days."""

    level: float = 0.0
    rate: float = 0.0
    p00: float = 0.0
    p01: float = 0.0
    p11: float = 0.0
    scatter2: float = FIRST**2
    """Variance of the turning points about the level, beside the errors of measuring them."""
    count: float = 0.0
    at_s: float = 0.0
    aside: float = 0.0
    """Sum of the normalised innovations, each fading over four."""

    def add(self, value: float, at_s: float, error: float) -> None:
        """Takes one turning point, °C, with its standard error, at `at_s` seconds."""
        noise2 = error * error
        if self.count == 0:
            self.level, self.rate, self.at_s, self.count = value, 0.0, at_s, 1.0
            self.p00, self.p01, self.p11 = self.scatter2 + noise2, 0.0, RATE_PRIOR**2
            return
        self._pass(at_s)
        total = self.p00 + self.scatter2 + noise2
        off = value - self.level
        limit = CLIP * math.sqrt(total)
        held = max(-limit, min(limit, off))
        # Matching the innovations' variance keeps the scatter honest; slowly, lest it follow one.
        grow = 1.0 / (min(self.count, 20.0) + 3.0)
        self.scatter2 += grow * (held * held - total)
        self.scatter2 = max(LEAST * LEAST, self.scatter2)
        self.aside = 0.75 * self.aside + held / math.sqrt(total)
        if abs(self.aside) > ASTRAY:
            self.p11 += RATE_ASTRAY**2
            self.p00 += FIRST**2
            self.aside = 0.0
        total = self.p00 + self.scatter2 + noise2
        k0, k1 = self.p00 / total, self.p01 / total
        self.level += k0 * held
        self.rate += k1 * held
        self.p00, self.p01, self.p11 = (
            (1 - k0) * self.p00,
            (1 - k0) * self.p01,
            self.p11 - k1 * self.p01,
        )
        self.count += 1.0

    def _pass(self, at_s: float) -> None:
        d = max(0.0, at_s - self.at_s) / DAY_S
        if d > 0:
            self.level += self.rate * d
            self.p00 += d * (2 * self.p01 + d * self.p11) + LEVEL_WALK**2 * d
            self.p01 += d * self.p11
            self.p11 += RATE_WALK**2 * d
            self.at_s = at_s

    def ahead(self, at_s: float) -> tuple[float, float]:
        """Where the next turning point is expected at `at_s`, and its standard deviation, K."""
        d = max(0.0, at_s - self.at_s) / DAY_S
        spread2 = self.p00 + d * (2 * self.p01 + d * self.p11) + LEVEL_WALK**2 * d
        # The scatter is known from few; the errors of measuring are known beforehand.
        few = 1.0 + 1.5 / max(1.0, self.count - 1.0)
        return self.level + self.rate * min(d, 3.0), math.sqrt(spread2 + self.scatter2 * few * few)

    @property
    def error(self) -> float:
        """Standard error of the level, K."""
        return math.sqrt(self.p00) * (1.0 + 1.5 / max(1.0, self.count - 1.0))

    def shift(self, by_k: float, error_k: float) -> None:
        """The level has moved at once, by about so much."""
        self.level += by_k
        self.p00 += error_k * error_k
        self.rate, self.p01, self.p11 = 0.0, 0.0, (RATE_PRIOR / 2) ** 2

    def to_json(self) -> list[float]:
        return [
            self.level,
            self.rate,
            self.p00,
            self.p01,
            self.p11,
            self.scatter2,
            self.count,
            self.at_s,
        ]

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError or TypeError
        for anything else."""
        numbers = [float(number) for number in kept]
        if len(numbers) != 8 or not all(map(math.isfinite, numbers)) or numbers[6] < 0:
            raise ValueError("a kept switching point is none")
        self.level, self.rate, self.p00, self.p01, self.p11 = numbers[:5]
        self.scatter2, self.count, self.at_s = numbers[5], numbers[6], numbers[7]
