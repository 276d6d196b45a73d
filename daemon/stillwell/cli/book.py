"""``stillwell book``: some weeks of the tank and of its keeper in one picture."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stillwell.cli.alarm_line import rfc3339
from stillwell.cli.console import print_json, say, stdout
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.today import now_of
from stillwell.cli.watch_line import watched_screen

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from rich.text import Text

    from stillwell.cli.printed import Book
    from stillwell.entry import Entry
    from stillwell.observe.plan import BookPlan
    from stillwell.review_plan import ReviewPlan
    from stillwell.settings import Settings
    from stillwell.store import StoreReader, TenMinutes

DAY_MS = 86_400_000
USUAL_DAYS = 30
LONGEST_DAYS = 3660
CELL_MS = 600_000
UNSEEN = 0.05
"""A day with no more than this share missing counts as seen (our own choice)."""
MOST_POINTS = 400
"""The most points of the salinity's line."""


@dataclass(frozen=True)
class Day:
    """A measurand's day: what its mean does not show."""

    at_ms: int
    """Noon."""
    lowest: float | None
    highest: float | None
    """The highest of the good readings; None where there were none."""
    seen: float
    """The share of the day with good readings."""


@dataclass(frozen=True)
class Weeks:
    """What the picture shows."""

    start_ms: int
    end_ms: int
    warm: dict[str, list[tuple[int, float]]]
    """Daily means of each measurand, as (UTC ms, value)."""
    days: dict[str, list[Day]]
    """The days of each measurand, including days without a reading."""
    salinity: list[tuple[int, float, float, float]]
    """Salinity by the balance, one row per day (UTC ms, value, low, high)."""
    entries: list[Entry]
    alarms: list[tuple[int, str]]


def book(
    begin: Annotated[
        str, typer.Option("--from", help="From this day on: 2026-01-31. A month without.")
    ] = "",
    to: Annotated[str, typer.Option(help="Up to this day: 2026-02-28. Today without.")] = "",
    png: Annotated[
        Path | None, typer.Option(help="Draw it into this file (needs matplotlib).")
    ] = None,
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """The weeks in one picture: water, salinity with its interval, tests, and what was done.

    With --json one object: start, end, water, salinity, tests, done (how often each kind), alarms.

    Example: stillwell book --from 2026-01-01 --to 2026-01-31 --png january.png
    """
    from stillwell.store import StoreReader
    from stillwell.wiring.plans.book import book_plan
    from stillwell.wiring.plans.review import review_plan

    settings = load_settings(config)
    plan, kept = review_plan(settings), book_plan(settings)
    path = store or settings.store_path
    with watched_screen(path, as_json=as_json):
        with reporting_store_errors(), StoreReader.open(path) as reader:
            start_ms, end_ms = _span(begin, to, settings, reader)
            weeks = read(reader, plan, kept, start_ms, end_ms)
        if png is not None:
            from stillwell.cli.book_chart import draw

            draw(weeks, plan, kept, png)
        if as_json:
            print_json(_as_dict(weeks))
        else:
            _show(weeks, settings, plan, kept)
            if png is not None:
                say(f"Drawn into {png}.")


def _span(begin: str, to: str, settings: Settings, reader: StoreReader) -> tuple[int, int]:
    zone = settings.tank.time_zone
    end = _day(to, zone) + dt.timedelta(days=1) if to else None
    end_ms = now_of(reader) + 1 if end is None else round(end.timestamp() * 1000)
    last = dt.datetime.fromtimestamp(end_ms / 1000, zone)
    start = _day(begin, zone) if begin else last - dt.timedelta(days=USUAL_DAYS)
    start_ms = round(start.timestamp() * 1000)
    if not 0 < end_ms - start_ms <= LONGEST_DAYS * DAY_MS:
        fail("There is no such time.", "The first day comes before the last, ten years at most.")
    return start_ms, end_ms


def _day(text: str, zone: dt.tzinfo) -> dt.datetime:
    try:
        return dt.datetime.combine(dt.date.fromisoformat(text), dt.time(0), zone)
    except ValueError:
        fail(f'"{text}" is no date.', "Write it like 2026-01-31.")


def read(
    reader: StoreReader, plan: ReviewPlan, kept: BookPlan, start_ms: int, end_ms: int
) -> Weeks:
    """Reads what the picture shows of a time."""
    from stillwell.estimate.salt.balance import salinity_estimate
    from stillwell.journal import salt_events, standing
    from stillwell.keeper.gathered import daily
    from stillwell.observe.balance import LOOK_BACK_MS, salt_states

    warm: dict[str, list[tuple[int, float]]] = {}
    days: dict[str, list[Day]] = {}
    raw = reader.span()
    watched = reader.began() or end_ms, raw[1] if raw else end_ms
    for band in plan.bands:
        cells = [c for name in band.channels for c in reader.ten_minutes(name, start_ms, end_ms)]
        days[band.name], warm[band.name] = _days(cells, start_ms, end_ms, watched)
    before = reader.journal(start_ms - LOOK_BACK_MS, end_ms)
    level = daily(reader, start_ms - LOOK_BACK_MS, end_ms)
    told = (e.t_ms for e in (*salt_events(standing(before)), *level))
    # The figures of the level are kept for some months only. Without them, and after the last
    # entry, nothing tells how much had evaporated in a time that is past.
    past = end_ms <= (reader.newest_ms() or 0)
    known_ms = max(told, default=0) + DAY_MS if past else end_ms
    salinity = []
    step_ms = DAY_MS * max(1, (end_ms - start_ms) // DAY_MS // MOST_POINTS)
    times = [min(at, end_ms) for at in range(start_ms + step_ms, end_ms + step_ms, step_ms)]
    for state in salt_states(before, level, kept.salt, times):
        if state.checks and state.t_ms <= known_ms:
            answer = salinity_estimate(state, state.t_ms)
            salinity.append((state.t_ms, answer.value, answer.low, answer.high))
    alarms = [
        (t.moment.utc_ms, t.alarm)
        for t in reader.transitions(start_ms, end_ms)
        if t.event == "raise" and t.alarm != "drill"
    ]
    entries = [e for e in before if e.at_ms >= start_ms]
    return Weeks(start_ms, end_ms, warm, days, salinity, entries, alarms)


def _days(
    cells: Iterable[TenMinutes], start_ms: int, end_ms: int, watched: tuple[int, int]
) -> tuple[list[Day], list[tuple[int, float]]]:
    """Returns each day of a measurand, and the means of those that were seen. Of several channels
    the median counts, as it does for the alarms. Time before or after the time that was `watched`
    does not count as missing."""
    from bisect import bisect_left
    from statistics import fmean, median

    by_start: dict[int, list[TenMinutes]] = {}
    for cell in cells:
        if cell.mean is not None:
            by_start.setdefault(cell.start_ms, []).append(cell)
    starts = sorted(by_start)
    days, means = [], []
    for begin in range(start_ms, end_ms, DAY_MS):
        until = min(begin + DAY_MS, end_ms)
        lasted = min(until, watched[1]) - max(begin, watched[0])
        if lasted <= 0:
            continue
        of_day = starts[bisect_left(starts, begin) : bisect_left(starts, until)]
        seen = [by_start[at] for at in of_day]
        share = min(1.0, len(seen) * CELL_MS / lasted)
        lowest, highest, mean = (
            [median(getattr(c, of) for c in part) for part in seen] for of in ("min", "max", "mean")
        )
        at_ms = begin + DAY_MS // 2
        days.append(Day(at_ms, min(lowest, default=None), max(highest, default=None), share))
        if mean:
            means.append((at_ms, fmean(mean)))
    return days, means


def tests_of(weeks: Weeks, kind: str) -> list[tuple[int, float]]:
    return [(e.at_ms, e.value) for e in weeks.entries if e.kind == kind and e.value is not None]


def done_of(weeks: Weeks) -> dict[str, int]:
    from collections import Counter

    return dict(sorted(Counter(e.kind for e in weeks.entries).items()))


def _as_dict(weeks: Weeks) -> Book:
    return {
        "start": rfc3339(weeks.start_ms),
        "end": rfc3339(weeks.end_ms),
        "water": {
            name: [(rfc3339(at), value) for at, value in points]
            for name, points in weeks.warm.items()
        },
        "salinity": [(rfc3339(at), v, low, high) for at, v, low, high in weeks.salinity],
        "tests": {
            kind: [(rfc3339(at), value) for at, value in tests_of(weeks, kind)]
            for kind in ("ammonia", "nitrite", "nitrate", "ph")
        },
        "done": done_of(weeks),
        "alarms": [(rfc3339(at), name) for at, name in weeks.alarms],
    }


def _show(weeks: Weeks, settings: Settings, plan: ReviewPlan, kept: BookPlan) -> None:
    from functools import partial

    from rich.text import Text

    from stillwell.units import show_kept

    zone = settings.tank.time_zone
    first, last = (
        dt.datetime.fromtimestamp(ms / 1000, zone) for ms in (weeks.start_ms, weeks.end_ms - 1)
    )
    say(Text(f"{plan.tank}: {first:%d %b %Y} to {last:%d %b %Y}", style="bold"))
    for band in plan.bands:
        points = weeks.warm[band.name]
        label = partial(show_kept, unit=band.unit, system=plan.units)
        _picture(band.name.capitalize(), points, weeks, (band.low, band.high), zone, label)
        say(behind_the_means(weeks.days[band.name], zone, label), hanging=2)
    salinity = [(at, value) for at, value, _, _ in weeks.salinity]
    limits = kept.salinity_low, kept.salinity_high
    _picture("Salinity, ppt", salinity, weeks, limits, zone, "{:.1f}".format)
    for kind in ("ammonia", "nitrite"):
        points = tests_of(weeks, kind)
        if points:
            values = ", ".join(f"{value:.2g}" for _, value in points)
            say(f"{kind.capitalize()}, mg/L as N: {values}.", hanging=2)
    done = ", ".join(f"{kind} {count}" for kind, count in done_of(weeks).items())
    say(f"In the journal: {done or 'nothing'}.", hanging=2)
    names = ", ".join(dict.fromkeys(name for _, name in weeks.alarms))
    count = len(weeks.alarms)
    say(f"Alarms: {f'{count} ({names})' if count else 'none'}.", hanging=2)


def behind_the_means(days: list[Day], zone: dt.tzinfo, label: Callable[[float], str]) -> str:
    """Returns what the daily means do not show: the extremes, and the days that were not seen."""

    def date(day: Day) -> str:
        return f"{dt.datetime.fromtimestamp(day.at_ms / 1000, zone):%d %b}"

    seen = [(day.lowest, day.highest, day) for day in days]
    lows = [(low, day) for low, _, day in seen if low is not None]
    highs = [(high, day) for _, high, day in seen if high is not None]
    said = "Never seen."
    if lows and highs:
        (low, cold), (high, hot) = (
            min(lows, key=lambda pair: pair[0]),
            max(highs, key=lambda pair: pair[0]),
        )
        said = f"Lowest {label(low)} ({date(cold)}), highest {label(high)} ({date(hot)})."
        poor = [f"{date(day)} ({1 - day.seen:.0%})" for day in days if day.seen < 1 - UNSEEN]
        said += f" Not all seen: {', '.join(poor)}." if poor else ""
    return said


def _picture(
    title: str,
    points: list[tuple[int, float]],
    weeks: Weeks,
    limits: tuple[float, float],
    zone: dt.tzinfo,
    label: Any,
) -> None:
    from stillwell.cli.picture import picture

    inside = [p for p in points if weeks.start_ms <= p[0] < weeks.end_ms]
    if not inside:
        return
    drawn: Text = picture(
        inside, weeks.start_ms, weeks.end_ms, limits=limits, zone=zone, label=label
    )
    say(f"{title}, day by day:")
    stdout().print(drawn)
