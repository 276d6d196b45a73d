"""``stillwell warm-up``: commissioning the heater, step by step."""

from __future__ import annotations

import datetime as dt
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillwell.cli.asking import ByOption, who
from stillwell.cli.console import print_json, say
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.today import now_of
from stillwell.cli.written import instant_ms

if TYPE_CHECKING:
    from stillwell.keeper.warm_up import WarmUp
    from stillwell.review import BandPlan
    from stillwell.settings import Settings
    from stillwell.store import StoreReader

LOOK_EVERY_S = 60.0
BACK_MS = 3 * 86_400_000


def add_to(app: typer.Typer) -> None:
    app.command("warm-up")(warm_up)


def warm_up(
    since: Annotated[
        str,
        typer.Option(help="When the heater was plugged in: 2026-01-31T08:00Z. First reading."),
    ] = "",
    at: Annotated[str, typer.Option(help="As it was then. Default: now, or a store's end.")] = "",
    follow: Annotated[
        bool, typer.Option("--follow", help="Stay until it is steady; tell each change.")
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
    K), and call it again after an hour.

    With --json one object: stage, mean, rate, trim, again (when to look again), text.

    Example: stillwell warm-up --follow
    """
    settings = load_settings(config)
    path = store or settings.store_path
    told = None
    while True:
        run, target = _look(path, settings, since, at)
        if run.stage != told:
            told = run.stage
            _tell(run, target, settings, as_json=as_json)
        if not follow or run.trim_k or run.stage.startswith("steady"):
            break
        time.sleep(LOOK_EVERY_S)
    if record:
        _record(path, run, target, settings, who(by), at)


def _band(settings: Settings) -> BandPlan:
    from stillwell import wire

    bands = [
        band
        for band in wire.review_plan(settings).bands
        if band.unit == "Cel" and wire.ROOM not in band.channels
    ]
    if not bands:
        fail(
            "No band on the water's temperature is configured.",
            "Add one: [band.water] with of, target and tolerance.",
        )
    return bands[0]


def _look(path: Path, settings: Settings, since: str, at: str) -> tuple[WarmUp, float]:
    from stillwell.journal import Kind
    from stillwell.keeper.warm_up import stage
    from stillwell.store import StoreReader

    band = _band(settings)
    target = (band.low + band.high) / 2
    with reporting_store_errors(), StoreReader.open(path) as reader:
        span = reader.span()
        if span is None:
            fail(f"{path} holds no readings yet.", "Start the daemon first.")
        now_ms = instant_ms(at) if at else now_of(reader)
        begun = instant_ms(since) if since else span[0]
        trims = reader.journal(begun, now_ms + 1, (Kind.HEATER_TRIM,))
        points = _points(reader, band, max(begun, now_ms - BACK_MS), now_ms)
    trimmed = trims[-1].at_ms if trims else None
    return stage(points, target, begun, now_ms, trimmed), target


def _points(
    reader: StoreReader, band: BandPlan, start_ms: int, end_ms: int
) -> list[tuple[int, float]]:
    """Ten-minute means of the band's channels, the median of them where there are several."""
    from statistics import median

    cells: dict[int, list[float]] = {}
    for name in band.channels:
        for cell in reader.ten_minutes(name, start_ms, end_ms):
            if cell.mean is not None:
                cells.setdefault(cell.start_ms, []).append(cell.mean)
    return [(at + 300_000, median(values)) for at, values in sorted(cells.items())]


def _tell(run: WarmUp, target: float, settings: Settings, *, as_json: bool) -> None:
    from stillwell.keeper.warm_up import words

    text = words(run, target, settings.tank.units)
    again = dt.datetime.fromtimestamp(run.look_again_ms / 1000, settings.tank.time_zone)
    if as_json:
        print_json(
            {
                "stage": str(run.stage),
                "mean": run.mean_c,
                "rate": run.rate_k_h,
                "trim": run.trim_k,
                "again": again.isoformat(timespec="minutes"),
                "text": text,
            }
        )
        return
    say(text)
    say(f"Look again: {again:%a %d %b %H:%M}.")


def _record(path: Path, run: WarmUp, target: float, settings: Settings, by: str, at: str) -> None:
    from stillwell import store
    from stillwell.entry import Entry
    from stillwell.journal import Kind
    from stillwell.units import Dimension, show

    if run.mean_c is None or not run.stage.startswith("steady"):
        fail("It is not steady yet: there is no outcome to record.", "Call it again later.")
    units = settings.tank.units
    text = (
        f"warm-up: {run.stage}, {show(run.mean_c, Dimension.TEMPERATURE, units)} with "
        f"{show(target, Dimension.TEMPERATURE, units)} wanted"
    )
    with reporting_store_errors():
        number = store.note(path, Entry(Kind.NOTE, instant_ms(at), text=text, by=by))
    say(f"Noted as entry {number}.")
