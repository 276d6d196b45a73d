"""Some weeks as a chart in a file: each measurand with its band, salinity with its checks, tests,
what was done and which alarms rang."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from stillwell.cli.book import DAY_MS, UNSEEN, Weeks, done_of, tests_of
from stillwell.cli.night_chart import broken, nothing, write
from stillwell.cli.options import lacks
from stillwell.units import KEPT_IN, Dimension, axis

if TYPE_CHECKING:
    from stillwell.observe.plan import BookPlan
    from stillwell.review_plan import ReviewPlan

COLOURS = ("tab:blue", "tab:green", "tab:purple", "tab:brown")
ALARM = "tab:red"


def draw(weeks: Weeks, plan: ReviewPlan, kept: BookPlan, path: Path) -> None:
    """Writes the chart. Ends the command with a sentence where matplotlib is missing or the file
    can't be written."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        lacks("matplotlib", "A chart")
    rows = len({band.unit for band in plan.bands}) + 3
    figure = Figure(figsize=(10, 2.4 * rows), layout="constrained")
    FigureCanvasAgg(figure)
    fill(figure, weeks, plan, kept)
    write(figure, path)


def fill(figure: Any, weeks: Weeks, plan: ReviewPlan, kept: BookPlan) -> None:
    """Draws the weeks into a figure: the measurands of one unit together, then the salinity, the
    tests, and what was done and which alarms rang, one above the other."""
    zone = ZoneInfo(plan.zone)
    units = list(dict.fromkeys(band.unit for band in plan.bands))
    *measured, salt, tests, work = figure.subplots(len(units) + 3, 1, sharex=True)
    figure.suptitle(plan.tank)
    for axes, unit in zip(measured, units, strict=True):
        _measured(axes, unit, weeks, plan, zone)
    _salinity(salt, weeks, kept, zone)
    _tests(tests, weeks, zone)
    _work(work, weeks, zone)
    for axes in (*measured, salt, tests, work):
        axes.grid(alpha=0.3)
        for ms, _ in weeks.alarms:
            axes.axvline(_at(ms, zone), c=ALARM, lw=0.7)
    work.set_xlim(_at(weeks.start_ms, zone), _at(weeks.end_ms, zone))
    figure.autofmt_xdate()


def _at(ms: int, zone: ZoneInfo) -> dt.datetime:
    return dt.datetime.fromtimestamp(ms / 1000, zone)


def _measured(axes: Any, unit: str, weeks: Weeks, plan: ReviewPlan, zone: ZoneInfo) -> None:
    """Draws daily means between the day's extremes, the band, and the days that were not fully
    seen."""
    shown, to = axis(0.0, KEPT_IN.get(unit, Dimension.PLAIN), plan.units)
    axes.set_ylabel(f"day by day, {shown}".rstrip(", "))
    bands = [band for band in plan.bands if band.unit == unit]
    any_seen = False
    for band, colour in zip(bands, COLOURS * len(bands), strict=False):
        times, means = broken(weeks.warm[band.name], DAY_MS)
        any_seen = any_seen or bool(times)
        at = [_at(ms, zone) for ms in times]
        axes.plot(at, [to(mean) for mean in means], "o-", ms=3, c=colour, label=band.name)
        for day in weeks.days[band.name]:
            noon = _at(day.at_ms, zone)
            if day.lowest is not None and day.highest is not None:
                axes.vlines(noon, to(day.lowest), to(day.highest), colors=colour, alpha=0.4, lw=5)
            if day.seen < 1 - UNSEEN:
                half = dt.timedelta(hours=12)
                axes.axvspan(noon - half, noon + half, color="0.5", alpha=0.3 * (1 - day.seen))
        for limit in (band.low, band.high):
            axes.axhline(to(limit), ls=":", c=colour, lw=1)
    if any_seen:
        axes.set_title("mean, lowest to highest; grey: not all seen", loc="right", fontsize="small")
        axes.legend(loc="best")
    else:
        nothing(axes, "no readings of these days")


def _salinity(axes: Any, weeks: Weeks, kept: BookPlan, zone: ZoneInfo) -> None:
    """Draws the balance with its interval, and what was measured."""
    axes.set_ylabel("salinity, ppt")
    checks = tests_of(weeks, "salinity")
    if not checks and not weeks.salinity:
        nothing(axes, "salinity not measured")
        return
    days = [_at(row[0], zone) for row in weeks.salinity]
    axes.plot(days, [row[1] for row in weeks.salinity], c="tab:blue", label="by the balance")
    low, high = ([row[i] for row in weeks.salinity] for i in (2, 3))
    axes.fill_between(days, low, high, alpha=0.25, color="tab:blue")
    at = [_at(ms, zone) for ms, _ in checks]
    axes.plot(at, [value for _, value in checks], "x", c="black", label="measured")
    for limit in (kept.salinity_low, kept.salinity_high):
        axes.axhline(limit, ls=":", c="tab:blue", lw=1)
    axes.legend(loc="best")


def _tests(axes: Any, weeks: Weeks, zone: ZoneInfo) -> None:
    axes.set_ylabel("mg/L as N")
    found = {kind: tests_of(weeks, kind) for kind in ("ammonia", "nitrite")}
    for kind, points in found.items():
        axes.plot([_at(ms, zone) for ms, _ in points], [v for _, v in points], "o-", label=kind)
    if any(found.values()):
        axes.legend(loc="best")
    else:
        nothing(axes, "no tests noted")


def _work(axes: Any, weeks: Weeks, zone: ZoneInfo) -> None:
    """Draws a row for each kind of entry, and one for each alarm by its name."""
    kinds, names = list(done_of(weeks)), list(dict.fromkeys(name for _, name in weeks.alarms))
    for row, kind in enumerate(kinds):
        times = [_at(e.at_ms, zone) for e in weeks.entries if e.kind == kind]
        axes.plot(times, [row] * len(times), "|", ms=10)
    for row, name in enumerate(names, len(kinds)):
        times = [_at(ms, zone) for ms, alarm in weeks.alarms if alarm == name]
        axes.plot(times, [row] * len(times), "|", ms=10, mew=2, c=ALARM)
    axes.set_yticks(range(len(kinds) + len(names)), [*kinds, *names])
    for label in axes.get_yticklabels()[len(kinds) :]:
        label.set_color(ALARM)
    if not kinds and not names:
        nothing(axes, "nothing noted, no alarms")
