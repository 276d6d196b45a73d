"""The observer of heat beside the bare model of the balance, on simulated tanks that neither was
made on: ``bench_heat.py [--purpose choose|report] [--count N] [--days D] [--jobs J]
[--worlds W ...] [--kinds K ...] [--faults F ...]``.

Each line of the table is a fault on a kind of heater, both worlds together, with both watches on
the same runs. False alarms are per tank-day, by priority, and counted on the runs with a fault too;
late is told after the water had left the band or never; delays are minutes from when the fault
could show. Figures that are reported come from the seeds "report", which nothing was chosen on.

Neither watch is told how the probes are doubted or whether the pump runs: the worlds have no gauge.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import time as clock
from pathlib import Path
from typing import Protocol

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from heat_judge import Alarm, Verdict, Witness, judge, tally

from stillwell.estimate.heat_balance.devices import Control, Devices, Night
from stillwell.estimate.heat_balance.judge import Judgement
from stillwell.estimate.heat_balance.judge import Verdict as Said
from stillwell.estimate.heat_balance.means import Means
from stillwell.estimate.heat_balance.tank import TankHeat
from stillwell.observe.heat.plan import BandEdges, HeatPlan
from stillwell.observe.heat.watch import HeatWatch
from stillwell.reading import Flag, Moment, Reading
from tanks.trace import DAY_S, LAMP, ROOM, Fault, Heater, Household, Row, seeds
from tanks.worlds import WORLDS

DEVICES = "heater.", "chiller.", "room."
_MEDIUM = {Said.TOO_WEAK, Said.SETTING_MOVED}


class Watch(Protocol):
    def see(self, row: Row) -> Iterable[tuple[str, str, bool]]:
        """Takes a row; returns the alarms that changed: name, priority, whether it stands."""
        ...


class Observer:
    """The observer of the pipeline, as its settings would make it."""

    def __init__(self, household: Household) -> None:
        self._household = household
        lamp, fan = household.lamp_hours, household.fan_hours
        self._watch = HeatWatch(
            HeatPlan(
                household.probes,
                ROOM if household.room_probe else "",
                bands=(BandEdges("water", *household.band_c),),
                devices=_devices(household),
                lamp_switch=LAMP if household.lamp_switch else "",
                lamp=None if lamp is None or lamp[0] == lamp[1] else (_of(lamp[0]), _of(lamp[1])),
                fan=None if fan is None else (_of(fan[0]), _of(fan[1])),
                zone=household.zone,
            )
        )
        self._stands: dict[str, bool] = {}

    def see(self, row: Row) -> Iterable[tuple[str, str, bool]]:
        household = self._household
        now = Moment(row.at_s * 1000 + 5_000_000, household.utc_ms(row.at_s), 1)
        for name, value in row.values.items():
            flag = Flag.FAIL if value is None else Flag.PASS
            for finding in self._watch.see(Reading(name, now, value, flag)):
                known = self._stands.get(finding.alarm, False)
                if finding.active != known and finding.alarm.startswith(DEVICES):
                    self._stands[finding.alarm] = finding.active
                    yield finding.alarm, str(finding.priority.value), finding.active


class Balance:
    """The model of the balance, without an observer around it: the first probe, the room, the lamp
    and the clock."""

    def __init__(self, household: Household) -> None:
        self._household = household
        self._tank = TankHeat(_devices(household), room_seen=household.room_probe)
        self._judgement = Judgement()
        self._means = Means()
        self._room: float | None = None

    def see(self, row: Row) -> Iterable[tuple[str, str, bool]]:
        household = self._household
        self._room = row.values.get(ROOM) or self._room
        value = row.values[household.probes[0]]
        mean = None if value is None else self._means.add(row.at_s, value)
        if mean is None:
            return
        hour = household.hour(mean.at_s)
        self._tank.take(
            mean.at_s / 3600,
            mean.value,
            mean.error,
            room=self._room,
            lamp=_lit(household, hour, row),
            hour=hour,
        )
        before = set(self._judgement.since)
        if self._judgement.look(self._tank):
            after = set(self._judgement.since)
            for said in before ^ after:
                priority = "medium" if said in _MEDIUM else "high"
                yield str(said), priority, said in after


def _of(hour: float) -> clock:
    minutes = round(hour * 60) % 1440
    return clock(minutes // 60, minutes % 60)


def _devices(household: Household) -> Devices:
    kinds = {Heater.NONE: None, Heater.PROPORTIONAL: Control.PROPORTIONAL}
    night = household.night
    return Devices(
        heater=kinds.get(household.heater, Control.THERMOSTAT),
        heaters_w=household.powers_w,
        chiller=household.chiller_w is not None,
        chiller_w=household.chiller_w,
        volume_l=household.volume_l,
        night=None if night is None else Night(night[0], night[1], night[2] - household.setting_c),
        between_c=None
        if household.chiller_setting_c is None
        else (household.setting_c + household.chiller_setting_c) / 2,
    )


def _lit(household: Household, hour: float, row: Row) -> float:
    """Returns whether the lamp is on, by its switch or else by its hours."""
    switch = row.values.get(LAMP) if household.lamp_switch else None
    if switch is not None:
        return switch
    if household.lamp_hours is None:
        return 0.0
    on, off = household.lamp_hours
    return float(on <= hour < off if on <= off else hour >= on or hour < off)


@dataclass(frozen=True, slots=True)
class Job:
    world: int
    kind: Heater | None
    fault: Fault
    seed: int
    purpose: str
    days: float


def run(job: Job) -> tuple[Job, dict[str, tuple[Verdict, float]]] | None:
    """Lives one tank under both watches. Returns verdicts and CPU microseconds a row; None for a
    fault that this kind of heater can't have."""
    which = list(seeds("choose" if job.purpose == "choose" else "report", 10_000))
    try:
        life = WORLDS[job.world].run(which[job.seed], job.days, job.fault, job.kind)
    except ValueError:
        return None
    witness = Witness(life)
    watches: dict[str, Watch] = {
        "observer": Observer(life.household),
        "balance": Balance(life.household),
    }
    alarms: dict[str, list[Alarm]] = {name: [] for name in watches}
    cpu = dict.fromkeys(watches, 0.0)
    rows = 0
    for row in life:
        rows += 1
        witness.see(row)
        for name, watch in watches.items():
            begin = time.thread_time()
            changes = list(watch.see(row))
            cpu[name] += time.thread_time() - begin
            for alarm, priority, stands in changes:
                _note(alarms[name], alarm, priority, stands, row.at_s)
    known = witness.facts()
    return job, {
        name: (judge(alarms[name], known), cpu[name] / max(1, rows) * 1e6) for name in watches
    }


def _note(alarms: list[Alarm], name: str, priority: str, stands: bool, at_s: int) -> None:
    if stands:
        alarms.append(Alarm(name, priority, at_s, None))  # type: ignore[arg-type]
        return
    for i, alarm in enumerate(alarms):
        if alarm.name == name and alarm.cleared_s is None:
            alarms[i] = Alarm(name, alarm.priority, alarm.raised_s, at_s)


COLUMNS = (
    "days",
    "false high",
    "false med",
    "wrong high",
    "wrong med",
    "told",
    "late",
    "median",
    "longest",
    "taken back",
    "renamed",
    "cleared",
    "us/row",
)


def show(found: list[tuple[Job, dict[str, tuple[Verdict, float]]]], purpose: str) -> None:
    table = Table(title=f'both watches on seeds to "{purpose}"', title_justify="left")
    table.add_column("fault, heater")
    table.add_column("watch")
    for name in COLUMNS:
        table.add_column(name, justify="right")
    groups: dict[str, list[dict[str, tuple[Verdict, float]]]] = {}
    for job, verdicts in found:
        kind = "any" if job.kind is None else job.kind.value
        groups.setdefault(f"{job.fault.value}, {kind}", []).append(verdicts)
    groups["all"] = [verdicts for _, verdicts in found]
    for title, rows in groups.items():
        for name in ("observer", "balance"):
            t = tally(row[name][0] for row in rows)
            cost = sum(row[name][1] for row in rows) / len(rows)
            table.add_row(
                title if name == "observer" else "",
                name,
                f"{t.days:.0f}",
                f"{t.false_high} ({t.per_tank_day(t.false_high):.3f})",
                f"{t.false_medium} ({t.per_tank_day(t.false_medium):.3f})",
                str(t.wrong_high),
                str(t.wrong_medium),
                f"{t.told}/{t.could_show}",
                str(t.told_late),
                "" if t.delay_median_s is None else f"{t.delay_median_s / 60:.0f} min",
                "" if t.delay_longest_s is None else f"{t.delay_longest_s / 60:.0f} min",
                str(t.taken_back),
                str(t.renamed),
                f"{t.cleared}/{t.cleared + t.cleared_late}",
                f"{cost:.0f}",
            )
    Console(width=170).print(table)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--purpose", choices=("choose", "report"), default="report")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=2)
    parser.add_argument("--days", type=float, default=12.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--worlds", nargs="*", type=int, default=list(range(len(WORLDS))))
    parser.add_argument("--kinds", nargs="*", default=[h.value for h in Heater])
    parser.add_argument("--faults", nargs="*", default=[f.value for f in Fault])
    args = parser.parse_args()
    begin = time.perf_counter()
    jobs = [
        Job(
            world,
            None if kind == "any" else Heater(kind),
            Fault(fault),
            seed,
            args.purpose,
            args.days,
        )
        for fault in args.faults
        for kind in args.kinds
        for seed in range(args.first, args.first + args.count)
        for world in args.worlds
    ]
    found = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for one in pool.map(run, jobs):
            if one is not None:
                found.append(one)
                job, verdicts = one
                for name, (verdict, _) in verdicts.items():
                    odd = (*verdict.false, *verdict.wrong)
                    if odd:
                        said = ", ".join(f"{a.name} at {a.raised_s / DAY_S:.2f} d" for a in odd)
                        print(
                            f"  {job.world} {job.seed} {job.kind} {job.fault}: {name}: {said}",
                            flush=True,
                        )
    if not found:
        parser.error("No tank has one of these faults within so many days.")
    show(found, args.purpose)
    print(f"  [{time.perf_counter() - begin:.0f} s]")


if __name__ == "__main__":
    main()
