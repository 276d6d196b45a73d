"""The whole daemon over households with a return chamber that it was not made on: ``python
tests/bench/bench_chamber.py nights|faults [--purpose choose|report] [--first N]
[--count N] [--days D] [--worlds W ...] [--kinds K ...] [--faults F ...] [--size S] [--contacts M]
[--undeclared]``.

Every household lives through the pipeline that its settings make, one reading a minute. ``nights``:
how often the interval of "water lost" held the truth, refusals with their reasons, errors, false
alarms. ``faults``: each fault on each kind that it can befall: told, how late, taken back, renamed,
what else rang. Figures that are reported come from the seeds "report", which nothing was chosen on.
Floats and switches are read every M minutes, by default every five, which is cheap; 0: as each
household does.

An automatic top-up is stated in the settings where these can be told of it, and left out where they
can't, or with --undeclared; the channels of the reservoir then are left out too.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
import numpy as np
from level_bounds import seen_loss_sd
from level_judge import Alarm, Answer, Facts, Tally, Verdict, Witness, judge, tally

from stillwell.acquire.source import SourceState
from stillwell.forward import Run as Forward
from stillwell.forward import hurry
from stillwell.notice import Priority, State, Transition
from stillwell.pipeline import Pipeline
from stillwell.reading import Failure, Sample
from stillwell.settings import ConfigError, Settings, load
from stillwell.store import StoreReader
from stillwell.wiring import assemble
from tanks.households import story
from tanks.households.story import Fault, Household, Kind, Run, befalls
from tanks.households.worlds import WORLDS
from tanks.trace import DAY_S, seeds

_BOOT = "bench"


def in_settings(household: Household, store: Path, declared: bool) -> str:
    """Returns the settings file of a household. `declared`: it states its automatic top-up."""
    surface = ""
    if household.surface_mm is not None:
        long, wide = household.surface_mm
        surface = f'[tank.surface]\nlength = "{long} mm"\nwidth = "{wide} mm"\n'
    return (
        f'[tank]\nname = "reading-room"\nzone = "{household.zone}"\n'
        f'volume = "{household.volume_l:g} L"\n{surface}'
        f'[tank.chamber]\nlength = "{household.length_mm} mm"\nwidth = "{household.width_mm} mm"\n'
        f'lowest_safe = "{household.lowest_safe_mm} mm"\n'
        f'highest_safe = "{household.highest_safe_mm} mm"\n'
        f'[tank.heater]\npower = "{household.heater_w:g} W"\n'
        f"{_top_up(household) if declared else ''}"
        f'[store]\npath = "{store}"\nkeep_raw = "400 d"\n'
        f"{''.join(_channels(household, declared))}"
    )


def _top_up(household: Household) -> str:
    top_up = household.top_up
    if top_up is None:
        return '[tank.top_up]\nkind = "by hand"\n'
    seen = "".join(
        f'{key} = "{channel}"\n'
        for key, channel in (
            ("gauge", top_up.gauge),
            ("low_float", top_up.low_float),
            ("pump", top_up.switch),
        )
        if channel
    )
    rate = f'rate = "{60 * top_up.rate_ml_min:g} mL/h"\n' if top_up.switch else ""
    return (
        '[tank.top_up]\nkind = "automatic"\n'
        f'reservoir = "{top_up.reservoir_ml / 1_000:g} L"\n'
        f'length = "{top_up.length_mm:g} mm"\nwidth = "{top_up.width_mm:g} mm"\n{seen}{rate}'
    )


def _channels(household: Household, declared: bool) -> Iterator[str]:
    """Yields the sources and their channels, by how often they are read."""
    probes = [*household.probes]
    air = [story.ROOM] * household.room + [story.HUMIDITY] * household.humidity
    top_up, contacts = household.top_up, [each.name for each in household.floats]
    stock: list[str] = []
    if top_up is not None and declared:
        stock = [name for name in (top_up.gauge, top_up.low_float) if name]
    if top_up is not None and top_up.switch:
        contacts.append(top_up.switch)
    every = household.gauge.every_s if household.gauge else 60
    for name, seconds, names in (
        ("probes", 120, probes),
        ("air", 300, air),
        ("gauge", every, [story.LEVEL] if household.gauge else []),
        ("stock", 300, stock),
    ):
        if names:
            yield f'[source.{name}]\ndriver = "trace"\nevery = "{seconds} s"\nreadings = "none"\n'
            yield f"[source.{name}.channels]\n" + "".join(f"{each} = {{}}\n" for each in names)
    if contacts:
        look = 'look = "1 s"\n' if household.looks else ""
        every = household.contacts_every_s
        yield f'[source.contacts]\ndriver = "gpio_float"\nevery = "{every} s"\n{look}'
        yield "[source.contacts.channels]\n"
        yield "".join(f'{name} = {{ line = "GPIO{5 + i}" }}\n' for i, name in enumerate(contacts))
    for name in (*probes, *([story.ROOM] if household.room else [])):
        yield f'[channel.{name}]\nquantity = "temperature"\n'
    if household.humidity:
        yield f'[channel.{story.HUMIDITY}]\nquantity = "humidity"\n'
    if household.gauge is not None:
        gauge = household.gauge
        yield f'[channel.{story.LEVEL}]\nquantity = "level"\nnoise = "{gauge.noise_mm:g} mm"\n'
        yield f'resolution = "{gauge.resolution_mm:g} mm"\n'
    for each in household.floats:
        yield f'[channel.{each.name}]\nquantity = "float"\nheight = "{each.height_mm:g} mm"\n'
        if each.differential_mm is not None:
            yield f'differential = "{each.differential_mm:g} mm"\n'
    yield from _of_the_top_up(household, declared)


def _of_the_top_up(household: Household, declared: bool) -> Iterator[str]:
    top_up = household.top_up
    if top_up is None:
        return
    if top_up.switch:
        yield f'[channel.{top_up.switch}]\nquantity = "switch"\n'
    if top_up.gauge and declared:
        yield f'[channel.{top_up.gauge}]\nquantity = "level"\n'
        yield f'noise = "{top_up.gauge_noise_mm:g} mm"\n'
        yield f'resolution = "{top_up.gauge_step_mm:g} mm"\n'
    if top_up.low_float and declared:
        yield f'[channel.{top_up.low_float}]\nquantity = "float"\n'


def settings_of(household: Household, folder: Path, undeclared: bool) -> tuple[Settings, bool]:
    """Returns the settings, and whether they know how the tank is topped up."""
    path = folder / "stillwell.toml"
    for declared in (False,) if undeclared else (True, False):
        path.write_text(in_settings(household, folder / "tank.db", declared), encoding="utf-8")
        try:
            return load(path), declared
        except ConfigError:
            if not declared:
                raise
    raise AssertionError


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a journal, as a driver's own keeper writes it."""

    utc_ms: int
    kind: str
    value: float | None
    unit: str


def samples(row: story.Row, looks: dict[str, int]) -> list[Sample]:
    """Returns a minute's values as a driver returns them."""
    return [
        Sample(name, None, Failure.SILENT)
        if value is None
        else Sample(name, value, looks=looks.get(name))
        for name, value in row.values.items()
    ]


_WANDERS_H = 3.0
"""The time in which a rate of evaporation wanders, as in `bench_level.py`."""


def bounds_ml(known: Facts) -> list[float]:
    """Returns for each night the least standard deviation with which its loss can be known: from
    the gauge's readings from a day before the night on, or from the doses and the reservoir's gauge
    and size; as restless as this household's nights are. Empty for other households."""
    hidden, top_up = known.hidden, known.household.top_up
    by_doses = top_up is not None and top_up.gauge != ""
    gauge = known.household.gauge
    if not by_doses and (gauge is None or top_up is not None):
        return []
    hours = np.array(known.hours_ml)
    inside = [hours[n.start_s // 3_600 : n.end_s // 3_600] for n in known.nights]
    stray = float(np.sqrt(np.mean([np.var(each) for each in inside])))
    found = []
    for night in known.nights:
        start, end = (night.start_s - DAY_S) / 3_600.0, night.end_s / 3_600.0
        if by_doses:
            t = np.array([at / 3_600.0 for at in known.doses_s])
            t = t[(t >= start) & (t <= end)]
            # Between two doses the reservoir is read every five minutes.
            reads = np.maximum(1.0, np.diff(t, append=end) * 12.0)
            noise = hidden.doses_ml**2 + hidden.reservoir_ml**2 / reads
        else:
            t = np.arange(max(0.0, start), end, 0.25)
            every_s = gauge.every_s if gauge else 60
            noise = np.full_like(t, hidden.gauge_ml**2 * every_s / 900.0)
        if len(t) < 3:
            continue
        window = (night.start_s / 3_600.0, end)
        share = hidden.reservoir_area if by_doses else 0.0
        own = seen_loss_sd(t, noise, window, stray, _WANDERS_H)
        found.append(float(np.hypot(own, share * night.evaporated)))
    return found


def watch(run: Run, undeclared: bool) -> tuple[Verdict, bool, float, list[float]]:
    """Lives one household under the daemon's own pipeline. Returns the verdict, whether the top-up
    was stated, the CPU seconds of the pipeline, and the bounds of its nights."""
    household, witness = run.household, Witness(run)
    rang: list[Alarm] = []

    def told(t: Transition) -> None:
        at = (t.moment.utc_ms - household.utc_ms(0)) // 1_000
        high = at if t.priority is Priority.HIGH else None
        if t.after is State.UNACKNOWLEDGED and t.event in ("raise", "unsuppress"):
            rang.append(Alarm(t.alarm, str(t.priority), at, None, high))
        elif t.event in ("clear", "suppress", "priority"):
            for index, alarm in enumerate(rang):
                if alarm.name != t.alarm or alarm.cleared_s is not None:
                    continue
                if t.event == "priority":
                    rang[index] = replace(alarm, urgent_s=alarm.urgent_s or high)
                else:
                    rang[index] = replace(alarm, cleared_s=at)

    with tempfile.TemporaryDirectory() as scratch, hurry():
        settings, declared = settings_of(household, Path(scratch), undeclared)
        store = assemble.open_store(settings, bulk=True)
        line = assemble.pipeline(settings, store, told)
        spent = _play(run, line, witness, set(settings.channel))
        with StoreReader.open(settings.store_path) as reader:
            answers = [
                Answer(
                    (row.time_ms - household.utc_ms(0)) // 1_000,
                    row.value,
                    row.low,
                    row.high,
                    row.basis,
                )
                for row in reader.estimates("night.loss")
            ]
    known = witness.facts()
    return judge(rang, answers, known), declared, spent, bounds_ml(known)


def _play(run: Run, line: Pipeline, witness: Witness, known: set[str]) -> float:
    household, spent = run.household, 0.0
    contacts = [each.name for each in household.floats] + [story.TOP_UP, story.RESERVOIR_LOW]
    looks = dict.fromkeys(contacts, household.contacts_every_s if household.looks else 1)
    forward = Forward(line, household.utc_ms(0), boot_id=_BOOT, tick_ms=60_000)
    for source in ("probes", "air", "gauge", "stock", "contacts"):
        line.source_changed(SourceState(source, up=True), 0)
    for row in run:
        witness.see(row)
        begin = time.thread_time()
        # The end of the minute that begins at the row's time.
        at = household.utc_ms(row.at_s + 60)
        given = [each for each in samples(row, looks) if each.channel in known]
        forward.take(at, "contacts", given)
        if row.notes:
            notes = [Line(household.utc_ms(n.at_s), n.kind, n.value, n.unit) for n in row.notes]
            line.write_down("keeper", notes)
        spent += time.thread_time() - begin
    forward.pass_to(household.utc_ms(run.days * DAY_S))
    forward.end()
    line.end()
    return spent


# -- tables


@dataclass(frozen=True, slots=True)
class Found:
    """One run's verdict."""

    kind: Kind
    fault: Fault
    verdict: Verdict
    declared: bool
    spent_s: float
    bounds_ml: list[float]


def lives(args: argparse.Namespace, faults: list[Fault]) -> Iterator[Found]:
    """Yields the verdicts on all households that were asked for."""
    last = args.first + args.count
    which = list(seeds("choose" if args.purpose == "choose" else "report", last))[args.first :]
    for fault in faults:
        for kind in (kind for kind in befalls(fault) if kind.value in args.kinds):
            for seed in which:
                for index in args.worlds:
                    world = WORLDS[index]
                    run = world.run(
                        seed,
                        args.days,
                        kind,
                        fault,
                        size=args.size,
                        contacts_min=args.contacts or None,
                    )
                    verdict, declared, spent, least = watch(run, args.undeclared)
                    _say(f"{world.name} {seed}", kind, run, verdict)
                    yield Found(kind, fault, verdict, declared, spent, least)


def _say(who: str, kind: Kind, run: Run, verdict: Verdict) -> None:
    """Prints how a run went."""
    known = [n.inside for n in verdict.nights if n.inside is not None]
    refused = len(verdict.nights) - len(known)
    parts = [f"{sum(known)} of {len(known)} nights inside, {refused} refused"]
    injected = run.injected
    if injected is not None:
        late = "never told" if verdict.delay_s is None else f"told {verdict.delay_s / 3_600:.1f} h"
        begins = f"{injected.onset_s / DAY_S:.2f} d"
        parts.append(f"{injected.fault} at {begins} ({injected.size:.0f}): {late}")
    outs = [n for n in verdict.nights if n.inside is False]
    worst = max(outs, key=lambda n: abs((n.answer.value or 0.0) - n.truth_ml), default=None)
    if worst is not None:
        a = worst.answer
        said = f"{a.value:.0f} ({a.low:.0f} to {a.high:.0f}), truth {worst.truth_ml:.0f}"
        parts.append(f"worst at {a.end_s / DAY_S:.1f} d: {said}")
    odd = [("false", a) for a in verdict.false] + [("wrong", a) for a in verdict.wrong]
    parts += [f"{what} {a.name} at {a.raised_s / DAY_S:.2f} d" for what, a in odd[:12]]
    print(f"  {who} {kind}: {'; '.join(parts)}", flush=True)


def _figure(value: float | None, unit: str = "", digits: int = 0) -> str:
    return "" if value is None else f"{value:.{digits}f}{unit}"


def _names(counts: Counter[str], most: int = 5) -> str:
    return ", ".join(f"{name} {n}" for name, n in counts.most_common(most))


def by_nights(found: list[Found]) -> Table:
    """Returns the table of nights and false alarms, a kind a row."""
    table = Table(title="nights without a fault, and false alarms", title_justify="left")
    columns = ("kind", "top-up stated", "tanks", "nights", "inside %", "refused %", "RMSE mL")
    for name in (
        *columns,
        "bound",
        "half-width",
        "bias",
        "false leaks a year",
        "asked a year",
        "false",
        "beside",
        "s/month",
    ):
        table.add_column(name)
    for kind in dict.fromkeys(each.kind for each in found):
        of_kind = [each for each in found if each.kind is kind]
        t = tally(each.verdict for each in of_kind)
        cost = sum(each.spent_s for each in of_kind) / max(1e-9, t.days) * 30.0
        least = [ml for each in of_kind for ml in each.bounds_ml]
        bound = float(np.sqrt(np.mean(np.square(least)))) if least else None
        share = "" if t.error_share is None else f" ({100 * t.error_share:.0f} %)"
        table.add_row(
            kind.value,
            "yes" if all(each.declared for each in of_kind) else "no",
            str(t.runs),
            str(t.nights),
            _figure(t.covered, digits=1),
            _figure(100.0 * t.refused / max(1, t.nights), digits=1),
            _figure(t.rmse_ml, digits=1) + share,
            _figure(bound, digits=1),
            _figure(t.half_ml, digits=1),
            _figure(t.bias_ml, digits=1),
            f"{t.false_a_year('level.leak'):.2f}",
            f"{t.asks * 365.25 / t.days:.1f}",
            _names(t.false),
            _names(t.beside, 3),
            f"{cost:.1f}",
        )
    return table


def by_reasons(found: list[Found]) -> Iterator[str]:
    """Yields why nights were refused, by kind."""
    for kind in dict.fromkeys(each.kind for each in found):
        t = tally(each.verdict for each in found if each.kind is kind)
        for reason, count in t.reasons.most_common(4):
            yield f"  {kind}: {count} nights: {reason}"


def by_faults(found: list[Found]) -> Table:
    """Returns the table of faults, a fault on a kind a row."""
    table = Table(title="faults", title_justify="left")
    columns = ("fault", "kind", "told", "median", "longest", "high", "taken back", "renamed")
    for name in (*columns, "twice", "wrong", "false", "nights in it: inside, refused %"):
        table.add_column(name)
    for fault, kind in dict.fromkeys((each.fault, each.kind) for each in found):
        verdicts = [e.verdict for e in found if e.fault is fault and e.kind is kind]
        t, inside = tally(verdicts), tally(verdicts, in_fault=True)
        table.add_row(
            fault.value,
            kind.value,
            f"{t.told}/{t.could_show}",
            _hours(t.delay_median_s),
            _hours(t.delay_longest_s),
            f"{t.sure}, {_hours(t.sure_median_s)}",
            str(t.taken_back),
            str(t.renamed),
            str(t.more_than_one),
            _names(t.wrong),
            _names(t.false),
            _of_nights(inside),
        )
    return table


def _hours(seconds: float | None) -> str:
    if seconds is None:
        return ""
    return f"{seconds / 60:.0f} min" if abs(seconds) < 7_200 else f"{seconds / 3_600:.1f} h"


def _of_nights(t: Tally) -> str:
    return f"{_figure(t.covered)} %, {100.0 * t.refused / max(1, t.nights):.0f} %"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=("nights", "faults"))
    parser.add_argument("--purpose", choices=("choose", "report"), default="report")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=1, help="households of each kind in a world")
    parser.add_argument("--days", type=float)
    parser.add_argument("--worlds", nargs="*", type=int, default=list(range(len(WORLDS))))
    parser.add_argument("--kinds", nargs="*", default=[kind.value for kind in Kind])
    parser.add_argument("--faults", nargs="*", default=[f.value for f in Fault if f != Fault.NONE])
    parser.add_argument("--size", type=float, help="mL/h of a leak; drawn without it")
    parser.add_argument("--contacts", type=int, default=5)
    parser.add_argument("--undeclared", action="store_true")
    args = parser.parse_args()
    begin = time.perf_counter()
    if args.what == "nights":
        args.days = args.days or 30.0
        found = list(lives(args, [Fault.NONE]))
        Console(width=200).print(by_nights(found))
        print("\n".join(by_reasons(found)))
    else:
        args.days = args.days or 12.0
        found = list(lives(args, [Fault(name) for name in args.faults]))
        Console(width=200).print(by_faults(found))
    print(f'  seeds to "{args.purpose}", [{time.perf_counter() - begin:.0f} s]')


if __name__ == "__main__":
    main()
