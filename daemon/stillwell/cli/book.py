"""``stillwell book``: some weeks of the tank and of its keeper in one picture."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stillwell.cli.console import print_json, say, stdout
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    lacks,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.today import now_of
from stillwell.cli.watch_line import EPILOG, watched_screen

if TYPE_CHECKING:
    from rich.text import Text

    from stillwell.entry import Entry
    from stillwell.keeper.plan import BookPlan
    from stillwell.morning import ReviewPlan
    from stillwell.settings import Settings
    from stillwell.store import StoreReader

DAY_MS = 86_400_000
USUAL_DAYS = 30
LONGEST_DAYS = 3660
MOST_POINTS = 400
"""Of the salinity: each is worked out from the four months before it."""


def add_to(app: typer.Typer) -> None:
    app.command("book", epilog=EPILOG)(book)


@dataclass(frozen=True)
class _Weeks:
    """What is shown."""

    start_ms: int
    end_ms: int
    warm: dict[str, list[tuple[int, float]]]
    """Daily means of each measurand."""
    salinity: list[tuple[int, float, float, float]]
    """Of each day (UTC ms, value, low, high) by the balance."""
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

    With --json one object: from, to, water, salinity, tests, done (how often each kind), alarms.

    Example: stillwell book --from 2026-01-01 --to 2026-01-31 --png january.png
    """
    from stillwell import wire
    from stillwell.store import StoreReader

    settings = load_settings(config)
    plan, kept = wire.review_plan(settings), wire.book_plan(settings)
    path = store or settings.store_path
    with watched_screen(path, config, store, as_json=as_json):
        with reporting_store_errors(), StoreReader.open(path) as reader:
            start_ms, end_ms = _span(begin, to, settings, reader)
            weeks = _read(reader, plan, kept, start_ms, end_ms)
        if png is not None:
            _draw(weeks, settings, kept, png)
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


def _read(
    reader: StoreReader, plan: ReviewPlan, kept: BookPlan, start_ms: int, end_ms: int
) -> _Weeks:
    from statistics import fmean

    from stillwell.estimate.salt import salinity_estimate
    from stillwell.keeper.balance import LOOK_BACK_MS, salt_state
    from stillwell.keeper.gathered import daily

    warm: dict[str, list[tuple[int, float]]] = {}
    for band in plan.bands:
        by_day: dict[int, list[float]] = {}
        for name in band.channels:
            for cell in reader.ten_minutes(name, start_ms, end_ms):
                if cell.mean is not None:
                    by_day.setdefault((cell.start_ms - start_ms) // DAY_MS, []).append(cell.mean)
        warm[band.name] = [
            (start_ms + day * DAY_MS + DAY_MS // 2, fmean(values))
            for day, values in sorted(by_day.items())
        ]
    before = reader.journal(start_ms - LOOK_BACK_MS, end_ms)
    level = daily(reader.estimates("level.to-mark", start_ms - LOOK_BACK_MS, end_ms))
    salinity = []
    step_ms = DAY_MS * max(1, (end_ms - start_ms) // DAY_MS // MOST_POINTS)
    for at in range(start_ms + step_ms, end_ms + step_ms, step_ms):
        state = salt_state(before, level, kept.salt, min(at, end_ms))
        if state.checks:
            answer = salinity_estimate(state, state.t_ms)
            salinity.append((state.t_ms, answer.value, answer.low, answer.high))
    alarms = [
        (t.moment.utc_ms, t.alarm)
        for t in reader.transitions(start_ms, end_ms)
        if t.event == "raise" and t.alarm != "drill"
    ]
    entries = [e for e in before if e.at_ms >= start_ms]
    return _Weeks(start_ms, end_ms, warm, salinity, entries, alarms)


def _tests(weeks: _Weeks, kind: str) -> list[tuple[int, float]]:
    return [(e.at_ms, e.value) for e in weeks.entries if e.kind == kind and e.value is not None]


def _done(weeks: _Weeks) -> dict[str, int]:
    from collections import Counter

    return dict(sorted(Counter(e.kind for e in weeks.entries).items()))


def _time(ms: int) -> str:
    at = dt.datetime.fromtimestamp(ms / 1000, dt.UTC)
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")


def _as_dict(weeks: _Weeks) -> dict[str, Any]:
    return {
        "from": _time(weeks.start_ms),
        "to": _time(weeks.end_ms),
        "water": {
            name: [[_time(at), value] for at, value in points]
            for name, points in weeks.warm.items()
        },
        "salinity": [[_time(at), *values] for at, *values in weeks.salinity],
        "tests": {
            kind: [[_time(at), value] for at, value in _tests(weeks, kind)]
            for kind in ("ammonia", "nitrite", "nitrate", "ph")
        },
        "done": _done(weeks),
        "alarms": [[_time(at), name] for at, name in weeks.alarms],
    }


def _show(weeks: _Weeks, settings: Settings, plan: ReviewPlan, kept: BookPlan) -> None:
    from functools import partial

    from rich.text import Text

    from stillwell.morning import value_in_words

    zone = settings.tank.time_zone
    first, last = (
        dt.datetime.fromtimestamp(ms / 1000, zone) for ms in (weeks.start_ms, weeks.end_ms - 1)
    )
    say(Text(f"{plan.tank}: {first:%d %b %Y} to {last:%d %b %Y}", style="bold"))
    for band in plan.bands:
        points = weeks.warm[band.name]
        label = partial(value_in_words, unit=band.unit, units=plan.units)
        _picture(band.name.capitalize(), points, weeks, (band.low, band.high), zone, label)
    salinity = [(at, value) for at, value, _, _ in weeks.salinity]
    limits = kept.salinity_low, kept.salinity_high
    _picture("Salinity, ppt", salinity, weeks, limits, zone, "{:.1f}".format)
    for kind in ("ammonia", "nitrite"):
        points = _tests(weeks, kind)
        if points:
            values = ", ".join(f"{value:.2g}" for _, value in points)
            say(f"{kind.capitalize()}, mg/L as N: {values}.", hanging=2)
    done = ", ".join(f"{kind} {count}" for kind, count in _done(weeks).items())
    say(f"In the journal: {done or 'nothing'}.", hanging=2)
    names = ", ".join(dict.fromkeys(name for _, name in weeks.alarms))
    count = len(weeks.alarms)
    say(f"Alarms: {f'{count} ({names})' if count else 'none'}.", hanging=2)


def _picture(
    title: str,
    points: list[tuple[int, float]],
    weeks: _Weeks,
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


def _draw(weeks: _Weeks, settings: Settings, kept: BookPlan, path: Path) -> None:
    """Writes the chart. Ends the command with a sentence where matplotlib is missing or the file
    can't be written."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        lacks("matplotlib", "A chart")
    zone = settings.tank.time_zone

    def at(ms: int) -> dt.datetime:
        return dt.datetime.fromtimestamp(ms / 1000, zone)

    figure = Figure(figsize=(10, 9), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(4, 1, sharex=True)
    warm, salt, tests, work = axes
    figure.suptitle(settings.tank.label or settings.tank.name)
    for name, points in weeks.warm.items():
        warm.plot([at(ms) for ms, _ in points], [value for _, value in points], label=name)
    warm.set_ylabel("daily mean, °C")
    warm.legend(loc="upper left")
    days = [at(row[0]) for row in weeks.salinity]
    salt.plot(days, [row[1] for row in weeks.salinity], c="tab:blue")
    low, high = ([row[i] for row in weeks.salinity] for i in (2, 3))
    salt.fill_between(days, low, high, alpha=0.25, color="tab:blue")
    for limit in (kept.salinity_low, kept.salinity_high):
        salt.axhline(limit, ls=":", c="tab:red", lw=1)
    salt.set_ylabel("salinity, ppt")
    for kind in ("ammonia", "nitrite"):
        points = _tests(weeks, kind)
        tests.plot([at(ms) for ms, _ in points], [v for _, v in points], "o-", label=kind)
    tests.set_ylabel("mg/L as N")
    tests.legend(loc="upper left")
    kinds = list(_done(weeks))
    for row, kind in enumerate(kinds):
        times = [at(e.at_ms) for e in weeks.entries if e.kind == kind]
        work.plot(times, [row] * len(times), "|", ms=10)
    work.set_yticks(range(len(kinds)), kinds)
    for one in axes:
        one.grid(alpha=0.3)
        for ms, _ in weeks.alarms:
            one.axvline(at(ms), c="tab:red", lw=0.7)
    work.set_xlim(at(weeks.start_ms), at(weeks.end_ms))
    figure.autofmt_xdate()
    try:
        figure.savefig(path, dpi=120)
    except (OSError, ValueError) as error:
        fail(f"{path} can't be written: {error}.", "Name a file that ends in .png.")
