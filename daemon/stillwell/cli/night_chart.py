"""Draws a night as a chart into a file: level, loss with its band, temperature, what happened."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from stillwell.cli.options import fail, lacks
from stillwell.units import Dimension, axis

if TYPE_CHECKING:
    from stillwell.review import Review
    from stillwell.review_plan import ReviewPlan
    from stillwell.store import StoreReader

_MARGIN_MS = 3_600_000


def draw(reader: StoreReader, plan: ReviewPlan, made: Review, path: Path) -> None:
    """Writes the chart. Ends the command with a sentence where matplotlib is missing or the file
    can't be written."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        lacks("matplotlib", "A chart")
    figure = Figure(figsize=(9, 7), layout="constrained")
    FigureCanvasAgg(figure)
    fill(figure, reader, plan, made)
    write(figure, path)


def write(figure: Any, path: Path) -> None:
    """Writes a figure; ends the command with a sentence if that is impossible."""
    try:
        figure.savefig(path, dpi=120)
    except (OSError, ValueError) as error:
        fail(f"{path} can't be written: {error}.", "Name a file that ends in .png.")


def fill(figure: Any, reader: StoreReader, plan: ReviewPlan, made: Review) -> None:
    """Draws the night into a figure: level, loss, temperature, one above the other."""
    from matplotlib.dates import DateFormatter

    zone = ZoneInfo(plan.zone)
    level, lost, warm = figure.subplots(3, 1, sharex=True)
    figure.suptitle(f"{plan.tank}: night of {made.night:%a %d %b %Y}")
    _level(level, reader, plan, made, zone)
    _lost(lost, made, plan, zone)
    _temperature(warm, reader, plan, made, zone)
    for axes in (level, lost, warm):
        axes.grid(alpha=0.3)
        _events(axes, reader, made, zone)
    warm.set_xlim(_at(made.start_ms, zone), _at(made.end_ms, zone))
    warm.xaxis.set_major_formatter(DateFormatter("%H:%M", tz=zone))


def nothing(axes: Any, says: str) -> None:
    """Writes into a picture why it is empty."""
    axes.text(0.5, 0.5, says, ha="center", va="center", transform=axes.transAxes)
    axes.set_yticks([])


def broken(points: Iterable[tuple[int, float]], longest_ms: int) -> tuple[list[int], list[float]]:
    """Returns times and values of a line that does not cross what was not seen: where the next
    point is more than `longest_ms` away, it inserts a NaN."""
    times: list[int] = []
    values: list[float] = []
    for at_ms, value in points:
        if times and at_ms - times[-1] > longest_ms:
            times.append(times[-1] + 1)
            values.append(math.nan)
        times.append(at_ms)
        values.append(value)
    return times, values


def _at(ms: int, zone: ZoneInfo) -> dt.datetime:
    return dt.datetime.fromtimestamp(ms / 1000, zone)


def _level(axes: Any, reader: StoreReader, plan: ReviewPlan, made: Review, zone: ZoneInfo) -> None:
    """Draws the estimate with its interval, in pieces: a pour lies between two of its hours, and a
    line across it would leave the interval."""
    from stillwell.morning import level_points, pieces

    unit, to = axis(0.0, Dimension.LENGTH, plan.units)
    axes.set_ylabel(f"level from the fill mark, {unit}")
    points = level_points(reader, plan, made.start_ms, made.end_ms)
    rows = [
        row
        for row in reader.estimates(
            "level.now", made.start_ms - _MARGIN_MS, made.end_ms + _MARGIN_MS
        )
        if row.value is not None and row.low is not None and row.high is not None
    ]
    if not points and not rows:
        nothing(axes, "nothing is known of the level that night")
    axes.plot([_at(ms, zone) for ms, _ in points], [to(mm) for _, mm in points], ".", ms=3, c="0.5")
    for piece in pieces(reader, rows):
        if piece[-1].time_ms < made.start_ms or piece[0].time_ms > made.end_ms:
            continue
        at = [_at(row.time_ms, zone) for row in piece]
        low, value, high = (
            [to(number) for number in numbers if number is not None]
            for numbers in zip(*((row.low, row.value, row.high) for row in piece), strict=True)
        )
        axes.plot(at, value, c="tab:blue")
        axes.fill_between(at, low, high, alpha=0.25, color="tab:blue")


def _lost(axes: Any, made: Review, plan: ReviewPlan, zone: ZoneInfo) -> None:
    """Draws the loss at the night's end with its interval, and a straight line to it."""
    water = made.water
    if water is None or water.lost is None:
        axes.set_ylabel("water lost")
        nothing(axes, "not enough evidence of what was lost")
        return
    ends = [_at(made.start_ms, zone), _at(made.end_ms, zone)]
    lost = water.lost
    unit, to = axis(lost.high or lost.value, Dimension.VOLUME, plan.units)
    axes.set_ylabel(f"water lost, {unit}")
    axes.plot(ends, [0.0, to(lost.value)], c="tab:green")
    if lost.low is not None and lost.high is not None:
        low, high = [0.0, to(lost.low)], [0.0, to(lost.high)]
        axes.fill_between(ends, low, high, alpha=0.25, color="tab:green")
    if water.expected is not None:
        axes.plot(ends, [0.0, to(water.expected.value)], ":", c="0.4", label="by physics")
        axes.legend(loc="upper left")


def _temperature(
    axes: Any, reader: StoreReader, plan: ReviewPlan, made: Review, zone: ZoneInfo
) -> None:
    from stillwell.morning import merged
    from stillwell.review import measurand

    unit, to = axis(0.0, Dimension.TEMPERATURE, plan.units)
    axes.set_ylabel(f"temperature, {unit}")
    seen = False
    for band in plan.bands:
        if band.unit != "Cel":
            continue
        readings = merged(reader, band.channels, made.start_ms, made.end_ms)
        times, values = broken(measurand(readings, band.stale_ms), band.stale_ms)
        if not times:
            continue
        seen = True
        at = [_at(ms, zone) for ms in times]
        axes.plot(at, [to(value) for value in values], label=band.name)
        for limit in (band.low, band.high):
            axes.axhline(to(limit), ls=":", c="tab:red", lw=1)
    if not seen:
        nothing(axes, "no readings of that night")


def _events(axes: Any, reader: StoreReader, made: Review, zone: ZoneInfo) -> None:
    for entry in reader.journal(made.start_ms, made.end_ms):
        axes.axvline(_at(entry.at_ms, zone), c="tab:cyan", lw=1)
    for alarm in made.alarms:
        if alarm.raised_ms is not None:
            axes.axvline(_at(alarm.raised_ms, zone), c="tab:red", lw=1)
