"""How early the heater's faults are found, and how seldom for nothing.

    nice python tests/bench/bench_heater.py delay [--seeds 200] [--jobs 2]
    nice python tests/bench/bench_heater.py learned [--seeds 60]
    nice python tests/bench/bench_heater.py clean [--days 365]
    nice python tests/bench/bench_heater.py cost

Prints tables; every random number comes from the seeds that are printed. Nothing is asserted.

The delay is counted from the moment at which the fault can show: for a heater that stays cold, when
the thermostat calls for heat and none comes; for one that does not switch off, when the thermostat
has had enough and the heat goes on. Both faults begin in the half cycle before, as contacts do (one
that burns open while open, one that welds while closed); the bench's rows "begun anywhere" let
them begin at any time.

Two CUSUM charts stand beside ours, both with the limit that gives the same false-alarm rate by the
Markov chain. "CUSUM" sums the innovations of a Kalman filter that knows the tank's true parameters
(switching points, power, lags, noise), but neither the water's temperature nor its loss: what the
best chart could be. "foreknowing" sums the readings less what a twin of the same tank without the
fault goes through, noise of the room included: no chart can be that.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
import sys
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from heater_bounds import Cusum, Informed, Mean, PlainBand, Twin, cusum_limit
from heater_world import DAY_S, World

from stillwell.estimate.heater import Condition, HeaterPlan, HeaterWatch, Inference
from stillwell.reading import Reading
from stillwell_drivers.tank_faults import Event, EventName, Fault, FaultName
from stillwell_drivers.tank_keeper import Keeper
from stillwell_drivers.tank_model import TankParameters

FALSE_IN_READINGS = 3 * 365 * 2880.0
"""The CUSUM's false-alarm rate: one in three tank-years of readings every 30 s, as many as are
tried without a false alarm in `clean`."""
REFERENCES = (0.5, 1.0, 1.5)
"""Reference values k of the CUSUM: the best of them is taken, in its favour."""
LIMITS = (10.0, 15.0, 20.0, 30.0, 45.0, 65.0, 100.0)
"""Of the chart with k = 1, where the one by the Markov chain is not kept: a healthy tank's pours,
lamps and pauses are not the white noise that the chain reckons with."""
LEARN_S = 3 * DAY_S
SETTLE_S = DAY_S / 2
"""For so long before the fault the filter with the true parameters has followed the water."""


@dataclass(frozen=True, slots=True)
class Delay:
    """One tank: delays in minutes, inf where nothing sounded within the run."""

    seed: int
    ours: float
    band: float
    cusum: tuple[float, ...]
    """Of the filter with the true parameters, by reference value."""
    twin: tuple[float, ...]
    """Foreknowing."""
    before: int
    """What of ours stood before the fault."""
    band_before: bool
    """Whether the plain band had sounded before the fault."""
    cusum_before: tuple[bool, ...]
    """As `band_before`, of the filter with the true parameters in the hours before."""
    raised: tuple[tuple[float, bool], ...]
    """The same chart with k = 1 and each of `LIMITS`: its delay, and whether it cried before."""


def delay(job: tuple[int, str, bool]) -> Delay | None:
    """Runs one tank until all have sounded; None where the fault never could show."""
    seed, name, anywhere = job
    tank = TankParameters.drawn(seed)
    world = World(tank, seed)
    fault = FaultName(name)
    cold = fault is FaultName.NOT_HEATING
    condition = Condition.NOT_HEATING if cold else Condition.WITHOUT_END
    low = tank.setting_c - tank.differential_k / 2
    high = tank.setting_c + tank.differential_k / 2
    sigma = math.hypot(tank.probe_noise_k, 1 / 16 / math.sqrt(12))
    ours, mean = Inference(), Mean(24, 30)
    band: PlainBand | None = None
    band_before = False
    before: set[Condition] = set()
    begun: float | None = None
    shows: float | None = None
    twin: Twin | None = None
    charts = {
        name: [Cusum(k, cusum_limit(k, FALSE_IN_READINGS)) for k in REFERENCES]
        for name in ("cusum", "twin")
    }
    informed: Informed | None = None
    quiet = [Cusum(k, cusum_limit(k, FALSE_IN_READINGS)) for k in REFERENCES]
    cried = [False for _ in REFERENCES]
    raised = [Cusum(1.0, limit) for limit in LIMITS]
    raised_cried = [False for _ in LIMITS]
    heard: dict[str, float] = {}
    begin_s = LEARN_S + (seed % 97) / 97 * DAY_S
    for look in world.until(LEARN_S + 4 * DAY_S):
        reading = look.readings[0]
        assert reading.value is not None
        at, value = look.at_s, reading.value
        ours.see(at, value)
        if informed is None and at >= begin_s - SETTLE_S:
            informed = Informed(world, "water-a", value, look.state.heater_on)
        off = informed.innovation(value) if informed is not None else 0.0
        if begun is None:
            if at > begin_s - SETTLE_S / 2:
                for i, chart in enumerate(quiet):
                    cried[i] = chart.add(-off if cold else off) or cried[i]
                for i, chart in enumerate(raised):
                    raised_cried[i] = chart.add(-off if cold else off) or raised_cried[i]
            mean.add(value)
            if at > 2 * DAY_S:
                if at % 3600 == 0:
                    band = PlainBand(mean.value)
                band_before = band_before or (band is not None and band.add(at, value))
                before |= set(ours.standing)
            if at >= begin_s and (anywhere or look.state.heater_on != cold):
                begun, band = at, PlainBand(mean.value)
                raised = [Cusum(1.0, limit) for limit in LIMITS]
                twin = Twin(world, "water-a")
                world.model.inject(Fault(fault, at))
            continue
        assert twin is not None
        assert band is not None
        expected = twin.mean(at)
        sensed = world.model._sensed
        if shows is None and (sensed <= low if cold else sensed >= high):
            shows = at
        if "band" not in heard and band.add(at, value):
            heard["band"] = at
        if "ours" not in heard and condition in ours.standing:
            heard["ours"] = at
        if shows is not None:
            way = -1 if cold else 1
            for name, z in (("cusum", way * off), ("twin", way * (value - expected) / sigma)):
                for chart in charts[name]:
                    key = f"{name} {chart.k}"
                    if key not in heard and chart.add(z):
                        heard[key] = at
            for chart in raised:
                if f"h {chart.h}" not in heard and chart.add(way * off):
                    heard[f"h {chart.h}"] = at
        if len(heard) == 2 + 2 * len(REFERENCES) + len(LIMITS) or (
            shows is not None and at - shows > 2 * DAY_S
        ):
            break
    if shows is None:
        return None

    def late(key: str) -> float:
        return (heard[key] - shows) / 60 if key in heard else math.inf

    later = [(late(f"h {limit}"), said) for limit, said in zip(LIMITS, raised_cried, strict=True)]
    cusum, foreknowing = (
        tuple(late(f"{name} {k}") for k in REFERENCES) for name in ("cusum", "twin")
    )
    return Delay(
        seed,
        late("ours"),
        late("band"),
        cusum,
        foreknowing,
        len(before),
        band_before,
        tuple(cried),
        tuple(later),
    )


def quantile(values: Iterable[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def delays(seeds: Sequence[int], jobs: int, show: bool, everywhere: bool) -> None:
    print(
        "delays in minutes from the moment at which the fault can show; "
        f"seeds {seeds[0]}..{seeds[-1]}"
    )
    print(
        f"{'fault':34}{'n':>5}{'':8}{'ours':>7}{'band':>7}{'CUSUM':>7}{'ours/band':>11}"
        f"{'ours/CUSUM':>12}{'foreknowing':>13}"
    )
    for name in ("not-heating", "heating-without-end"):
        for anywhere in (False, True) if everywhere else (False,):
            with ProcessPoolExecutor(jobs) as pool:
                found = list(pool.map(delay, [(seed, name, anywhere) for seed in seeds]))
            rows = [row for row in found if row is not None]
            ks = range(len(REFERENCES))
            best = min(ks, key=lambda i: quantile((r.cusum[i] for r in rows), 0.5))
            first = min(ks, key=lambda i: quantile((r.twin[i] for r in rows), 0.5))
            label = name + (", begun anywhere" if anywhere else "")
            for text, share in (("median", 0.5), ("90 %", 0.9)):
                ours = quantile((r.ours for r in rows), share)
                band = quantile((r.band for r in rows), share)
                cusum = quantile((r.cusum[best] for r in rows), share)
                twin = quantile((r.twin[first] for r in rows), share)
                print(
                    f"{label:34}{len(rows):5}{text:>8}{ours:7.1f}{band:7.1f}{cusum:7.1f}"
                    f"{ours / band:11.2f}{ours / cusum:12.2f}{twin:13.1f}"
                )
            print(
                f"    CUSUM k={REFERENCES[best]}, "
                f"h={cusum_limit(REFERENCES[best], FALSE_IN_READINGS):.2f}; "
                f"missed by ours {sum(math.isinf(r.ours) for r in rows)}, "
                f"by the band {sum(math.isinf(r.band) for r in rows)}, "
                f"by the CUSUM {sum(math.isinf(r.cusum[best]) for r in rows)}; "
                f"sounded before the fault: ours {sum(r.before > 0 for r in rows)}, "
                f"the band {sum(r.band_before for r in rows)}, "
                f"the CUSUM {sum(r.cusum_before[best] for r in rows)} in the last hours; "
                f"never could show {len(found) - len(rows)}"
            )
            cries = sum(r.before > 0 for r in rows)
            as_quiet = [i for i in range(len(LIMITS)) if sum(r.raised[i][1] for r in rows) <= cries]
            for i in as_quiet[:1]:
                late = [quantile((r.raised[i][0] for r in rows), s) for s in (0.5, 0.9)]
                ratio = [
                    quantile((r.ours for r in rows), s) / each
                    for s, each in zip((0.5, 0.9), late, strict=True)
                ]
                print(
                    f"    the CUSUM as quiet as ours before the fault: k=1, h={LIMITS[i]:g}: "
                    f"median {late[0]:.1f}, 90 % {late[1]:.1f}; "
                    f"ours/CUSUM {ratio[0]:.2f} and {ratio[1]:.2f}"
                )
            if show:
                for row in rows:
                    print("   ", row)


# -- clean years ---------------------------------------------------------------------------------


def happenings(seed: int, days: float) -> list[Event]:
    """A year of what is no fault: every few days a heat wave, an opened window, other lamp hours, a
    pump that is cleaned; once a probe swapped for one with another zero."""
    rng = random.Random(f"{seed}/year")
    events = []
    day = 4.0
    while day < days - 4:
        start = (day + rng.random()) * DAY_S
        match rng.choice(["heat", "window", "window", "lamp", "pump", "nothing"]):
            case "heat":
                end = start + rng.uniform(2, 6) * DAY_S
                events.append(Event(EventName.HEAT_WAVE, start, end, rng.uniform(2, 4)))
            case "window":
                end = start + rng.uniform(0.3, 4) * 3600
                events.append(Event(EventName.WINDOW_OPEN, start, end, rng.uniform(2, 4)))
            case "lamp":
                end = start + rng.uniform(5, 20) * DAY_S
                events.append(
                    Event(EventName.LAMP_HOURS_MOVED, start, end, rng.choice([-2, -1, 1, 2]))
                )
            case "pump":
                end = start + rng.uniform(10, 40) * 60
                events.append(Event(EventName.PUMP_CLEANING, start, end))
        day += rng.uniform(2, 6)
    other = rng.choice([-0.25, 0.25])
    events.append(Event(EventName.PROBE_REPLACED, days * 0.55 * DAY_S, None, other, "water-a"))
    return events


def clean_tank(job: tuple[int, float, tuple[str, ...]]) -> tuple[int, float, list[str], list[str]]:
    """Runs one clean tank; returns the alarms that were false, and those that the truth bears out
    (the water really was out of the thermostat's reach)."""
    seed, days, probes = job
    tank = TankParameters() if seed == 0 else TankParameters.drawn(seed)
    keeper = Keeper(changes_noted=0.5, pours_noted=0.5, pours_missed=0.1)
    world = World(
        tank,
        seed,
        events=happenings(seed, days),
        keeper=keeper,
        channels=(*probes, "room"),
    )
    watch = HeaterWatch(HeaterPlan(probes, room="room"))
    low = tank.setting_c - tank.differential_k / 2
    high = tank.setting_c + tank.differential_k / 2
    false: list[str] = []
    borne_out: list[str] = []
    for look in world.until(days * DAY_S):
        for reading in look.readings:
            for finding in watch.see(reading):
                if not finding.active:
                    continue
                state = look.state
                text = f"day {look.at_s / DAY_S:.2f} {finding.alarm}, water {state.water_c:.2f}"
                true = (
                    finding.alarm == str(Condition.TOO_WARM) and state.water_c > high + 0.3
                ) or (finding.alarm == str(Condition.SHORT_OF_POWER) and state.water_c < low - 0.05)
                (borne_out if true else false).append(text)
    return seed, days, false, borne_out


def clean(tanks: Sequence[int], days: float, jobs: int) -> None:
    print(
        f"clean tank-days: {len(tanks)} x {days:g}, tanks {list(tanks)} (0 is the reading room's)"
    )
    both = ("water-a", "water-b")
    with ProcessPoolExecutor(jobs) as pool:
        for seed, ran, false, borne_out in pool.map(
            clean_tank, [(seed, days, both) for seed in tanks]
        ):
            print(
                f"  tank {seed}: {ran:g} days, {len(false)} false alarms, "
                f"{len(borne_out)} borne out by the truth"
            )
            for text in (*false, *(f"({text})" for text in borne_out)):
                print(f"    {text}", flush=True)


# -- what is learned -----------------------------------------------------------------------------


def learned_tank(seed: int) -> dict[str, tuple[float, bool]]:
    """Errors of what one tank's probe and room have taught in four days, and whether the 95 %
    interval holds the truth."""
    tank = TankParameters.drawn(seed)
    world = World(tank, seed, channels=("water-a", "room"))
    mind = Inference()
    offset = world.offsets["water-a"]
    first = None
    on_s = 0.0
    lows: list[float] = []
    highs: list[float] = []
    was = False
    for look in world.until(4 * DAY_S):
        water, room = (reading.value for reading in look.readings)
        assert water is not None
        mind.see(look.at_s, water, room)
        if mind.learned and first is None:
            first = look.at_s
        state = look.state
        if look.at_s == 3 * DAY_S:
            on_s = state.heater_on_s_total
        if state.heater_on != was and state.pump_on:
            (highs if was else lows).append(state.chamber_c)
        was = state.heater_on
    out = {"hours until learned": ((first or math.inf) / 3600, True)}
    if not mind.learned:
        return out
    thermostat = mind.thermostat

    def score(name: str, value: float, error: float, truth: float) -> None:
        out[name] = (value - truth, abs(value - truth) < 1.96 * error)

    middle = (statistics.median(lows) + statistics.median(highs)) / 2
    swing = statistics.median(highs) - statistics.median(lows)
    points = thermostat.points()
    score("setting, K", points["setting"][0] - offset, points["setting"][1], middle)
    score("differential, K", *points["differential"], swing)
    truth = tank.heater_w / tank.heat_capacity
    score("gain, %", thermostat.gain.mean / truth * 100, thermostat.gain_error / truth * 100, 100.0)
    duty = (world.model.state.heater_on_s_total - on_s) / DAY_S
    share = mind.duty.share(4 * DAY_S)
    if share is not None:
        score("duty", *share, duty)
    tau = thermostat.room.tau_s()
    if tau is not None:
        # The response to the room with evaporation's part: by differences of the need for heat.
        at = tank.climate.mean_c
        slope = tank.heat_need_w(at - 0.5, 45.0) - tank.heat_need_w(at + 0.5, 45.0)
        want = tank.heat_capacity / slope
        out["time constant, %"] = ((tau[0] / want - 1) * 100, tau[1] <= want <= tau[2])
    return out


def learned(seeds: Sequence[int], jobs: int) -> None:
    print(f"learned in four days; seeds {seeds[0]}..{seeds[-1]}")
    with ProcessPoolExecutor(jobs) as pool:
        rows = list(pool.map(learned_tank, seeds))
    print(f"  {'':22}{'n':>5}{'median':>9}{'5 %':>9}{'95 %':>9}{'in interval':>13}")
    for name in dict.fromkeys(key for row in rows for key in row):
        values = [row[name] for row in rows if name in row]
        errors = [value for value, _ in values]
        held = sum(ok for _, ok in values) / len(values)
        print(
            f"  {name:22}{len(values):5}{quantile(errors, 0.5):9.3f}{quantile(errors, 0.05):9.3f}"
            f"{quantile(errors, 0.95):9.3f}{held:13.0%}"
        )


def cost() -> None:
    """What a reading costs, against a call that does nothing."""
    tank = TankParameters.drawn(3)
    looks = list(World(tank, 3, channels=("water-a", "water-b", "room")).until(6 * DAY_S))
    readings = [reading for look in looks for reading in look.readings]
    watch = HeaterWatch(HeaterPlan(("water-a", "water-b"), room="room"))

    def nothing(reading: Reading) -> Iterable[object]:
        return ()

    began = time.perf_counter()
    for reading in readings:
        nothing(reading)
    bare = (time.perf_counter() - began) / len(readings)
    began = time.perf_counter()
    for reading in readings:
        watch.see(reading)
    ours = (time.perf_counter() - began) / len(readings)
    print(f"{len(readings)} readings of two probes and a room, tank 3")
    print(f"  {ours * 1e6:.1f} us a reading, {ours / bare:.0f} times an empty call")
    print(f"  state {len(watch.state())} bytes")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("what", choices=["delay", "learned", "clean", "cost"])
    parser.add_argument("--days", type=float, default=365.0)
    parser.add_argument("--tanks", type=int, nargs="*", default=[0, 1, 3])
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--show", action="store_true")
    parser.add_argument("--anywhere", action="store_true", help="also faults begun at any time")
    arguments = parser.parse_args()
    if arguments.what == "delay":
        delays(range(arguments.seeds), arguments.jobs, arguments.show, arguments.anywhere)
    elif arguments.what == "learned":
        learned(range(min(arguments.seeds, 60)), arguments.jobs)
    elif arguments.what == "clean":
        clean(arguments.tanks, arguments.days, arguments.jobs)
    else:
        cost()


if __name__ == "__main__":
    main()
