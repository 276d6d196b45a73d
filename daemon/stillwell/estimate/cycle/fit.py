"""The day on which the cycle ends, with an honest interval: the model fitted to the tests.

Few tests in coarse steps leave many sets of parameters possible, and the day of the end depends
strongly on them. So there is no search for the single best set. A few hundred sets are drawn from
what is known before the first test and weighted by each test as it comes. When too few are left
with weight, they are moved about (Metropolis) among what the tests allow: iterated batch importance
sampling (N. Chopin, Biometrika 89 (2002) 539). A test that would leave too few at once is let in by
degrees (Del Moral, Doucet & Jasra, J. R. Stat. Soc. B 68 (2006) 411).

Random numbers come from a generator that is started with the number of the test, so that the same
tests give the same answer, on every machine and after every restart.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import erfc, exp, log, pi, sqrt

from stillwell.estimate.answer import Basis, Estimate, NotEnough
from stillwell.estimate.cycle.nitrification import (
    Happening,
    Kinetics,
    Prior,
    State,
    end_d,
    prior,
    reached,
    start,
)
from stillwell.estimate.cycle.stage import SEEDED_D, UNSEEDED_D, Stage, Test, gathered, verdict

_DAY_MS = 86_400_000
PARTICLES = 256
MOVES_EACH, MOST_SWEEPS = 3, 16
"""How many moves each set has made on average after a redraw, and the most that are tried. With
fewer moves too many sets stay copies of one another, and the interval holds the true end less
often than it says."""
HORIZON_D = 120.0
"""No end is looked for further than this many days from the start."""
MISREAD = 0.02
"""The share of tests that mean nothing: the wrong bottle, the wrong line (our own allowance)."""
AMMONIA_STEP = 0.25
"""The first colour of a kit that differs from that of clean water, mg N/L."""
NITRITE_STEP = 0.08
"""As that of ammonia: a quarter of a mg/L of nitrite, counted as nitrogen."""
READING_LOG_SD = 0.3
"""The standard deviation of the logarithm of a kit's reading: the eye, and colours that double from
step to step (ln 2 / sqrt 12 is 0.2)."""


@dataclass(frozen=True, slots=True)
class Particle:
    """One set of parameters, as logarithms, with its course of the tank so far."""

    logs: tuple[float, ...]
    state: State
    likelihood: float
    """Log likelihood of all tests so far."""

    @property
    def kinetics(self) -> Kinetics:
        return Kinetics(*map(exp, self.logs))


@dataclass(frozen=True, slots=True)
class Fit:
    """What the tests so far allow. Made by `begun`, continued by `told`."""

    begun_ms: int
    seeded: bool
    priors: tuple[Prior, ...]
    happenings: tuple[Happening, ...]
    tests: tuple[Test, ...]
    particles: tuple[Particle, ...]
    weights: tuple[float, ...]
    """Weights of the sets; their sum is 1."""


def begun(
    begun_ms: int,
    *,
    seeded: bool,
    happenings: Sequence[Happening] = (),
    count: int = PARTICLES,
) -> Fit:
    """Returns what is known before the first test.

    Args:
        begun_ms: when the cycle was started: salt water in, and something that gives off ammonia.
        seeded: whether live rock, sand or filter matter from a running tank went in.
        happenings: doses of ammonia and water changes, past and planned, in days since then.
        count: how many sets of parameters are followed.
    """
    rng = random.Random(f"cycle 0 {seeded}")
    priors = prior(seeded)
    particles = []
    for _ in range(count):
        logs = tuple(rng.gauss(log(p.median), p.log_sd) for p in priors)
        particles.append(Particle(logs, start(Kinetics(*map(exp, logs))), 0.0))
    return Fit(
        begun_ms,
        seeded,
        priors,
        tuple(sorted(happenings, key=lambda h: h.t_d)),
        (),
        tuple(particles),
        (1.0 / count,) * count,
    )


# -- likelihood ----------------------------------------------------------------------------------


def _log_reading(read: float, true: float, step: float) -> float:
    """Returns the log density of a kit's reading: normal in ln(x + step/2), where anything below
    the middle of the first step is read as zero."""
    expected, sd = log(true + step / 2), READING_LOG_SD
    if read <= 0:
        plain = 0.5 * erfc((expected - log(step)) / (sd * sqrt(2)))
        return log((1 - MISREAD) * plain + MISREAD * 0.2)
    z = (log(read + step / 2) - expected) / sd
    plain = exp(-0.5 * z * z) / (sd * sqrt(2 * pi))
    return log((1 - MISREAD) * plain + MISREAD * 0.2)


def _log_test(test: Test, state: State) -> float:
    total = 0.0
    if test.ammonia is not None:
        total += _log_reading(test.ammonia, state.ammonia, AMMONIA_STEP)
    if test.nitrite is not None:
        total += _log_reading(test.nitrite, state.nitrite, NITRITE_STEP)
    return total


def _log_prior(logs: Sequence[float], priors: Sequence[Prior]) -> float:
    return -0.5 * sum(
        ((x - log(p.median)) / p.log_sd) ** 2 for x, p in zip(logs, priors, strict=True)
    )


def _day(fit: Fit, t_ms: int) -> float:
    return (t_ms - fit.begun_ms) / _DAY_MS


# -- a test comes in -----------------------------------------------------------------------------


def told(fit: Fit, test: Test) -> Fit:
    """Returns the fit after one more test. Raises ValueError for a test that is earlier than the
    last one or before the start: then fit again from all of them (`fitted`)."""
    day = _day(fit, test.t_ms)
    if day < 0 or (fit.tests and test.t_ms < fit.tests[-1].t_ms):
        raise ValueError("Tests must be told in order, none before the cycle began.")
    rng = random.Random(f"cycle {len(fit.tests) + 1}")
    particles = []
    for p in fit.particles:
        state = reached(p.state, p.kinetics, day, fit.happenings)
        particles.append(Particle(p.logs, state, p.likelihood))
    news = [_log_test(test, p.state) for p in particles]
    weights = list(fit.weights)
    enough = len(particles) / 2
    done = 0.0
    while done < 1.0:
        part = _part(weights, news, 1.0 - done, enough)
        weights = _weighted(weights, news, part)
        done = min(1.0, done + part)
        if done >= 1.0 and _effective(weights) >= enough:
            break
        particles, news = _moved(fit, test, particles, news, weights, done, rng)
        weights = [1.0 / len(particles)] * len(particles)
    return replace(
        fit,
        tests=(*fit.tests, test),
        particles=tuple(
            replace(p, likelihood=p.likelihood + new)
            for p, new in zip(particles, news, strict=True)
        ),
        weights=tuple(weights),
    )


def _weighted(weights: Sequence[float], news: Sequence[float], part: float) -> list[float]:
    top = max(new for new, w in zip(news, weights, strict=True) if w > 0)
    out = [w * exp(part * (new - top)) for w, new in zip(weights, news, strict=True)]
    total = sum(out)
    return [w / total for w in out]


def _effective(weights: Sequence[float]) -> float:
    return 1.0 / sum(w * w for w in weights)


def _part(weights: Sequence[float], news: Sequence[float], left: float, enough: float) -> float:
    """Returns how much of the test can be let in before too few sets are left with weight."""
    if _effective(_weighted(weights, news, left)) >= enough * 0.5:
        return left
    low, high = 0.0, left
    for _ in range(20):
        middle = (low + high) / 2
        if _effective(_weighted(weights, news, middle)) >= enough:
            low = middle
        else:
            high = middle
    return max(low, 1e-3 * left)


def _moved(
    fit: Fit,
    test: Test,
    particles: Sequence[Particle],
    news: Sequence[float],
    weights: Sequence[float],
    part: float,
    rng: random.Random,
) -> tuple[list[Particle], list[float]]:
    """Draws sets by weight (systematically), then moves each a few steps among what the tests
    allow."""
    count, size = len(particles), len(fit.priors)
    root = _root_of_spread([p.logs for p in particles], weights)
    chosen: list[int] = []
    at, total = rng.random() / count, 0.0
    for i, w in enumerate(weights):
        total += w
        while len(chosen) < count and at < total:
            chosen.append(i)
            at += 1.0 / count
    chosen += [max(range(count), key=weights.__getitem__)] * (count - len(chosen))
    now = [particles[i] for i in chosen]
    fresh = [news[i] for i in chosen]
    day = _day(fit, test.t_ms)
    reach, moves = 2.38 / sqrt(size), 0
    for _ in range(MOST_SWEEPS):
        accepted = 0
        for i, old in enumerate(now):
            z = [rng.gauss(0.0, reach) for _ in range(size)]
            logs = tuple(
                x + sum(row[k] * z[k] for k in range(j + 1))
                for j, (x, row) in enumerate(zip(old.logs, root, strict=True))
            )
            floor = (
                log(1.0 - rng.random())
                + _log_prior(old.logs, fit.priors)
                + old.likelihood
                + part * fresh[i]
            )
            before = _log_prior(logs, fit.priors)
            if before < floor - 5.0 * (len(fit.tests) + 1):
                continue  # no likelihood could make up for it
            kinetics = Kinetics(*map(exp, logs))
            state, likelihood = start(kinetics), 0.0
            for earlier in fit.tests:
                state = reached(state, kinetics, _day(fit, earlier.t_ms), fit.happenings)
                likelihood += _log_test(earlier, state)
            state = reached(state, kinetics, day, fit.happenings)
            new = _log_test(test, state)
            if before + likelihood + part * new >= floor:
                now[i], fresh[i] = Particle(logs, state, likelihood), new
                accepted += 1
        moves += accepted
        if moves >= MOVES_EACH * count:
            break
        # A quarter accepted is about the best (Roberts, Gelman & Gilks 1997).
        if accepted < 0.15 * count:
            reach *= 0.6
        elif accepted > 0.4 * count:
            reach *= 1.4
    return now, fresh


def _root_of_spread(
    points: Sequence[Sequence[float]], weights: Sequence[float]
) -> list[list[float]]:
    """Returns the Cholesky root of the weighted covariance."""
    size = len(points[0])
    mean = [sum(w * p[j] for w, p in zip(weights, points, strict=True)) for j in range(size)]
    root = [[0.0] * size for _ in range(size)]
    for i in range(size):
        for j in range(i + 1):
            cov = sum(
                w * (p[i] - mean[i]) * (p[j] - mean[j])
                for w, p in zip(weights, points, strict=True)
            )
            rest = cov - sum(root[i][k] * root[j][k] for k in range(j))
            if i == j:
                root[i][i] = sqrt(max(rest, 1e-6))
            else:
                root[i][j] = rest / root[j][j]
    return root


def fitted(
    tests: Sequence[Test],
    begun_ms: int,
    *,
    seeded: bool,
    happenings: Sequence[Happening] = (),
    count: int = PARTICLES,
) -> Fit:
    """Returns the fit to all tests, in any order; leaves out those before the start."""
    fit = begun(begun_ms, seeded=seeded, happenings=happenings, count=count)
    for test in gathered(tests):
        if test.t_ms >= begun_ms:
            fit = told(fit, test)
    return fit


# -- the answer ----------------------------------------------------------------------------------


def end_estimate(fit: Fit, now_ms: int) -> Estimate | NotEnough:
    """Returns the day since the start on which the cycle ends by the tests, with the 95 % interval:
    when both ammonia and nitrite will have fallen below what the kit can see, for good. The proof
    by two tests takes a day or two more.

    An end beyond `HORIZON_D` is given as `HORIZON_D`, and one that has passed as the day of the
    last test. Returns why there is no answer when there is no test yet, or when the cycle is
    finished.
    """
    window = (fit.begun_ms, now_ms)
    if not fit.tests:
        return NotEnough("No test is noted since the cycle began.", window)
    basis = (Basis("tests", len(fit.tests)),)
    if verdict(fit.tests).stage is Stage.FINISHED:
        return NotEnough("The cycle is finished: there is nothing to forecast.", window, basis)
    ends = sorted(zip(_ends(fit), fit.weights, strict=True))
    return Estimate(
        _quantile(ends, 0.5), _quantile(ends, 0.025), _quantile(ends, 0.975), "d", basis, window
    )


def _ends(fit: Fit) -> list[float]:
    found = []
    later = [h for h in fit.happenings if fit.tests and h.t_d > _day(fit, fit.tests[-1].t_ms)]
    for p in fit.particles:
        kinetics = p.kinetics
        state = reached(p.state, kinetics, later[-1].t_d, later) if later else p.state
        below = (AMMONIA_STEP / 2, NITRITE_STEP / 2)
        found.append(end_d(state, kinetics, *below, HORIZON_D))
    return found


def _quantile(ordered: Sequence[tuple[float, float]], share: float) -> float:
    total = 0.0
    for value, weight in ordered:
        total += weight
        if total >= share:
            return value
    return ordered[-1][0]


def words(fit: Fit, now_ms: int) -> str:
    """Returns the forecast for the person beside the tank."""
    answer = end_estimate(fit, now_ms)
    if isinstance(answer, NotEnough):
        return answer.reason
    today = _day(fit, now_ms)
    if answer.value <= today:
        return "Ammonia and nitrite should be gone by now: test both, twice, a day apart."
    if answer.value >= HORIZON_D:
        return (
            "By the tests so far no end is in sight within four months. Check that the water is "
            "warm and moves, and that something feeds the bacteria."
        )
    usual = f"about {SEEDED_D:.0f} days" if fit.seeded else f"up to {UNSEEDED_D:.0f} days"
    kind = "seeded" if fit.seeded else "unseeded"
    high = "later than day 120" if answer.high >= HORIZON_D else f"day {answer.high:.0f}"
    return (
        f"Day {today:.0f}. The end is expected about day {answer.value:.0f} (between day "
        f"{max(answer.low, today):.0f} and {high}, 95 %), by {len(fit.tests)} tests. "
        f"Common practice: {usual} for a tank that is {kind}."
    )
