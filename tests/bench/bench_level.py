"""The level estimator against bounds: ``python tests/bench/bench_level.py [--nights N] [--seed
S]``.

Prints ratios of root-mean-square errors to lower bounds, coverage of the 95 % interval, and the
cost of a reading. The bounds are computed here, from the world's own law, with no code of the
estimator."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parent))

import level_bounds as bounds
from level_world import DAY, FloatTruth, GaugeTruth, Plan, Run, simulate

from stillwell.estimate.answer import Estimate, NotEnough
from stillwell.estimate.level.evidence import Evidence, Gauge, Pour, Share
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry, Habits
from stillwell.estimate.level.model import LevelModel
from stillwell.estimate.level.state import LevelState
from stillwell.form import Form

Array = npt.NDArray[np.float64]


@dataclass
class Score:
    """The results of a mode, over its nights."""

    error: list[float] = field(default_factory=list)
    half: list[float] = field(default_factory=list)
    bound: list[float] = field(default_factory=list)
    inside: int = 0
    refused: int = 0

    def add(self, truth: float, answer: object, bound: float | None = None) -> None:
        if not isinstance(answer, Estimate):
            self.refused += 1
            return
        self.error.append(answer.value - truth)
        self.half.append((answer.high - answer.low) / 2)
        self.inside += answer.low <= truth <= answer.high
        if bound is not None:
            self.bound.append(bound)

    @property
    def rmse(self) -> float:
        return float(np.sqrt(np.mean(np.square(self.error))))

    def row(self, name: str) -> str:
        n = len(self.error)
        if not n:
            return f"{name:<44} no answers, {self.refused} refused"
        text = (
            f"{name:<44} n {n:4d}  refused {self.refused:3d}  rmse {self.rmse:6.2f} mL"
            f"  mean {np.mean(self.error):+6.2f}"
            f"  half-width {np.mean(self.half):6.2f}  coverage {100 * self.inside / n:5.1f} %"
        )
        if self.bound:
            bound = float(np.sqrt(np.mean(np.square(self.bound))))
            text += f"  bound {bound:6.2f}  ratio {self.rmse / bound:5.3f}"
        return text


def evidence(run: Run, *, counted: bool = True) -> list[tuple[int, Evidence]]:
    """The run's evidence in the order in which a daemon would get it: (second, evidence).
    `counted`: each share says how many looks it rests on, rather than how many were to come."""
    events: list[tuple[int, Evidence]] = []
    for f in run.plan.floats:
        told = zip(run.shares[f.name], run.looks[f.name], strict=True)
        for k, (share, looks) in enumerate(told):
            if looks:
                end = (k + 1) * 30
                n = round(looks) if counted else 30
                events.append((end, Share(f.name, k * 30_000, end * 1000, float(share), n)))
    events += [(t, Gauge(t * 1000, mm)) for t, mm in run.gauge]
    for p in run.pours:
        if p.noted_ml is not None:
            noted = max(0, p.noted_second)
            events.append((max(noted, p.second), Pour(noted * 1000, p.noted_ml, p.sd_ml)))
    events.sort(key=lambda e: e[0])
    return events


def feed(
    model: LevelModel, run: Run, until_s: int | None = None, *, counted: bool = True
) -> LevelState:
    """Returns the state after the whole run, or after `until_s`."""
    end = len(run.level) - 1 if until_s is None else until_s
    state = model.start(0)
    for t, e in evidence(run, counted=counted):
        if t <= end:
            state = model.update(state, e, t * 1000)
    return model.tick(state, end * 1000)


def mornings(model: LevelModel, run: Run) -> Iterator[tuple[float, Estimate | NotEnough]]:
    """Returns each night's true loss and the answer at 08:05, when the review is made."""
    state = model.start(0)
    events = iter(evidence(run))
    pending = next(events, None)
    for a, b in run.nights():
        while pending is not None and pending[0] <= b + 300:
            state = model.update(state, pending[1], pending[0] * 1000)
            pending = next(events, None)
        state = model.tick(state, (b + 300) * 1000)
        yield run.loss(a, b), model.loss(state, a * 1000, b * 1000)


def spawn(seed: int, n: int) -> list[np.random.Generator]:
    return [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(n)]


KNOWN = Geometry(16200.0, 0.0)
CALM = Habits(sway_mm=0.0)
"""Habits for worlds whose geometry is known and whose surface moves only by its ripple."""
STEADY = Habits(sway_mm=0.0, wander=(0.01,), daily_rel_sd=0.0)
"""The same, knowing that the rate is steady, as the Cramér–Rao bound of a straight line does."""
LADDER = tuple(
    FloatTruth(n, mm, mm, 0.0) for n, mm in (("low", -16.0), ("mid", -10.0), ("high", -4.0))
)


def gauge_steady(nights: int, seed: int) -> Iterator[str]:
    """Compares the gauge alone, heard only in the night, at a constant rate, with the textbook
    bound."""
    spec = GaugeSpec(1.0, offset_sd_mm=0.0, drift_mm_per_sqrt_day=0.0)
    model = LevelModel(KNOWN, gauge=spec, habits=CALM)
    score = Score()
    for rng in spawn(seed, nights):
        plan = Plan(
            10 / 24,
            22.0,
            rate_ml_h=rng.uniform(12, 35),
            wander=0.0,
            start_mm=rng.uniform(-8, 2),
            gauge=GaugeTruth(1.0),
            pour_hours=(),
        )
        run = simulate(plan, rng)
        end = 10 * 3600
        state = feed(model, run, end)
        n = sum(1 for t, _ in run.gauge if t <= end)
        bound = bounds.line_loss_sd(n, 60.0, end, 1.0) * 16.2
        score.add(run.loss(0, end), model.loss(state, 0, end * 1000), bound)
    yield score.row("gauge 1 mm, steady rate, night only")


def gauge_wander(nights: int, seed: int) -> Iterator[str]:
    """Compares the gauge alone, from a day before the night, at a restless rate, with the
    Bayesian (van Trees) bound."""
    spec = GaugeSpec(1.0, offset_sd_mm=0.0, drift_mm_per_sqrt_day=0.0)
    model = LevelModel(KNOWN, gauge=spec, habits=CALM)
    for wander, tau in ((0.12, 3.0), (0.3, 3.0), (0.2, 6.0)):
        score = Score()
        bound = bounds.wandering_loss_sd(
            hours=20.0,
            window=(10.0, 20.0),
            noise_mm=1.0,
            wander=wander,
            tau_h=tau,
            per_h=22.5 / 16.2,
        )
        for rng in spawn(seed, nights):
            plan = Plan(
                20 / 24, 12.0, wander=wander, wander_tau_h=tau, gauge=GaugeTruth(1.0), pour_hours=()
            )
            run = simulate(plan, rng)
            state = feed(model, run)
            a, b = 10 * 3600, 20 * 3600
            score.add(run.loss(a, b), model.loss(state, a * 1000, b * 1000), bound * 16.2)
        yield (score.row(f"gauge 1 mm, rate strays {wander:.0%}, tau {tau:g} h"))


def ladder(nights: int, seed: int) -> Iterator[str]:
    """Three floats with ripple, geometry known, half a day: shares against edges against the
    bound."""
    for differential, wander, told in (
        (0.0, 0.0, True),
        (0.0, 0.0, False),
        (0.0, 0.12, False),
        (1.0, 0.12, False),
    ):
        floats = tuple(FloatTruth(f.name, f.stated_mm, f.true_mm, differential) for f in LADDER)
        specs = tuple(
            FloatSpec(f.name, f.stated_mm, differential, 0.0, 0.8, 0.0, 2.0) for f in floats
        )
        model = LevelModel(KNOWN, specs, habits=STEADY if told else CALM)
        share, edges = Score(), Score()
        for rng in spawn(seed, nights):
            plan = Plan(
                12 / 24,
                20.0,
                rate_ml_h=rng.uniform(20, 28),
                wander=wander,
                floats=floats,
                pour_hours=(),
                start_mm=rng.uniform(-2, 0),
                ripple_steps=1 if differential == 0 else 40,
            )
            run = simulate(plan, rng)
            state = feed(model, run)
            a, b = 2 * 3600, 12 * 3600
            truth = run.loss(a, b)
            bound = None
            if differential == 0:
                bound = 16.2 * bounds.ladder_loss_sd(
                    run.level,
                    [f.true_mm for f in floats],
                    0.8,
                    2.0,
                    (a, b),
                    wander * plan.rate_ml_h / 16.2,
                    plan.wander_tau_h,
                )
            share.add(truth, model.loss(state, a * 1000, b * 1000), bound)
            alone = bounds.edges_loss_mm(run.shares, floats, (a, b)) * 16.2
            edges.error.append(alone - truth)
        what = "told steady" if told else "steady" if wander == 0 else f"strays {wander:.0%}"
        yield (share.row(f"ladder of 3, d {differential:g} mm, rate {what}, shares"))
        yield (
            f"{'  edges alone (line through middle crossings)':<44} n {len(edges.error):4d}"
            f"  rmse {edges.rmse:18.2f} mL  shares win by {edges.rmse / share.rmse:4.2f}x"
        )


def missed(nights: int, seed: int) -> Iterator[str]:
    """Compares looks that were counted with looks that were to come, on three floats of which a
    third of the looks is missed."""
    for what, share, row in (
        ("none missed", 0.0, 1),
        ("a third missed, here and there", 1 / 3, 1),
        ("a third missed, 10 s at a time", 1 / 3, 10),
        ("nine of ten missed, 10 s at a time", 0.9, 10),
    ):
        floats = tuple(FloatTruth(f.name, f.stated_mm, f.true_mm, 1.0) for f in LADDER)
        specs = tuple(FloatSpec(f.name, f.stated_mm, 1.0, 0.0, 0.8, 0.0, 2.0) for f in floats)
        model = LevelModel(KNOWN, specs, habits=CALM)
        scores = {True: Score(), False: Score()}
        for rng in spawn(seed, nights):
            plan = Plan(
                12 / 24,
                20.0,
                rate_ml_h=rng.uniform(20, 28),
                floats=floats,
                pour_hours=(),
                start_mm=rng.uniform(-2, 0),
                ripple_steps=40,
                looks_missed=share,
                missed_in_a_row=row,
            )
            run = simulate(plan, rng)
            a, b = 2 * 3600, 12 * 3600
            for counted, score in scores.items():
                state = feed(model, run, counted=counted)
                score.add(run.loss(a, b), model.loss(state, a * 1000, b * 1000))
        yield scores[False].row(f"{what}: taken as 30")
        yield scores[True].row(f"{what}: counted")


def ledger(runs: int, seed: int) -> Iterator[str]:
    """Checks one float with noted pours and nothing else: the loss between two crossings is what
    was poured."""
    floats = (FloatTruth("low", -12.0, -12.0, 1.0),)
    specs = (FloatSpec("low", -12.0, 1.0, 0.5),)
    score = Score()
    for rng in spawn(seed, runs):
        area = 16200.0 * (1 + rng.normal(0, 0.05))
        floats = (FloatTruth("low", -12.0, -12.0 + rng.normal(0, 0.5), 1.0),)
        model = LevelModel(Geometry(16200.0, 0.05), specs)
        plan = Plan(
            6.0,
            12.0,
            area,
            rate_ml_h=rng.uniform(18, 30),
            floats=floats,
            pour_hours=(18.5,),
            pour_rel_sd=0.02,
        )
        run = simulate(plan, rng)
        state = feed(model, run)
        crossings = bounds.falling_crossings(run.shares["low"])
        if len(crossings) < 3:
            continue
        # the window between the first and the last crossing, exactly at the middle of the float
        a, b = crossings[0], crossings[-1]
        used = [p for p in run.pours if a < p.second < b]
        slack = bounds.crossing_sd_mm(run.level, a, b)
        bound = float(np.sqrt(sum(p.sd_ml**2 for p in used) + (slack * area / 1000) ** 2))
        score.add(run.loss(a, b), model.loss(state, a * 1000, b * 1000), bound)
    yield score.row("one float and pours, crossing to crossing")


MODES = ("gauge", "gauge, unnoted pours", "ladder", "one float", "gauge and ladder")


def coverage(nights: int, seed: int, modes: Sequence[str] = MODES) -> Iterator[str]:
    """Checks the interval with everything uncertain, drawn at random, in every mode."""
    for mode in modes:
        score, first = Score(), Score()
        for rng in spawn(seed, max(1, nights // 4)):
            run, model = drawn(mode, rng)
            for k, (truth, answer) in enumerate(mornings(model, run)):
                # the first night, of a tank never seen before, is in another line
                (score if k else first).add(truth, answer)
        yield score.row(f"coverage: {mode}")
        yield first.row("  the first night after start")


def drawn(mode: str, rng: np.random.Generator) -> tuple[Run, LevelModel]:
    """Returns five nights in a tank whose errors are drawn from the spreads that the estimator
    is given, and its model."""
    area = 16200.0 * (1 + rng.normal(0, 0.05))
    differential = float(rng.uniform(0.5, 2.5))
    stated = {
        "one float": (-12.0,),
        "ladder": (-18.0, -12.0, -6.0),
        "gauge and ladder": (-12.0, -6.0),
    }
    floats = tuple(
        FloatTruth(f"f{i}", mm, mm + float(rng.normal(0, 0.5)), differential)
        for i, mm in enumerate(stated.get(mode, ()))
    )
    specs = tuple(FloatSpec(f.name, f.stated_mm, differential, 0.5) for f in floats)
    gauge, spec = None, None
    if "gauge" in mode:
        step = float(rng.choice([0.0, 0.5, 1.0]))
        gauge = GaugeTruth(
            float(rng.uniform(0.7, 1.2)), 60, float(rng.normal(0, 1.0)), 0.2, step, 0.01
        )
        spec = GaugeSpec(gauge.noise_mm, step)
    plan = Plan(
        5.0,
        12.0,
        area,
        rate_ml_h=float(rng.uniform(14, 32)),
        wander=float(rng.choice([0.05, 0.12, 0.25])),
        ripple_mm=0.8 * float(np.exp(rng.normal(0, 0.3))),
        start_mm=float(rng.normal(0, 2)),
        floats=floats,
        gauge=gauge,
        pour_rel_sd=0.02,
        noted_share=0.5 if "unnoted" in mode else 1.0,
        note_late_s=300.0,
        pour_hours=(18.5,),
    )
    return simulate(plan, rng), LevelModel(Geometry(16200.0, 0.05), specs, spec)


def cost(_: int, seed: int) -> Iterator[str]:
    """Microseconds a reading, at the start and after weeks; the questions' cost."""
    rng = np.random.default_rng(seed)
    model = LevelModel(
        Geometry(16200.0), (FloatSpec("low", -12.0), FloatSpec("high", -6.0)), GaugeSpec()
    )
    state = model.start(0)
    level, t = 0.0, 0
    first = 0.0
    for day in (1, 8, 16, 30):
        while t < (day - 1) * DAY:
            t += 60
            level -= 22.5 / 16.2 / 60
            if level < -20:
                state = model.update(state, Pour(t * 1000, -level * 16.2, 5.0), t * 1000)
                level = 0.0
            state = model.update(state, Gauge(t * 1000, level + rng.normal()), t * 1000)
        begin, n = time.process_time(), 0
        for _i in range(24 * 60):
            t += 60
            level -= 22.5 / 16.2 / 60
            if level < -20:
                state = model.update(state, Pour(t * 1000, -level * 16.2, 5.0), t * 1000)
                level = 0.0
            for name, height in (("low", -12.5), ("high", -6.5)):
                share = float(np.clip(0.5 + (level - height) / 3, 0, 1))
                state = model.update(
                    state, Share(name, (t - 60) * 1000, t * 1000, share, 60), t * 1000
                )
            state = model.update(state, Gauge(t * 1000, level + float(rng.normal())), t * 1000)
            n += 3
        per = (time.process_time() - begin) / n * 1e6
        first = first or per
        begin = time.process_time()
        model.loss(state, (t - 10 * 3600) * 1000, t * 1000)
        night = time.process_time() - begin
        begin = time.process_time()
        model.rate_now(state)
        now = time.process_time() - begin
        yield (
            f"cost on day {day:2d}: {per:6.1f} us a reading ({per / first:4.2f}x day 1),"
            f" a night's loss {night * 1e3:5.0f} ms, rate now {now * 1e3:5.0f} ms,"
            f" {len(state.slices)} slices, {len(state.checkpoints)} checkpoints,"
            f" {len(Form(LevelState).text(state)) / 1e3:.0f} kB kept"
        )


BENCHES: dict[str, Callable[[int, int], Iterator[str]]] = {
    "steady": gauge_steady,
    "wander": gauge_wander,
    "ladder": ladder,
    "missed": missed,
    "ledger": ledger,
    "coverage": coverage,
    "cost": cost,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=300)
    parser.add_argument("--seed", type=int, default=20240611)
    parser.add_argument("--only", choices=sorted(BENCHES), action="append")
    parser.add_argument("--mode", choices=MODES, action="append", help="of coverage")
    args = parser.parse_args()
    print(f"seed {args.seed}, {args.nights} nights a mode", flush=True)
    for name in args.only or BENCHES:
        begin = time.process_time()
        rows = (
            coverage(args.nights, args.seed, args.mode)
            if name == "coverage" and args.mode
            else BENCHES[name](args.nights, args.seed)
        )
        for row in rows:
            print(row, flush=True)
        print(f"  [{name}: {time.process_time() - begin:.0f} s]", flush=True)


if __name__ == "__main__":
    main()
