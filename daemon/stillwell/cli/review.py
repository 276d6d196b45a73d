"""``stillwell review``: shows how the night was."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from stillwell.cli.console import (
    PRIORITY_STYLE,
    print_json,
    say,
    stdout,
)
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
    store_and_plan,
)
from stillwell.cli.watch_line import watched_screen

if TYPE_CHECKING:
    from rich.text import Text

    from stillwell.calendar import Night
    from stillwell.keeper.level_now import Since
    from stillwell.review import AlarmNight, BandNight, Review, WaterNight
    from stillwell.review_plan import ReviewPlan
    from stillwell.store import StoreReader

WARN = "yellow"


def review(
    evening: Annotated[
        str, typer.Argument(help="The night that began on this date: 2026-01-31.", metavar="DATE")
    ] = "",
    last: Annotated[int, typer.Option("--last", "-n", help="The last N nights.", min=1)] = 1,
    config: ConfigOption = None,
    store: StoreOption = None,
    png: Annotated[
        Path | None,
        typer.Option(help="Draw the night into this file; of several nights, the last."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """What the night was like: water lost, level, what was done since and what to add now,
    temperature, alarms.

    Of a date without a reading it says so, and ends with 2.

    With --json one object a night, {"review": {...}}: night, start, end, bands, channels, alarms,
    odd, water; times in UTC, values in SI units (volumes in mL), durations in seconds.

    Example: stillwell review --last 7
    """
    from stillwell.cli.today import due_line, now_of
    from stillwell.keeper.gathered import since_of
    from stillwell.morning import review_of
    from stillwell.store import StoreReader

    path, plan = store_and_plan(config, store)
    with (
        watched_screen(path, as_json=as_json),
        reporting_store_errors(),
        StoreReader.open(path) as reader,
    ):
        for night in _nights(plan, evening, last, reader):
            made = review_of(reader, plan, night)
            if as_json:
                print_json({"review": made.as_dict()})
            else:
                since = since_of(reader, made.end_ms, now_of(reader))
                print_review(made, plan, path, since)
            drawn = made
        if not (as_json or evening) and (store is None or config is not None):
            say(due_line(reader, load_settings(config)), hanging=2)
        if png is not None:
            from stillwell.cli.night_chart import draw

            draw(reader, plan, drawn, png)


def _nights(plan: ReviewPlan, evening: str, last: int, reader: StoreReader) -> list[Night]:
    from stillwell.store import is_held

    if evening:
        try:
            night = plan.of(dt.date.fromisoformat(evening))
        except ValueError:
            fail(f'"{evening}" is no date.', "Write it like 2026-01-31.")
        if not _kept(plan, night, reader):
            fail(f"No reading was kept in the night of {evening}.", _span(plan, reader))
        return [night]
    times = [reading.moment.utc_ms for reading in reader.latest_readings()]
    if not times:
        fail(f"{reader.path} holds no readings yet.")
    # The last nights that the store knows of: a replayed store may have ended years ago. A channel
    # that fell silent while the clock stood in the far future must not move the review there.
    tomorrow_ms = time.time_ns() // 1_000_000 + 86_400_000
    end_ms = max([at_ms for at_ms in times if at_ms < tomorrow_ms] or times)
    ended = plan.last(end_ms + 1, last)
    if is_held(reader.path):
        return ended
    # Without a daemon the last night may stay incomplete for ever.
    return plan.within(end_ms - (last + 1) * 86_400_000, end_ms + 1)[-last:] or ended


def _kept(plan: ReviewPlan, night: Night, reader: StoreReader) -> bool:
    span = night.start_utc_ms, night.end_utc_ms
    return any(
        next(reader.readings(name, *span), None) or reader.ten_minutes(name, *span)
        for name in plan.channels
    )


def _span(plan: ReviewPlan, reader: StoreReader) -> str:
    span = reader.span()
    if span is None:
        return "None was kept at all."
    first, until = (dt.datetime.fromtimestamp(ms / 1000, ZoneInfo(plan.zone)) for ms in span)
    return f"There are readings from {first:%Y-%m-%d %H:%M} to {until:%Y-%m-%d %H:%M}."


def print_review(
    made: Review, plan: ReviewPlan, store: Path | None = None, since: Since | None = None
) -> None:
    """Prints a review for people: a heading, a paragraph and a picture per band, the alarms, what
    was odd.

    Args:
        store: holds the readings for the pictures; no pictures without.
        since: what was done since that night, and what is to be done now.
    """
    from rich.text import Text

    zone = ZoneInfo(plan.zone)

    first, until = (
        dt.datetime.fromtimestamp(ms / 1000, zone) for ms in (made.start_ms, made.end_ms)
    )
    stdout().print()
    say(Text(plan.tank, style="bold"))
    say(Text(f"Night of {first:%a %d %b %Y}, {first:%H:%M} to {until:%H:%M}", style="bold"))
    if made.water is not None:
        _print_water(made, made.water, plan, store)
        if since is not None:
            from stillwell.keeper.level_now import since_in_words

            for line in since_in_words(since, made.end_ms, plan.zone, plan.units, "Level now"):
                say(line, hanging=2)
    if made.week is not None:
        from stillwell.morning import week_in_words

        stdout().print()
        say(week_in_words(made.week, plan.units), hanging=2)
    for band in made.bands:
        stdout().print()
        say(_band(band, plan), hanging=2)
        drawn = _drawn(band, made, plan, store)
        if drawn is not None:
            stdout().print(drawn)
    stdout().print()
    if not made.alarms:
        say(Text("No alarms.", style="green"))
    for alarm in made.alarms:
        say(alarm_line(alarm, made, zone), hanging=2)
        say(alarm.what, indent=4)
    for odd in made.odd:
        say(Text(odd, style=WARN), hanging=2)


def _print_water(made: Review, water: WaterNight, plan: ReviewPlan, store: Path | None) -> None:
    """Prints the loss, the level with a picture of its night, what the numbers rest on, what was
    odd."""
    from rich.text import Text

    from stillwell.morning import water_in_words

    stdout().print()
    for line in water_in_words(water, plan.units):
        say(Text(line, style="" if water.lost else WARN), hanging=2)
    drawn = _level_drawn(made, plan, store)
    if drawn is not None:
        stdout().print(drawn)
    if water.lost is not None:
        say(Text(f"Rests on {water.lost.basis}.", style="dim"), hanging=2)
    for odd in water.odd:
        say(Text(odd, style=WARN), hanging=2)


def _level_drawn(made: Review, plan: ReviewPlan, store: Path | None) -> Text | None:
    """Returns the level's night as a picture: the gauge's ten-minute means, or the hourly estimates
    where there is no gauge."""
    from stillwell.morning import level_points
    from stillwell.store import StoreReader

    if store is None:
        return None
    with StoreReader.open(store) as reader:
        points = level_points(reader, plan, made.start_ms, made.end_ms)
    return _picture(points, made, plan, "mm")


def _band(band: BandNight, plan: ReviewPlan) -> Text:
    from rich.text import Text

    from stillwell.morning import band_in_words
    from stillwell.units import show_kept

    text = Text(band_in_words(band, plan.units), style=WARN if band.below_s or band.above_s else "")
    if band.mean is not None:
        text.append(f" Mean {show_kept(band.mean, band.unit, plan.units)}.")
    return text


def _drawn(band: BandNight, made: Review, plan: ReviewPlan, store: Path | None) -> Text | None:
    """Returns the band's night as a picture, or None where there is nothing to draw."""
    from stillwell.morning import merged
    from stillwell.review import measurand
    from stillwell.store import StoreReader

    planned = next((b for b in plan.bands if b.name == band.name), None)
    if store is None or planned is None:
        return None
    with StoreReader.open(store) as reader:
        readings = merged(reader, planned.channels, made.start_ms, made.end_ms)
        points = list(measurand(readings, planned.stale_ms))
    return _picture(points, made, plan, band.unit, (band.low, band.high))


def _picture(
    points: Sequence[tuple[int, float]],
    made: Review,
    plan: ReviewPlan,
    unit: str,
    limits: tuple[float, float] | None = None,
) -> Text | None:
    from functools import partial

    from stillwell.cli.picture import picture
    from stillwell.units import show_kept

    if not points:
        return None
    label = partial(show_kept, unit=unit, system=plan.units)
    span = made.start_ms, made.end_ms
    return picture(points, *span, limits=limits, zone=ZoneInfo(plan.zone), label=label)


def alarm_line(alarm: AlarmNight, made: Review, zone: ZoneInfo) -> Text:
    """Returns a line such as ``water.low (high): raised 01:54, still stood at 08:00.``"""
    from rich.text import Text

    def at(ms: int) -> str:
        return f"{dt.datetime.fromtimestamp(ms / 1000, zone):%H:%M}"

    began = "stood before" if alarm.raised_ms is None else f"raised {at(alarm.raised_ms)}"
    often = f" (raised {alarm.raised} times)" if alarm.raised > 1 else ""
    if alarm.returned_ms is not None:
        ended = f"over {at(alarm.returned_ms)}"
    else:
        ended = f"{alarm.state.value} at {at(made.end_ms)}"
    return Text.assemble(
        (alarm.name, PRIORITY_STYLE[alarm.priority]),
        f" ({alarm.priority.value}): {began}{often}, {ended}.",
    )
