"""The salt balance against the best linear estimator: ``python tests/bench/bench_salt.py``.

    python tests/bench/bench_salt.py [--runs N] [--days D] [--seed S]

Ninety simulated days with a check a week that reads ± 0.5. Two bounds, written here with numpy:

- `knows`, the best linear estimator that knows the noise: a Kalman filter on the same entries that
  is given the law of the simulated tank and every variance in it, the loss nobody notes included.
- `sees`, one that besides sees how much water is in the tank each day and what was really taken out
  and filled in: what a perfect level gauge would be worth.

Prints the ratio of the root-mean-square errors, the coverage of the 95 % interval, how long salt
water in the top-up can goes unnoticed, and the cost of a year. And, for a tank that is checked on
every other day, when the alarm sounds, beside one who knows every pour and every variance and holds
the wrong can for possible at the same odds (`informed`): no checks carry more.
"""

from __future__ import annotations

import argparse
import sys
import time
from math import erf, sqrt
from pathlib import Path
from random import Random
from statistics import median

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parent))

from salt_world import (
    DAY,
    FRESH_KG_PER_L,
    FULL_KG,
    SALT_KG_PER_L,
    Habits,
    Run,
    simulate,
)

from stillwell.estimate.salt.balance import advanced, begun, unnoted_estimate
from stillwell.estimate.salt.pours import CHECKS, ODDS, Courses
from stillwell.estimate.salt.told import (
    Check,
    Event,
    Exchange,
    MissingWater,
    SaltParameters,
    TopUp,
)
from stillwell.observe.salt.alarms import HIGH, causes, findings
from stillwell.observe.salt.facts import Cause

Array = npt.NDArray[np.float64]

TANK = SaltParameters(full_ml=68_000.0, batch_sd=0.4)


def ours(run: Run, habits: Habits) -> tuple[list[float], list[bool], list[float]]:
    """Errors, hits and half-widths, day by day."""
    courses = Courses(begun(TANK, 0))
    errors, inside, halves = [], [], []
    events = iter(run.events)
    event = next(events, None)
    for t_ms, truth in run.truth:
        while event is not None and event.t_ms <= t_ms:
            courses.tell(event)
            event = next(events, None)
        now = advanced(courses.state, t_ms)
        errors.append(now.salinity - truth)
        halves.append(1.96 * now.salinity_sd)
        inside.append(abs(errors[-1]) <= halves[-1])
    return errors, inside, halves


def knows(run: Run, habits: Habits) -> list[float]:
    """Returns the errors of the best linear estimator on the entries, given law and variances:
    salt, kg missing, the tank's rate and the weather's part of it, in kg a day."""
    rate = habits.evaporation_l_d * FRESH_KG_PER_L
    x = np.array([35.0, 0.0, rate * np.exp(0.02), 0.0])
    spread = np.diag([0.5**2, 0.0, (0.2 * rate) ** 2, 0.0])
    step = np.array([[1, 0, 0, 0], [0, 1, 1, 0.8], [0, 0, 1, 0], [0, 0, 0, 0.8]])
    weather = (0.06 * rate) ** 2
    noise = np.zeros((4, 4))
    noise[0, 0] = habits.splash_per_root_day**2
    noise[1:4:2, 1:4:2] = weather
    errors = []
    by_day: dict[int, list[Event]] = {}
    for event in run.events:
        by_day.setdefault(event.t_ms // DAY, []).append(event)

    def measured(h: Array, surprise: float, variance: float) -> None:
        nonlocal x, spread
        gain = spread @ h / (h @ spread @ h + variance)
        x = x + gain * surprise
        spread = spread - np.outer(gain, h @ spread)

    def filled_to_mark() -> None:
        x[1] = 0.0
        spread[1, :] = spread[:, 1] = 0.0
        spread[1, 1] = 0.1**2

    for day, (_, truth) in enumerate(run.truth):
        x = step @ x
        x[0] -= habits.leak_per_day
        spread = step @ spread @ step.T + noise
        for event in by_day.get(day, []):
            if isinstance(event, TopUp) and event.ml is not None:
                kg = event.ml / 1000 * FRESH_KG_PER_L
                variance = (0.05 * kg) ** 2 + 0.1**2
                measured(np.array([0.0, 1.0, 0.0, 0.0]), kg - x[1], variance)
                filled_to_mark()
            elif isinstance(event, Exchange):
                water = FULL_KG - x[1]
                taken = habits.change_l * SALT_KG_PER_L
                slope = np.array(
                    [1 - taken / water, -taken * FULL_KG * x[0] / FULL_KG / water**2, 0.0, 0.0]
                )
                slope[1] += 35.0 / FULL_KG
                salt = x[0] * (1 - taken / water) + (taken + x[1]) * 35.0 / FULL_KG
                by = np.vstack([slope, np.eye(4)[1:]])
                spread = by @ spread @ by.T
                came = (taken + x[1]) / FULL_KG
                spread[0, 0] += (came * habits.batch_sd) ** 2 + (0.1 * 35.0 / FULL_KG) ** 2
                x[0] = salt
                filled_to_mark()
                # Filled too high by so much means salt water too much: the two go together.
                spread[0, 1] = spread[1, 0] = -(0.1**2) * 35.0 / FULL_KG
            elif isinstance(event, Check):
                water = FULL_KG - x[1]
                h = np.array([FULL_KG / water, x[0] * FULL_KG / water**2, 0.0, 0.0])
                measured(h, event.salinity - x[0] * FULL_KG / water, event.sd**2)
        errors.append(float(x[0] * FULL_KG / (FULL_KG - x[1]) - truth))
    return errors


def sees(run: Run, habits: Habits) -> list[float]:
    """Returns the errors of an estimator that also sees the water."""
    errors = []
    mean, variance = 35.0, 0.5**2
    by_day: dict[int, list[Event]] = {}
    for event in run.events:
        by_day.setdefault(event.t_ms // DAY, []).append(event)
    water = run.water
    for day, (_, truth) in enumerate(run.truth):
        variance += habits.splash_per_root_day**2
        mean -= habits.leak_per_day
        for event in by_day.get(day, []):
            if isinstance(event, Exchange):
                before, taken, filled = water[day].change
                left = 1.0 - taken / before
                share = filled / FULL_KG
                mean = mean * left + share * 35.0
                variance = variance * left**2 + (share * habits.batch_sd) ** 2
            elif isinstance(event, Check):
                h = FULL_KG / water[day].end_kg
                gain = variance * h / (variance * h * h + event.sd**2)
                mean += gain * (event.salinity - h * mean)
                variance *= 1 - gain * h
        errors.append(mean * FULL_KG / water[day].end_kg - truth)
    return errors


def rms(errors: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(errors))))


def noticed(run: Run, from_d: int) -> tuple[int | None, bool, int | None]:
    """Days from the wrong can until it is named: by a check whose likeliest cause it is, by an
    interval of the unnoted salt above 0, or by odds of more than one to one; whether a check did;
    and days to the alarm."""
    courses = Courses(begun(TANK, 0))
    by_check = by_trend = alarm = None
    for event in run.events:
        if isinstance(event, Check) and event.t_ms >= from_d * DAY and by_check is None:
            first = causes(courses.book, event)[0]
            if first.cause is Cause.SALT_TOP_UP:
                by_check = event.t_ms // DAY - from_d
        courses.tell(event)
        if event.t_ms < from_d * DAY:
            continue
        state = courses.state
        if by_trend is None and (unnoted_estimate(state).low > 0 or state.salted > 0.5):
            by_trend = event.t_ms // DAY - from_d
        if alarm is None and findings(state, event.t_ms)[0].active:
            alarm = event.t_ms // DAY - from_d
    found = [d for d in (by_check, by_trend) if d is not None]
    return (min(found) if found else None), by_check is not None, alarm


def informed(checks: list[tuple[float, float]], pours: Array, rise: float, now: float) -> float:
    """The probability that the salinity is above the limit, exactly, of one who knows every pour.
    Times in days; `rise` is what a pour of salt water adds."""
    times, read = np.array([t for t, _ in checks]), np.array([s for _, s in checks])
    weights, above = [], []
    for since in (None, *times[-CHECKS:]):

        def added(until: float, since: float | None = since) -> float:
            return 0.0 if since is None else rise * ((pours > since) & (pours <= until)).sum()

        left = read - np.array([added(t) for t in times])
        # The tank began at 35 ± 2, each check is right to ± 0.5: both normal.
        spread = np.eye(len(left)) * 0.5**2 + 2.0**2
        off = left - 35.0
        fits = -0.5 * off @ np.linalg.solve(spread, off)
        weights.append(fits + (0.0 if since is None else np.log(ODDS)))
        precision = 1 / 2.0**2 + len(left) / 0.5**2
        middle = (35.0 / 2.0**2 + left.sum() / 0.5**2) / precision + added(now)
        above.append(0.5 * (1 + erf((middle - TANK.high) * sqrt(precision / 2))))
    share = np.exp(np.array(weights) - max(weights))
    return float(share @ np.array(above) / share.sum())


def wrong_can(books: int, seed: int) -> tuple[list[float], list[float]]:
    """Days from the first pour of salt water to the alarm, and to odds of three to one of the
    `informed`; 99: none in twelve days."""
    rng = Random(seed)
    mine, best = [], []
    for _ in range(books):
        ml = rng.uniform(390, 610)
        rise = 35.0 * ml / TANK.full_ml
        pours = np.arange(-3.5, 12.0)
        phase = 2 * rng.random()
        checks = []
        for at in np.arange(phase - 4, 12.0, 2.0):
            truth = 35.1 + rise * ((pours > 0) & (pours <= at)).sum()
            checks.append((float(at), round(truth + rng.gauss(0, 0.5), 1)))
        told: list[Event] = [Check(round((t + 9) * DAY), s, 0.5) for t, s in checks]
        for t in pours:
            at_ms = round((t + 9) * DAY)
            told += [MissingWater(at_ms - 1, ml, 40.0), TopUp(at_ms, ml)]
        courses, heard = Courses(begun(TANK, 5 * DAY)), 99.0
        for event in sorted(told, key=lambda event: event.t_ms):
            courses.tell(event)
            day = event.t_ms / DAY - 9
            if day > 0 and heard == 99.0 and findings(courses.state, event.t_ms)[0].active:
                heard = day
        mine.append(heard)
        looks = sorted(t for t in (*pours, *(c[0] for c in checks)) if t > 0)
        sure = (
            t for t in looks if informed([c for c in checks if c[0] <= t], pours, rise, t) > 0.75
        )
        best.append(next(sure, 99.0))
    return mine, best


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--seed", type=int, default=20250712)
    asked = parser.parse_args()
    print(f"{asked.runs} runs of {asked.days} days, seeds from {asked.seed}; salinity, PSS-78")
    for name, habits in (
        ("a keeper's weeks", Habits(asked.days)),
        ("every other top-up missed", Habits(asked.days, missed_top_up=0.5)),
        ("salt lost, 0.03 a day, unnoted", Habits(asked.days, leak_per_day=0.03)),
        ("no water changes", Habits(asked.days, change_every_d=10**6)),
    ):
        mine: list[float] = []
        best: list[float] = []
        seeing: list[float] = []
        hits: list[bool] = []
        halves: list[float] = []
        for seed in range(asked.seed, asked.seed + asked.runs):
            run = simulate(habits, seed)
            errors, inside, half = ours(run, habits)
            # The first week has hardly a check: both start from what is assumed.
            mine += errors[7:]
            hits += inside[7:]
            halves += half[7:]
            best += knows(run, habits)[7:]
            seeing += sees(run, habits)[7:]
        print(
            f"{name:<31} rmse {rms(mine):.3f}  over knows {rms(mine) / rms(best):.3f}  over sees "
            f"{rms(mine) / rms(seeing):.3f}  coverage {100 * np.mean(hits):.1f} %  half-width "
            f"{np.mean(halves):.2f}"
        )

    habits = Habits(asked.days, salt_can_from_d=30)
    found, alarms, clean = [], [], 0
    for seed in range(asked.seed, asked.seed + asked.runs):
        days, _, alarm = noticed(simulate(habits, seed), 30)
        found.append(days if days is not None else 999)
        alarms.append(alarm if alarm is not None else 999)
        clean += noticed(simulate(Habits(asked.days), seed), 0)[0] is not None
    print(
        f"salt water in the can from day 30: named after {median(found):.0f} d (90 %: "
        f"{np.quantile(found, 0.9):.0f} d), {HIGH} after {median(alarms):.0f} d (90 %: "
        f"{np.quantile(alarms, 0.9):.0f} d); named wrongly in {clean} of {asked.runs} clean runs"
    )

    for name, heard_d in zip(("ours", "informed"), wrong_can(asked.runs, asked.seed), strict=True):
        heard = ", ".join(
            f"{100 * np.mean(np.array(heard_d) <= day):.0f} % by day {day}" for day in (8, 10, 12)
        )
        print(f"salt water in the can, a check every other day: {name:<9} {heard}")

    year = simulate(Habits(365), asked.seed)
    start = time.perf_counter()
    courses = Courses(begun(TANK, 0))
    for event in year.events:
        courses.tell(event)
    print(f"a year of journal, {len(year.events)} entries: {time.perf_counter() - start:.3f} s")


if __name__ == "__main__":
    main()
