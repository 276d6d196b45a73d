"""New tanks, simulated: the same chemistry in its textbook form (biomass and yield, solved by
scipy), colours read off a chart. Shares no code with the estimator.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp

Array = npt.NDArray[np.float64]
DAY = 86_400_000
AMMONIA_CHART = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
NITRITE_CHART = (0.0, 0.08, 0.15, 0.3, 0.75, 1.5, 3.0)
BELOW = (0.125, 0.04)
"""What the charts can't show, mg N/L: half of the first colour."""
YIELD_A, YIELD_N = 0.15, 0.05
"""Grams of biomass for a gram of N (Wiesmann 1994, 20 °C: 0.147 and 0.042, from memory). They
cancel."""
DECAY = 0.05
FAR_D = 400.0
FAR_STEP = 0.05


@dataclass(frozen=True)
class Tank:
    """In order: total N, release, rate_a, growth_a, half_a, rate_n, growth_n, half_n."""

    p: tuple[float, ...]
    inhibited_at: float = math.inf
    """mg N/L of ammonia that halves the growth of the nitrite oxidisers (Anthonisen 1976 found
    free ammonia to inhibit them); the estimator knows nothing of it."""


@dataclass(frozen=True)
class Course:
    """Returns the exact course, and when it ends."""

    ammonia: Array
    nitrite: Array
    end_d: float

    def at(self, day: float) -> tuple[float, float]:
        i = day / FAR_STEP
        lo = int(i)
        w = i - lo
        a = self.ammonia[lo] * (1 - w) + self.ammonia[lo + 1] * w
        n = self.nitrite[lo] * (1 - w) + self.nitrite[lo + 1] * w
        return max(0.0, float(a)), max(0.0, float(n))


def course(tank: Tank, until_d: float = FAR_D) -> Course:
    total, release, rate_a, growth_a, half_a, rate_n, growth_n, half_n = tank.p
    # The most that x g of biomass oxidises is growth/yield times x.
    x_a, x_n = rate_a * YIELD_A / growth_a, rate_n * YIELD_N / growth_n

    def law(_: float, y: Array) -> list[float]:
        organic, ammonia, nitrite, a, n = y
        eats_a = growth_a / YIELD_A * a * max(ammonia, 0.0) / (half_a + max(ammonia, 0.0))
        slowed = 1.0 / (1.0 + max(ammonia, 0.0) / tank.inhibited_at)
        eats_n = slowed * growth_n / YIELD_N * n * max(nitrite, 0.0) / (half_n + max(nitrite, 0.0))
        return [
            -release * organic,
            release * organic - eats_a,
            eats_a - eats_n,
            YIELD_A * eats_a - DECAY * a,
            YIELD_N * eats_n - DECAY * n,
        ]

    grid = np.arange(0.0, until_d, FAR_STEP)
    solved = solve_ivp(
        law, (0.0, until_d), [total, 0.0, 0.0, x_a, x_n], "LSODA", grid, rtol=1e-7, atol=1e-9
    )
    ammonia, nitrite = solved.y[1], solved.y[2]
    above = np.flatnonzero((ammonia >= BELOW[0]) | (nitrite >= BELOW[1]))
    return Course(ammonia, nitrite, float(grid[above[-1]]) if len(above) else 0.0)


def chances(true: float, chart: tuple[float, ...], sd: float = 0.25) -> list[float]:
    """Returns how likely each colour is read: the eye is off by a factor, and takes the nearest."""
    edges = [chart[1] / 2] + [math.sqrt(a * b) for a, b in pairwise(chart[1:])]
    seen = math.log(true + 1e-3)
    below = [0.5 * math.erfc((seen - math.log(e)) / (sd * math.sqrt(2))) for e in edges]
    return [b - a for a, b in zip([0.0, *below], [*below, 1.0], strict=True)]


def colour(true: float, chart: tuple[float, ...], rng: random.Random) -> float:
    return rng.choices(chart, chances(true, chart))[0]


def days_of_tests(rng: random.Random, until_d: float) -> list[float]:
    """Every other day about noon, some forgotten."""
    days, day = [], 1.5
    while day < until_d:
        if rng.random() > 0.15:
            days.append(day + rng.uniform(-0.2, 0.2))
        day += 2.0
    return days


def drawn(priors: tuple[tuple[float, float], ...], rng: random.Random) -> tuple[float, ...]:
    return tuple(median * math.exp(rng.gauss(0.0, sd)) for median, sd in priors)
