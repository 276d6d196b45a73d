"""A small world for the level estimator: water, floats, a gauge and a keeper, second by second.

Shares no code with the estimator. Everything is drawn from one seeded generator, and the truth is
kept."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
HOUR = 3600
DAY = 24 * HOUR


@dataclass(frozen=True)
class FloatTruth:
    name: str
    stated_mm: float
    true_mm: float
    differential_mm: float = 1.0


@dataclass(frozen=True)
class GaugeTruth:
    noise_mm: float = 1.0
    every_s: int = 60
    offset_mm: float = 0.0
    drift_mm_per_sqrt_day: float = 0.0
    step_mm: float = 0.0
    outlier_share: float = 0.0
    outlier_mm: float = 30.0


@dataclass(frozen=True)
class PourTruth:
    second: int
    ml: float
    """The volume that really went in."""
    noted_ml: float | None
    """The volume that the keeper wrote down; None for a pour that nobody noted."""
    sd_ml: float
    noted_second: int


@dataclass
class Plan:
    """What to simulate. Second 0 is `starts_h` o'clock of day 0."""

    days: float
    starts_h: float = 12.0
    area_mm2: float = 16200.0
    rate_ml_h: float = 22.5
    wander: float = 0.12
    """Standard deviation of the rate about its mean, as a share (Ornstein–Uhlenbeck)."""
    wander_tau_h: float = 3.0
    ripple_mm: float = 0.8
    ripple_tau_s: float = 2.0
    ripple_steps: int = 4
    """Steps a second of the surface: a float follows it between the looks."""
    start_mm: float = 0.0
    floats: tuple[FloatTruth, ...] = ()
    gauge: GaugeTruth | None = None
    pour_hours: tuple[float, ...] = (18.5,)
    """The clock hours of the daily fill to the mark."""
    looks_missed: float = 0.0
    """The share of a float's looks that are missed."""
    missed_in_a_row: int = 1
    """How many looks are missed at a time, seconds."""
    fill_sd_mm: float = 1.0
    pour_rel_sd: float = 0.02
    noted_share: float = 1.0
    note_late_s: float = 0.0
    """The spread of the noted time about the true one."""
    missed_share: float = 0.0


@dataclass
class Run:
    plan: Plan
    level: Array
    """The level, mm, at each second."""
    lost: Array
    """mL evaporated since second 0, at each second."""
    shares: dict[str, Array] = field(default_factory=dict)
    """Share closed in each half minute."""
    looks: dict[str, Array] = field(default_factory=dict)
    """How many looks that share rests on; 0: no reading."""
    gauge: list[tuple[int, float]] = field(default_factory=list)
    pours: list[PourTruth] = field(default_factory=list)
    wander: Array = field(default_factory=lambda: np.zeros(0))

    def loss(self, a_s: int, b_s: int) -> float:
        return float(self.lost[b_s] - self.lost[a_s])

    def nights(self) -> list[tuple[int, int]]:
        """Returns the (start, end) seconds of each whole night, 22:00 to 08:00."""
        out: list[tuple[int, int]] = []
        day = 0
        while True:
            a = round((day * 24 + 22 - self.plan.starts_h) * HOUR)
            b = a + 10 * HOUR
            if b >= len(self.level):
                return out
            if a >= 0:
                out.append((a, b))
            day += 1


def ou(rng: np.random.Generator, n: int, step: float, tau: float) -> Array:
    """Returns n values of a unit-variance Ornstein–Uhlenbeck process, exact at the grid."""
    a = np.exp(-step / tau)
    noise = rng.standard_normal(n)
    noise[1:] *= np.sqrt(1 - a * a)
    from scipy.signal import lfilter  # takes a second, and tests import this module

    return np.asarray(lfilter([1.0], [1.0, -a], noise), dtype=np.float64)


def simulate(plan: Plan, rng: np.random.Generator) -> Run:
    n = round(plan.days * DAY) + 1
    minutes = n // 60 + 2
    stray = plan.wander * ou(rng, minutes, 1 / 60, plan.wander_tau_h)
    per_s = np.repeat(plan.rate_ml_h * (1 + stray), 60)[:n] / HOUR
    lost = np.concatenate([[0.0], np.cumsum(per_s[:-1])])
    volume = plan.start_mm * plan.area_mm2 / 1000.0 - lost
    pours: list[PourTruth] = []
    day = 0
    while day <= plan.days + 1:
        for hour in plan.pour_hours:
            second = round((day * 24 + hour - plan.starts_h) * HOUR + rng.normal(0, 900))
            if 600 < second < n - 600 and rng.random() >= plan.missed_share:
                to_mm = rng.normal(0, plan.fill_sd_mm)
                ml = to_mm * plan.area_mm2 / 1000.0 - volume[second]
                if ml > 20:
                    volume[second:] += ml
                    sd = plan.pour_rel_sd * ml
                    noted = rng.random() < plan.noted_share
                    pours.append(
                        PourTruth(
                            second,
                            float(ml),
                            float(ml + rng.normal(0, sd)) if noted else None,
                            float(sd),
                            int(second + rng.normal(0, plan.note_late_s)),
                        )
                    )
        day += 1
    level = volume / plan.area_mm2 * 1000.0
    run = Run(plan, level, lost, pours=pours, wander=stray)
    if plan.floats:
        k = plan.ripple_steps
        surface = np.repeat(level, k) + plan.ripple_mm * ou(rng, n * k, 1.0 / k, plan.ripple_tau_s)
        for f in plan.floats:
            closed = _closed(surface, f)[::k]
            seen = _seen(rng, len(closed), plan)
            run.looks[f.name] = looks = 30 * _halves(seen)
            run.shares[f.name] = 30 * _halves(closed * seen) / np.maximum(looks, 1)
    if plan.gauge is not None:
        run.gauge = _gauge(level, plan.gauge, rng)
    return run


def _closed(surface: Array, f: FloatTruth) -> Array:
    """Returns 1 closed, 0 open for each second, with hysteresis."""
    turn = np.zeros(len(surface), dtype=np.int64)
    turn[surface >= f.true_mm] = 1
    turn[surface < f.true_mm - f.differential_mm] = -1
    turn[0] = turn[0] or (1 if surface[0] > f.true_mm - 0.5 * f.differential_mm else -1)
    at = np.maximum.accumulate(np.where(turn != 0, np.arange(len(turn)), 0))
    return (turn[at] > 0).astype(np.float64)


def _seen(rng: np.random.Generator, n: int, plan: Plan) -> Array:
    """Returns 1 for each second whose look comes."""
    if not plan.looks_missed:
        return np.ones(n)
    runs = rng.random(n // plan.missed_in_a_row + 1) >= plan.looks_missed
    return np.repeat(runs, plan.missed_in_a_row)[:n].astype(np.float64)


def _halves(closed: Array) -> Array:
    m = len(closed) // 30
    return np.asarray(closed[: m * 30].reshape(m, 30).mean(axis=1), dtype=np.float64)


def _gauge(level: Array, g: GaugeTruth, rng: np.random.Generator) -> list[tuple[int, float]]:
    at = np.arange(0, len(level), g.every_s)
    drift = np.cumsum(
        rng.standard_normal(len(at)) * g.drift_mm_per_sqrt_day * np.sqrt(g.every_s / DAY)
    )
    values = level[at] + g.offset_mm + drift + g.noise_mm * rng.standard_normal(len(at))
    wild = rng.random(len(at)) < g.outlier_share
    values = values + wild * rng.normal(0, g.outlier_mm, len(at))
    if g.step_mm > 0:
        values = np.round(values / g.step_mm) * g.step_mm
    return [(int(t), float(v)) for t, v in zip(at, values, strict=True)]
