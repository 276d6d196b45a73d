"""A night as a chart in a file: level, loss with its band, temperature, what happened."""

from __future__ import annotations

import datetime as dt
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from stillwell.cli.options import fail, lacks
from stillwell.units import Dimension, show

if TYPE_CHECKING:
    from stillwell.morning import ReviewPlan
    from stillwell.review import Review
    from stillwell.store import StoreReader

_MARGIN_MS = 3_600_000


def draw(reader: StoreReader, plan: ReviewPlan, made: Review, path: Path) -> None:
    """Writes the chart. Ends the command with a sentence where matplotlib is missing or the file
    can't be written."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.dates import DateFormatter
        from matplotlib.figure import Figure
    except ImportError:
        lacks("matplotlib", "A chart")
    zone = ZoneInfo(plan.zone)
    figure = Figure(figsize=(9, 7), layout="constrained")
    FigureCanvasAgg(figure)
    level, lost, warm = figure.subplots(3, 1, sharex=True)
    figure.suptitle(f"{plan.tank}: night of {made.night:%a %d %b %Y}")
    _level(level, reader, plan, made, zone)
    _lost(lost, made, zone)
    _temperature(warm, reader, plan, made, zone)
    for axes, dimension in (
        (level, Dimension.LENGTH),
        (lost, Dimension.VOLUME),
        (warm, Dimension.TEMPERATURE),
    ):
        axes.grid(alpha=0.3)
        axes.yaxis.set_major_formatter(partial(_in_units, dimension, plan))
        _events(axes, reader, made, zone)
    warm.set_xlim(_at(made.start_ms, zone), _at(made.end_ms, zone))
    warm.xaxis.set_major_formatter(DateFormatter("%H:%M", tz=zone))  # type: ignore[no-untyped-call]
    try:
        figure.savefig(path, dpi=120)
    except (OSError, ValueError) as error:
        fail(f"{path} can't be written: {error}.", "Name a file that ends in .png.")


def _in_units(dimension: Dimension, plan: ReviewPlan, value: float, place: int | None) -> str:
    """A value at an axis, in the keeper's units."""
    return show(value, dimension, plan.units)


def _at(ms: int, zone: ZoneInfo) -> dt.datetime:
    return dt.datetime.fromtimestamp(ms / 1000, zone)


def _level(axes: Any, reader: StoreReader, plan: ReviewPlan, made: Review, zone: ZoneInfo) -> None:
    from stillwell.morning import level_points

    points = level_points(reader, plan, made.start_ms, made.end_ms)
    axes.plot([_at(ms, zone) for ms, _ in points], [mm for _, mm in points], ".", ms=3, c="0.5")
    rows = [
        row
        for row in reader.estimates(
            "level.now", made.start_ms - _MARGIN_MS, made.end_ms + _MARGIN_MS
        )
        if row.value is not None and row.low is not None and row.high is not None
    ]
    at = [_at(row.time_ms, zone) for row in rows]
    axes.plot(at, [row.value for row in rows], c="tab:blue")
    axes.fill_between(
        at, [row.low for row in rows], [row.high for row in rows], alpha=0.25, color="tab:blue"
    )
    axes.set_ylabel("level, from the fill mark")


def _lost(axes: Any, made: Review, zone: ZoneInfo) -> None:
    """The loss at the night's end with its interval, and a straight line to it."""
    axes.set_ylabel("water lost")
    water = made.water
    if water is None or water.lost is None:
        axes.text(0.5, 0.5, "not enough evidence", ha="center", transform=axes.transAxes)
        return
    ends = [_at(made.start_ms, zone), _at(made.end_ms, zone)]
    lost = water.lost
    axes.plot(ends, [0.0, lost.value], c="tab:green")
    if lost.low is not None and lost.high is not None:
        axes.fill_between(ends, [0.0, lost.low], [0.0, lost.high], alpha=0.25, color="tab:green")
    if water.expected is not None:
        axes.plot(ends, [0.0, water.expected.value], ":", c="0.4", label="by physics")
        axes.legend(loc="upper left")


def _temperature(
    axes: Any, reader: StoreReader, plan: ReviewPlan, made: Review, zone: ZoneInfo
) -> None:
    from stillwell.morning import merged
    from stillwell.review import measurand

    for band in plan.bands:
        if band.unit != "Cel":
            continue
        readings = merged(reader, band.channels, made.start_ms, made.end_ms)
        points = list(measurand(readings, band.stale_ms))
        axes.plot([_at(ms, zone) for ms, _ in points], [v for _, v in points], label=band.name)
        for limit in (band.low, band.high):
            axes.axhline(limit, ls=":", c="tab:red", lw=1)
    axes.set_ylabel("temperature")


def _events(axes: Any, reader: StoreReader, made: Review, zone: ZoneInfo) -> None:
    for entry in reader.journal(made.start_ms, made.end_ms):
        axes.axvline(_at(entry.at_ms, zone), c="tab:cyan", lw=1)
    for alarm in made.alarms:
        if alarm.raised_ms is not None:
            axes.axvline(_at(alarm.raised_ms, zone), c="tab:red", lw=1)
