"""A mean and a spread that forget slowly: what is known of one number that comes once a cycle."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

OUTLYING = 4.0
"""A value this many standard deviations off is counted as if it were only so far off (Huber,
Ann. Math. Stat. 35 (1964) 73)."""


@dataclass(slots=True)
class Running:
    """Mean and variance with exponential forgetting in time.

    `weight` is the number of values that the mean is worth; it never exceeds `most`.
    """

    half_life_s: float
    floor: float
    """The smallest spread that is believed, in the unit of the values."""
    most: float = 200.0
    mean: float = 0.0
    variance: float = 0.0
    weight: float = 0.0
    at_s: float = 0.0

    def add(self, value: float, at_s: float) -> None:
        """Takes one value at `at_s` seconds."""
        if self.weight == 0.0:
            self.mean, self.variance, self.weight, self.at_s = value, 0.0, 1.0, at_s
            return
        faded = 0.5 ** (max(0.0, at_s - self.at_s) / self.half_life_s)
        old = min(self.weight * faded, self.most)
        if old >= 3.0:
            limit = OUTLYING * self.spread
            value = min(max(value, self.mean - limit), self.mean + limit)
        step = value - self.mean
        total = old + 1.0
        self.mean += step / total
        self.variance = old / total * (self.variance + step * step / total)
        self.weight, self.at_s = total, at_s

    @property
    def spread(self) -> float:
        """Standard deviation of one value about the mean, never below `floor`; few values make it
        wider (Student)."""
        if self.weight < 2.0:
            return 4.0 * self.floor
        freedom = self.weight - 1.0
        unbiased = self.variance * self.weight / freedom
        return max(self.floor, math.sqrt(unbiased) * (1.0 + 1.5 / freedom))

    @property
    def error(self) -> float:
        """Standard error of the mean. Cycles that follow each other resemble each other, so that n
        of them are counted as n/2 (an assumption, checked by the coverage bench)."""
        return self.spread / math.sqrt(max(1.0, self.weight / 2.0))

    def to_json(self) -> list[float]:
        return [self.mean, self.variance, self.weight, self.at_s]

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError for
        anything else."""
        mean, variance, weight, at_s = (float(number) for number in kept)
        if not all(map(math.isfinite, (mean, variance, weight, at_s))) or min(variance, weight) < 0:
            raise ValueError("a kept mean is no mean")
        self.mean, self.variance, self.weight, self.at_s = mean, variance, weight, at_s
