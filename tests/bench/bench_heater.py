"""How early the heater's faults are found, and how seldom for nothing.

    nice python tests/bench/bench_heater.py delay [--seeds 200] [--first 0] [--jobs 2]
    nice python tests/bench/bench_heater.py forecast [--seeds 60]
    nice python tests/bench/bench_heater.py learned [--seeds 60]
    nice python tests/bench/bench_heater.py clean [--days 365]
    nice python tests/bench/bench_heater.py cost

Prints tables; every random number comes from the seeds that are printed. Nothing is asserted.

What the delays are held against is said in `heater_delays`, how forecasts are judged in
`heater_forecasts`.
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
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from heater_delays import delays
from heater_forecasts import forecasts
from heater_world import DAY_S, Mind, World, quantile

from stillwell.estimate.heat_balance.devices import Control, Devices
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.observe.heat.plan import HeatPlan
from stillwell.observe.heat.watch import TOO_WARM, HeatWatch
from stillwell.reading import Reading
from stillwell_drivers.tank_faults import Event, EventName
from stillwell_drivers.tank_keeper import Keeper
from stillwell_drivers.tank_model import TankParameters

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


def watch_of(tank: TankParameters, probes: tuple[str, ...]) -> HeatWatch:
    devices = Devices(Control.THERMOSTAT, (tank.heater_w,), volume_l=tank.volume_ml / 1000)
    return HeatWatch(HeatPlan(probes, "room", devices=devices))


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
    watch = watch_of(tank, probes)
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
                true = (finding.alarm == TOO_WARM and state.water_c > high + 0.3) or (
                    finding.alarm == Verdict.TOO_WEAK and state.water_c < low - 0.05
                )
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
    mind = Mind(tank, room_seen=True)
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
    found = mind.answers()

    def score(name: str, of: str, truth: float, zero: float = 0.0, per: float = 1.0) -> None:
        if of in found:
            _, _, value, low, high = found[of]
            error = (value - zero) * per - truth
            out[name] = (error, (low - zero) * per <= truth <= (high - zero) * per)

    middle = (statistics.median(lows) + statistics.median(highs)) / 2
    swing = statistics.median(highs) - statistics.median(lows)
    score("setting, K", "heater.setting", middle, offset)
    score("differential, K", "heater.differential", swing)
    truth = tank.heater_w / tank.heat_capacity
    score("gain, %", "heater.gain", 100.0, per=100 / (3600 * truth))
    duty = (world.model.state.heater_on_s_total - on_s) / DAY_S
    score("duty", "heater.duty", duty)
    # The response to the room with evaporation's part: by differences of the need for heat.
    at = tank.climate.mean_c
    slope = tank.heat_need_w(at - 0.5, 45.0) - tank.heat_need_w(at + 0.5, 45.0)
    want_h = tank.heat_capacity / slope / 3600
    score("time constant, %", "heater.time-constant", 100.0, per=100 / want_h)
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
    watch = watch_of(tank, ("water-a", "water-b"))

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
    parser.add_argument("what", choices=["delay", "forecast", "learned", "clean", "cost"])
    parser.add_argument("--days", type=float, default=365.0)
    parser.add_argument("--tanks", type=int, nargs="*", default=[0, 1, 3])
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--show", action="store_true")
    parser.add_argument("--anywhere", action="store_true", help="also faults begun at any time")
    arguments = parser.parse_args()
    seeds = range(arguments.first, arguments.first + arguments.seeds)
    if arguments.what == "delay":
        delays(seeds, arguments.jobs, arguments.show, arguments.anywhere)
    elif arguments.what == "forecast":
        forecasts(seeds[:60], arguments.jobs)
    elif arguments.what == "learned":
        learned(seeds[:60], arguments.jobs)
    elif arguments.what == "clean":
        clean(arguments.tanks, arguments.days, arguments.jobs)
    else:
        cost()


if __name__ == "__main__":
    main()
