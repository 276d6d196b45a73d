"""``stillwell warm-up``: commissioning the heater, step by step."""

from __future__ import annotations

import datetime as dt
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillwell.cli.alarm_line import rfc3339
from stillwell.cli.asking import ByOption, who
from stillwell.cli.console import print_json, quantity, say
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.watch_line import watched_screen
from stillwell.cli.written import instant_ms

if TYPE_CHECKING:
    from stillwell.cli import printed
    from stillwell.keeper.warm_up import WarmUp
    from stillwell.review import BandPlan
    from stillwell.settings import Settings
    from stillwell.store import StoreReader

LOOK_EVERY_S = 60.0
BACK_MS = 3 * 86_400_000


def warm_up(
    since: Annotated[
        str,
        typer.Option(help="When the heater was plugged in: 2026-01-31T08:00Z. First reading."),
    ] = "",
    at: Annotated[str, typer.Option(help="As it was then. Default: now, or a store's end.")] = "",
    follow: Annotated[
        bool,
        typer.Option("--follow", help="Stay until the dial is right: tell each change, record it."),
    ] = False,
    record: Annotated[
        bool, typer.Option("--record", help="Put the outcome into the journal once it is steady.")
    ] = False,
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Set a new heater: say when the water is steady, which way to turn the dial, when to look.

    Let the tank warm for two or three hours, trim as told, note it (stillwell note heater-trim 0.5
    K), and call it again after an hour; or let it stay with --follow, which does the waiting.

    With --json one object: time, stage, mean, rate, trim, again (when to look again), text.

    Example: stillwell warm-up --follow
    """
    from stillwell.keeper.warm_up import Guide, Stage

    settings = load_settings(config)
    path = store or settings.store_path
    guide = Guide()
    with watched_screen(path, as_json=as_json):
        while True:
            seen = _look(path, settings, since, at)
            if guide.tells(seen.run, seen.trimmed_ms, seen.now_ms):
                _tell(seen, settings, as_json=as_json)
            if not follow or seen.run.stage is Stage.DONE:
                break
            time.sleep(LOOK_EVERY_S)
        if record or follow:
            _record(path, seen, settings, who(by))


@dataclass(frozen=True)
class _Seen:
    """The values of one look."""

    run: WarmUp
    target_c: float
    now_ms: int
    trimmed_ms: int | None
    low_alarm: str
    """The name of the alarm about cold water, if it stands and nobody has shelved it."""


def _band(settings: Settings) -> BandPlan:
    from stillwell.wiring.plans.review import review_plan

    bands = [band for band in review_plan(settings).bands if band.unit == "Cel" and band.of_water]
    if not bands:
        fail(
            "No band on the water's temperature is configured.",
            "Add one: [band.water] with of, target and tolerance.",
        )
    return bands[0]


def _look(path: Path, settings: Settings, since: str, at: str) -> _Seen:
    from stillwell.journal import Kind
    from stillwell.keeper.warm_up import stage
    from stillwell.store import StoreReader

    band = _band(settings)
    target = (band.low + band.high) / 2
    with reporting_store_errors(), StoreReader.open(path) as reader:
        span = reader.span()
        # The time of the last reading counts: a store may be one of yesterday, or of a clock that
        # runs fast.
        latest = [r.moment.utc_ms for r in reader.latest_readings() if r.channel in band.channels]
        if span is None or not latest:
            fail(f"{path} holds no readings of the water yet.", "Start the daemon first.")
        now_ms = instant_ms(at) if at else max(latest)
        begun = instant_ms(since) if since else span[0]
        trims = reader.journal(begun, now_ms + 1, (Kind.HEATER_TRIM,))
        points = _points(reader, band, max(begun, now_ms - BACK_MS), now_ms)
        low_alarm = "" if at else _cold_alarm(reader, f"{band.name}.low")
    trimmed = trims[-1].at_ms if trims else None
    return _Seen(stage(points, target, begun, now_ms, trimmed), target, now_ms, trimmed, low_alarm)


def _cold_alarm(reader: StoreReader, name: str) -> str:
    from stillwell.notice import State

    calling = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
    standing = any(t.alarm == name and t.active and t.after in calling for t in reader.alarms())
    return name if standing else ""


def _points(
    reader: StoreReader, band: BandPlan, start_ms: int, end_ms: int
) -> list[tuple[int, float]]:
    """Returns ten-minute means of the band's channels, the median of them if there are several."""
    from statistics import median

    cells: dict[int, list[float]] = {}
    for name in band.channels:
        for cell in reader.ten_minutes(name, start_ms, end_ms):
            if cell.mean is not None:
                cells.setdefault(cell.start_ms, []).append(cell.mean)
    return [(at + 300_000, median(values)) for at, values in sorted(cells.items())]


def _tell(seen: _Seen, settings: Settings, *, as_json: bool) -> None:
    from stillwell.keeper.warm_up import words

    run = seen.run
    text = words(run, seen.target_c, settings.tank.units)
    now, again = (
        dt.datetime.fromtimestamp(ms / 1000, settings.tank.time_zone)
        for ms in (seen.now_ms, run.look_again_ms)
    )
    if as_json:
        told: printed.WarmUp = {
            "time": rfc3339(seen.now_ms),
            "stage": str(run.stage),
            "mean": quantity(run.mean_c, "Cel"),
            "rate": quantity(run.rate_k_h, "K/h"),
            "trim": quantity(run.trim_k, "K"),
            "again": rfc3339(run.look_again_ms),
            "text": text,
        }
        print_json(told)
        return
    say(f"{now:%a %d %b %H:%M}. {text}", hanging=2)
    quiet = _quiet(seen)
    if quiet:
        say(quiet, hanging=2)
    say(f"Look again: {again:%a %d %b %H:%M}.")


def _quiet(seen: _Seen) -> str:
    """Returns how to keep quiet the alarm that says, rightly, that the water is cold."""
    from math import ceil

    from stillwell.keeper.warm_up import hours_to

    hours = hours_to(seen.run, seen.target_c)
    if not seen.low_alarm or hours is None:
        return ""
    return (
        f"{seen.low_alarm} stands, as it must, and repeats until it is answered. Quiet until then: "
        f'stillwell shelve {seen.low_alarm} --for "{ceil(hours) + 1} h"'
    )


def _record(path: Path, seen: _Seen, settings: Settings, by: str) -> None:
    from stillwell import store
    from stillwell.entry import Entry
    from stillwell.journal import Kind
    from stillwell.units import Dimension, show

    run = seen.run
    if run.mean_c is None or not run.stage.startswith("steady"):
        fail("It is not steady yet: there is no outcome to record.", "Call it again later.")
    units = settings.tank.units
    text = (
        f"warm-up: {run.stage}, {show(run.mean_c, Dimension.TEMPERATURE, units)} with "
        f"{show(seen.target_c, Dimension.TEMPERATURE, units)} wanted"
    )
    with reporting_store_errors():
        number = store.note(path, Entry(Kind.NOTE, seen.now_ms, text=text, by=by))
    say(f"Noted as entry {number}.")
