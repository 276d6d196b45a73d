"""``stillwell review``: what the night was like."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from stillwell.cli.console import PRIORITY_STYLE, STATE_STYLE, print_json, stdout
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    reporting_store_errors,
    store_and_plan,
)

if TYPE_CHECKING:
    from rich.console import RenderableType

    from stillwell.calendar import Night
    from stillwell.morning import ReviewPlan
    from stillwell.review import Review
    from stillwell.store import StoreReader


def add_to(app: typer.Typer) -> None:
    app.command("review")(review)


def review(
    evening: Annotated[
        str, typer.Argument(help="The night that began on this date: 2026-01-31.", metavar="[DATE]")
    ] = "",
    last: Annotated[int, typer.Option("--last", "-n", help="The last N nights.", min=1)] = 1,
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """What the night was like: range, time outside the band, alarms.

    Example: stillwell review --last 7
    """
    from stillwell.morning import review_of
    from stillwell.store import StoreReader

    path, plan = store_and_plan(config, store)
    with reporting_store_errors():
        reader = StoreReader.open(path)
        try:
            for night in _nights(plan, evening, last, reader):
                made = review_of(reader, plan, night)
                if as_json:
                    print_json({"review": made.as_dict()})
                else:
                    print_review(made, plan, path)
        finally:
            reader.close()


def _nights(plan: ReviewPlan, evening: str, last: int, reader: StoreReader) -> list[Night]:
    if evening:
        try:
            return [plan.of(dt.date.fromisoformat(evening))]
        except ValueError:
            fail(f'"{evening}" is no date.', "Write it like 2026-01-31.")
    newest = reader.latest_readings()
    if not newest:
        fail(f"{reader.path} holds no readings yet.")
    # The last night that the store knows of: a replayed store may have ended years ago.
    return plan.last(max(reading.moment.utc_ms for reading in newest) + 1, last)


def print_review(made: Review, plan: ReviewPlan, store: Path | None = None) -> None:
    """For people: a panel a night."""
    from rich.console import Group
    from rich.panel import Panel

    zone = ZoneInfo(plan.zone)
    start, end = (dt.datetime.fromtimestamp(ms / 1000, zone) for ms in (made.start_ms, made.end_ms))
    title = f"{plan.tank}, night of {start:%a %d %b %Y}, {start:%H:%M} to {end:%H:%M}"
    parts: list[RenderableType] = [_bands(made, plan)]
    if store is not None:
        parts += _pictures(made, plan, store)
    parts.append(_alarms(made, zone))
    parts += [f"[yellow]{line}[/]" for line in made.odd]
    stdout().print(Panel(Group(*parts), title=title))


def _bands(made: Review, plan: ReviewPlan) -> RenderableType:
    from rich.table import Table

    from stillwell.morning import value_in_words
    from stillwell.units import Dimension, show

    table = Table("", "lowest", "mean", "highest", "below", "above", "seen", box=None)
    for band in made.bands:
        low, mean, high, limit_low, limit_high = (
            value_in_words(value, band.unit, plan.units)
            for value in (band.lowest, band.mean, band.highest, band.low, band.high)
        )
        below, above = (
            show(seconds, Dimension.DURATION) if seconds else "never"
            for seconds in (band.below_s, band.above_s)
        )
        seen = f"{band.seen_s / band.night_s:.0%}" if band.night_s else "–"
        table.add_row(
            band.name, low, mean, high, f"{limit_low}: {below}", f"{limit_high}: {above}", seen
        )
    return table


def _pictures(made: Review, plan: ReviewPlan, store: Path) -> list[RenderableType]:
    from functools import partial
    from heapq import merge

    from stillwell.cli.picture import picture
    from stillwell.morning import value_in_words
    from stillwell.review import measurand
    from stillwell.store import StoreReader

    drawn: list[RenderableType] = []
    reader = StoreReader.open(store)
    try:
        for band in plan.bands:
            readings = merge(
                *(reader.readings(c, made.start_ms, made.end_ms) for c in band.channels),
                key=lambda reading: reading.moment.utc_ms,
            )
            points = list(measurand(readings, band.stale_ms))
            if points:
                drawn.append(
                    picture(
                        points,
                        made.start_ms,
                        made.end_ms,
                        limits=(band.low, band.high),
                        zone=ZoneInfo(plan.zone),
                        label=partial(value_in_words, unit=band.unit, units=plan.units),
                    )
                )
    finally:
        reader.close()
    return drawn


def _alarms(made: Review, zone: ZoneInfo) -> RenderableType:
    from rich.table import Table
    from rich.text import Text

    if not made.alarms:
        return Text("No alarms.", style="green")
    table = Table("alarm", "raised", "returned", "now", "what it said", box=None)
    for alarm in made.alarms:
        raised, returned = (
            "–" if ms is None else f"{dt.datetime.fromtimestamp(ms / 1000, zone):%H:%M}"
            for ms in (alarm.raised_ms, alarm.returned_ms)
        )
        table.add_row(
            Text(alarm.name, style=PRIORITY_STYLE[alarm.priority]),
            raised if alarm.raised_ms is not None else "before",
            returned,
            Text(alarm.state.value, style=STATE_STYLE[alarm.state]),
            alarm.text,
        )
    return table
