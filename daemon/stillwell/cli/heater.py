"""``stillwell heater``: what has been learned of the heater, and how to adjust its dial."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import typer

from stillwell.cli.console import print_json, say, stdout
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    reporting_store_errors,
    store_and_plan,
)
from stillwell.cli.watch_line import EPILOG, watched_screen

if TYPE_CHECKING:
    from stillwell.cli.printed import Heater
    from stillwell.estimate.heat.trim import Trim
    from stillwell.ports import Published
    from stillwell.review import BandPlan
    from stillwell.review_plan import ReviewPlan
    from stillwell.store import StoreReader

DAY_MS = 86_400_000
NOT_LEARNED = (
    "Nothing is learned of the heater yet: it takes a day or two on which it has switched on and "
    "off several times."
)
ROWS = (
    ("heater.setting", "setting, midway between the two"),
    ("heater.switches-on", "switches on at"),
    ("heater.switches-off", "switches off at"),
    ("heater.differential", "differential"),
    ("heater.gain", "the heater's own lift"),
    ("heater.loss", "fall without it"),
    ("heater.duty", "share of the time on"),
    ("heater.duty-per-kelvin", "and more for each degree that the room is colder"),
    ("heater.time-constant", "time constant of the cooling"),
    ("heater.holds-down-to", "holds its setting down to a room of"),
)


def add_to(app: typer.Typer) -> None:
    app.command("heater", epilog=EPILOG)(heater)


@dataclass(frozen=True)
class Seen:
    """What the store knows of one tank's heater."""

    learned: dict[str, Published]
    points: list[tuple[int, float]]
    """The water of the last day, as (UTC ms, °C)."""
    end_ms: int
    band: BandPlan
    advice: Trim


def heater(
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """What was learned of the heater from the water's temperature alone, and how to trim its dial.

    With --json one object: learned (by name: value, low, high, unit), basis, time, target, advice
    (turn: wait, leave, up or down; by_k). Learned is empty until it has seen some cycles.

    Example: stillwell heater
    """
    from stillwell.store import StoreReader

    path, plan = store_and_plan(config, store)
    with watched_screen(path, as_json=as_json):
        with reporting_store_errors(), StoreReader.open(path) as reader:
            seen = learned_of(reader, plan)
        if as_json:
            print_json(_as_dict(seen))
        elif seen is None:
            say(NOT_LEARNED)
        else:
            _print(seen, plan)


def learned_of(reader: StoreReader, plan: ReviewPlan) -> Seen | None:
    """Reads what has been learned; None until something is."""
    from stillwell.estimate.heat.trim import WARM_UP_S, trim
    from stillwell.morning import merged
    from stillwell.review import measurand

    of_water = [band for band in plan.bands if band.unit == "Cel" and band.of_water]
    if not of_water:
        fail(
            "No band watches the water's temperature.",
            "Write one: [band.water], as the stillwell.toml that comes along has it.",
        )
    band = of_water[0]
    times = [r.moment.utc_ms for r in reader.latest_readings() if r.channel in band.channels]
    if not times:
        return None
    end_ms = max(times) + 1
    learned = {
        row.name: row
        for row in reader.estimates(None, end_ms - DAY_MS, end_ms)
        if row.name.startswith("heater.") and row.value is not None
    }
    if not {"heater.setting", "heater.switches-on", "heater.switches-off"} <= set(learned):
        return None
    readings = merged(reader, band.channels, end_ms - DAY_MS, end_ms)
    points = list(measurand(readings, band.stale_ms))
    lately = [value for at_ms, value in points if at_ms >= end_ms - WARM_UP_S * 1000]
    setting = learned["heater.setting"]
    advice = trim(
        (_number(setting.value), _number(setting.low), _number(setting.high)),
        (
            _number(learned["heater.switches-on"].value),
            _number(learned["heater.switches-off"].value),
        ),
        (band.low + band.high) / 2,
        lately,
    )
    return Seen(learned, points, end_ms, band, advice)


def _number(value: float | None) -> float:
    assert value is not None
    return value


def _as_dict(seen: Seen | None) -> Heater:
    from stillwell.cli.alarm_line import rfc3339

    if seen is None:
        return {"learned": {}}
    return {
        "learned": {
            name: {"value": row.value, "low": row.low, "high": row.high, "unit": row.unit}
            for name, row in sorted(seen.learned.items())
        },
        "basis": seen.learned["heater.setting"].basis,
        "time": rfc3339(seen.learned["heater.setting"].time_ms),
        "target": {"value": (seen.band.low + seen.band.high) / 2, "unit": "Cel"},
        "advice": {"turn": seen.advice.turn, "by_k": round(seen.advice.by_k, 2)},
    }


def _print(seen: Seen, plan: ReviewPlan) -> None:
    from rich.table import Table
    from rich.text import Text

    from stillwell.cli.picture import picture
    from stillwell.units import show_kept

    stdout().print()
    say(Text(plan.tank, style="bold"))
    table = Table("the heater", "", "95 % interval")
    for name, what in ROWS:
        row = seen.learned.get(name)
        if row is not None:
            table.add_row(what, *figures(row, plan))
    stdout().print(table)
    say(Text(f"Rests on {seen.learned['heater.setting'].basis}.", style="dim"))
    if any(at_ms >= seen.end_ms - DAY_MS for at_ms, _ in seen.points):
        stdout().print()
        say("The last day, and where the heater switches:")
        switches = (
            _number(seen.learned["heater.switches-on"].value),
            _number(seen.learned["heater.switches-off"].value),
        )
        stdout().print(
            picture(
                seen.points,
                seen.end_ms - DAY_MS,
                seen.end_ms,
                limits=switches,
                zone=ZoneInfo(plan.zone),
                label=partial(show_kept, unit="Cel", system=plan.units),
            )
        )
    stdout().print()
    say(advice_in_words(seen, plan), hanging=2)


def figures(row: Published, plan: ReviewPlan) -> tuple[str, str]:
    """Returns the value, and its interval."""
    from stillwell.units import Dimension, System, show

    value, low, high = (_number(x) for x in (row.value, row.low, row.high))
    if row.unit == "1/K":
        degree = 1.0 if System(plan.units) is System.METRIC else 5 / 9
        value, low, high = (x * degree for x in (value, low, high))
    if row.unit in ("1", "1/K"):
        return f"{value:.0%}", f"{max(0.0, low):.0%} to {min(1.0, high):.0%}"
    if row.unit == "h":
        return f"{value:.0f} h", f"{low:.0f} to {high:.0f} h"
    of = {"Cel": Dimension.TEMPERATURE, "K/h": Dimension.TEMPERATURE_RATE}
    said = partial(
        show, dimension=of.get(row.unit, Dimension.DIFFERENCE), system=plan.units, digits=2
    )
    return said(value), f"{said(low)} to {said(high)}"


def advice_in_words(seen: Seen, plan: ReviewPlan) -> str:
    """Returns what to do with the dial."""
    from stillwell.estimate.heat.trim import words

    target = (seen.band.low + seen.band.high) / 2
    return words(seen.advice, _number(seen.learned["heater.setting"].value), target, plan.units)
