"""``stillwell heater``: what has been learned of the tank's heat, and how to adjust the dial."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from stillwell.cli.console import print_json, say, stdout
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    reporting_store_errors,
    store_and_plan,
)
from stillwell.cli.watch_line import watched_screen

if TYPE_CHECKING:
    from stillwell.cli.printed import Heater
    from stillwell.estimate.trim import Trim
    from stillwell.ports import Published
    from stillwell.review import BandPlan
    from stillwell.review_plan import ReviewPlan
    from stillwell.store import StoreReader

DAY_MS = 86_400_000
HOLDS = "heater.holds-down-to"
NOT_LEARNED = (
    "Nothing is learned of it yet: it takes a day or two on which the heater, or the chiller, has "
    "switched on and off several times."
)
NO_DEVICE = "The settings name no heater and no chiller, so neither is watched."
NAME_ONE = 'Write one under [tank]: [tank.heater], and below it power = "75 W".'
ROWS = (
    ("heater.setting", "setting of the heater"),
    ("heater.switches-on", "switches on at"),
    ("heater.switches-off", "switches off at"),
    ("heater.differential", "differential"),
    ("heater.gain", "the heater's own lift"),
    ("heater.loss", "fall without it"),
    ("heater.duty", "share of its full heat"),
    ("heater.duty-per-kelvin", "and more for each degree that the room is colder"),
    ("heater.time-constant", "time constant of the cooling"),
    ("lamp.gain", "the lamp's lift"),
    ("chiller.setting", "setting of the chiller"),
    ("chiller.switches-on", "chiller switches on at"),
    ("chiller.switches-off", "chiller switches off at"),
    ("chiller.differential", "differential of the chiller"),
    ("chiller.gain", "the chiller's own fall"),
    ("chiller.duty", "share of the time that it cools"),
)
BALANCE = (
    ("heat.heater", "heater"),
    ("heat.lamp", "lamp"),
    ("heat.chiller", "chiller"),
    ("heat.room", "room"),
    ("heat.evaporation", "evaporation, less the pump's heat"),
)
"""Where the heat of a day came from and went to."""
_SHORTEST, _BAR = 34, 30
"""Of a bar's name, and of the longest bar, in characters."""


@dataclass(frozen=True)
class Seen:
    """What the store knows of one tank's heat."""

    learned: dict[str, Published]
    points: list[tuple[int, float]]
    """The water of the last day, as (UTC ms, °C)."""
    end_ms: int
    band: BandPlan
    advice: Trim | None
    """None without a heater."""

    @property
    def main(self) -> str:
        """Returns the device that is shown first."""
        return "heater" if "heater.setting" in self.learned else "chiller"

    @property
    def looks_like(self) -> str:
        """Returns how the heater is controlled by what was learned; empty without one."""
        if self.main != "heater":
            return ""
        return "thermostat" if "heater.switches-on" in self.learned else "proportional"


def heater(
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """What was learned of the tank's heat from its temperature alone: heater, chiller, lamp and
    room; and how to trim the heater's dial.

    With --json one object: learned (by name: value, low, high, unit), basis, time, target,
    looks_like, advice (turn: wait, leave, up or down; by_k). Learned is empty until it has seen
    some cycles.

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
            say(nothing(plan))
        else:
            _print(seen, plan)


def learned_of(reader: StoreReader, plan: ReviewPlan) -> Seen | None:
    """Reads what has been learned; None until something is."""
    from stillwell.estimate.trim import WARM_UP_S, trim
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
    shown = {name for name, _ in (*ROWS, *BALANCE)} | {HOLDS}
    learned = {
        row.name: row
        for row in reader.estimates(None, end_ms - DAY_MS, end_ms)
        if row.name in shown and row.value is not None
    }
    if not {"heater.setting", "chiller.setting"} & set(learned):
        return None
    readings = merged(reader, band.channels, end_ms - DAY_MS, end_ms)
    points = list(measurand(readings, band.stale_ms))
    lately = [value for at_ms, value in points if at_ms >= end_ms - WARM_UP_S * 1000]
    advice = None
    if "heater.setting" in learned:
        setting = learned["heater.setting"]
        value, low, high = (_number(x) for x in (setting.value, setting.low, setting.high))
        switches = _switches(learned, "heater")
        advice = trim((value, low, high), switches, (band.low + band.high) / 2, lately)
    return Seen(learned, points, end_ms, band, advice)


def nothing(plan: ReviewPlan) -> str:
    """Returns why nothing is learned."""
    return NOT_LEARNED if plan.chiller or plan.heater is not None else f"{NO_DEVICE} {NAME_ONE}"


def _switches(learned: Mapping[str, Published], device: str) -> tuple[float, float]:
    """Returns between which temperatures a device holds the water, °C: where it switches, or else
    within which its setting is known."""
    ends = [learned.get(f"{device}.switches-{end}") for end in ("on", "off")]
    if None in ends:
        setting = learned[f"{device}.setting"]
        return _number(setting.low), _number(setting.high)
    low, high = sorted(_number(end.value) for end in ends if end is not None)
    return low, high


def _number(value: float | None) -> float:
    assert value is not None
    return value


def _as_dict(seen: Seen | None) -> Heater:
    from stillwell.cli.alarm_line import rfc3339

    if seen is None:
        return {"learned": {}}
    setting = seen.learned[f"{seen.main}.setting"]
    out: Heater = {
        "learned": {
            name: {"value": row.value, "low": row.low, "high": row.high, "unit": row.unit}
            for name, row in sorted(seen.learned.items())
        },
        "basis": setting.basis,
        "time": rfc3339(setting.time_ms),
        "target": {"value": (seen.band.low + seen.band.high) / 2, "unit": "Cel"},
    }
    if seen.advice is not None:
        out["looks_like"] = seen.looks_like
        out["advice"] = {"turn": seen.advice.turn, "by_k": round(seen.advice.by_k, 2)}
    return out


def _print(seen: Seen, plan: ReviewPlan) -> None:
    from rich.table import Table
    from rich.text import Text

    from stillwell.cli.picture import picture
    from stillwell.units import show_kept

    stdout().print()
    say(Text(plan.tank, style="bold"))
    table = Table("the tank's heat", "", "95 % interval")
    for name, what in ROWS:
        row = seen.learned.get(name)
        if row is not None:
            table.add_row(what, *figures(row, plan))
    stdout().print(table)
    say(Text(f"Rests on {seen.learned[f'{seen.main}.setting'].basis}.", style="dim"))
    if any(at_ms >= seen.end_ms - DAY_MS for at_ms, _ in seen.points):
        stdout().print()
        say(f"The last day, and where the {seen.main} holds it:")
        stdout().print(
            picture(
                seen.points,
                seen.end_ms - DAY_MS,
                seen.end_ms,
                limits=_switches(seen.learned, seen.main),
                zone=ZoneInfo(plan.zone),
                label=partial(show_kept, unit="Cel", system=plan.units),
            )
        )
    for line in balance(seen):
        say(Text(line))
    stdout().print()
    for line in told(seen, plan):
        say(line, hanging=2)


def balance(seen: Seen) -> list[str]:
    """Returns where the heat of the last day came from (to the right) and went to, a bar each;
    empty where it is not known."""
    rows = [(what, seen.learned[name]) for name, what in BALANCE if name in seen.learned]
    most = max((abs(_number(row.value)) for _, row in rows), default=0.0)
    if not most > 0:
        return []
    lines = ["", "Where the heat of the last day came from, and where it went:"]
    for what, row in rows:
        watts = _number(row.value)
        bar = "█" * max(1, round(abs(watts) / most * _BAR))
        span = f"{watts:+.0f} W ({_number(row.low):+.0f} to {_number(row.high):+.0f})"
        lines.append(f"{what:<{_SHORTEST}}{'in ' if watts >= 0 else 'out'} {bar} {span}")
    return lines


def told(seen: Seen, plan: ReviewPlan) -> list[str]:
    """Returns what follows from it, in sentences: the reserve, what to do with the dial, and what
    the settings should say."""
    from stillwell.units import Dimension, show

    lines = []
    holds = seen.learned.get(HOLDS)
    if holds is not None:
        setting, *room = (
            show(_number(each), Dimension.TEMPERATURE, plan.units, digits)
            for each, digits in (
                (seen.learned["heater.setting"].value, 1),
                *((x, 0) for x in (holds.value, holds.low, holds.high)),
            )
        )
        lines.append(
            f"The heater holds {setting} down to a room of about {room[0]} ({room[1]} to "
            f"{room[2]}), with the lamp off."
        )
    if seen.advice is not None:
        lines.append(advice_in_words(seen, seen.advice, plan))
    if seen.looks_like and plan.heater is not None and plan.heater != seen.looks_like:
        # A thermostat that switches within less than a probe can see looks like control.
        said = f', and not "{plan.heater}"' if plan.heater else ""
        lines.append(
            f"This tank's heat looks like {_LIKE[seen.looks_like]}: if it is, say so in the "
            f'settings, kind = "{seen.looks_like}"{said} under [tank.heater].'
        )
    return lines


_LIKE = {"thermostat": "a thermostat's", "proportional": "a proportional controller's"}


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


def advice_in_words(seen: Seen, advice: Trim, plan: ReviewPlan) -> str:
    """Returns what to do with the dial."""
    from stillwell.estimate.trim import words

    target = (seen.band.low + seen.band.high) / 2
    return words(advice, _number(seen.learned["heater.setting"].value), target, plan.units)
