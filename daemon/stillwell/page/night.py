"""The screen of a night: what evaporated, what rang, and what has been done since."""

from __future__ import annotations

import datetime as dt
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from stillwell.calendar import Night
from stillwell.cli.night_chart import broken
from stillwell.cli.review import alarm_line
from stillwell.keeper.gathered import since_of
from stillwell.keeper.level_now import since_in_words
from stillwell.morning import (
    band_in_words,
    level_points,
    merged,
    pieces,
    review_of,
    water_in_words,
    week_in_words,
)
from stillwell.page.access import Visitor
from stillwell.page.drawing import Drawing, Point, drawing
from stillwell.page.now import day_of
from stillwell.page.seen import Seen, seen
from stillwell.page.site import Site
from stillwell.review import Review, measurand
from stillwell.units import KEPT_IN, Dimension, axis, show_kept

STRIP_NIGHTS = 28
_HOUR_MS = 3_600_000
_DRAWN_WITHIN_S = 60.0


@dataclass(frozen=True, slots=True)
class Chart:
    """One series of a night."""

    name: str
    title: str
    says: str
    picture: Drawing | None
    rows: tuple[tuple[str, str], ...]
    """Pairs of time of day and value, for a table."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One night in the strip of the last weeks."""

    evening: str
    says: str
    height: int
    """The height in twentieths; 0 where no loss is known."""
    rang: bool


class Nights:
    """The routes."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def page(self, request: Request, visitor: Visitor) -> Response:
        tank = self._site.tank(request)
        with seen(tank) as now:
            night = _asked(request, now)
            if night is None:
                return self._site.trouble(
                    request, 404, "That is no date of a night.", "Write it like 2026-01-31."
                )
            made = review_of(now.reader, now.plan, night)
            since = since_of(now.reader, made.end_ms, now.now_ms)
            plan = now.plan
            day = dt.timedelta(days=1)
            return self._site.page(
                "night.html",
                visitor,
                tank=tank.name,
                label=plan.tank,
                screen="Night",
                evening=made.night.isoformat(),
                title=f"Night of {made.night:%a %d %b %Y}",
                hours=_span(made, now),
                water=[
                    *(water_in_words(made.water, plan.units) if made.water else ()),
                    *((week_in_words(made.week, plan.units),) if made.week else ()),
                ],
                basis=made.water.lost.basis if made.water and made.water.lost else "",
                since=[]
                if since is None
                else since_in_words(since, made.end_ms, plan.zone, plan.units, "Now"),
                bands=[band_in_words(band, plan.units) for band in made.bands],
                alarms=[(a, alarm_line(a, made, now.zone).plain) for a in made.alarms],
                odd=[*made.odd, *(made.water.odd if made.water else ())],
                charts=list(_charts(made, now)),
                strip=_strip(now, made.night),
                before=(made.night - day).isoformat(),
                after=(made.night + day).isoformat()
                if made.start_ms + 24 * _HOUR_MS <= now.now_ms
                else "",
                dygraphs=self._site.charts is not None,
                drawn=find_spec("matplotlib") is not None,
            )

    def series(self, request: Request, visitor: Visitor) -> Response:
        """Returns the series for the charts: each with unit, limits, and rows of ms, low, value,
        high."""
        with seen(self._site.tank(request)) as now:
            night = _asked(request, now)
            if night is None:
                return JSONResponse({"error": "no such night"}, 404)
            made = review_of(now.reader, now.plan, night)
            return JSONResponse(
                {
                    "zone": now.plan.zone,
                    "start": made.start_ms,
                    "end": made.end_ms,
                    "marks": [{"at": at, "kind": kind} for at, kind in _marks(made, now)],
                    "charts": list(_series(made, now)),
                }
            )

    def picture(self, request: Request, visitor: Visitor) -> Response:
        """Returns the night as the program draws it, made by a process of its own."""
        tank = self._site.tank(request)
        with seen(tank) as now:
            night = _asked(request, now)
            units = now.plan.units
        if night is None or find_spec("matplotlib") is None:
            return self._site.trouble(request, 404, "There is no picture of that.")
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "night.png"
            command = (sys.executable, "-m", "stillwell.cli.night_file", str(tank.store))
            argv = [*command, night.local_date.isoformat(), str(units), str(file)]
            try:
                done = subprocess.run(
                    argv,
                    capture_output=True,
                    timeout=_DRAWN_WITHIN_S,
                    env={**os.environ, "MPLCONFIGDIR": folder},
                    check=False,
                )
            except subprocess.TimeoutExpired:
                return self._site.trouble(request, 503, "The picture takes too long just now.")
            if done.returncode or not file.exists():
                return self._site.trouble(request, 503, "The picture could not be drawn.")
            return Response(file.read_bytes(), media_type="image/png")


def _asked(request: Request, now: Seen) -> Night | None:
    """Returns the night that a path names; where it names none, the last that has ended."""
    named = request.path_params.get("evening")
    if named is None:
        return now.plan.last(now.now_ms + 1, 1)[-1]
    try:
        evening = dt.date.fromisoformat(named)
        return now.plan.of(evening) if 2000 <= evening.year < 9999 else None
    except (ValueError, OverflowError):
        return None


def _span(made: Review, now: Seen) -> str:
    first, until = (
        dt.datetime.fromtimestamp(ms / 1000, now.zone) for ms in (made.start_ms, made.end_ms)
    )
    return f"{first:%H:%M} to {until:%H:%M}"


def _marks(made: Review, now: Seen) -> list[tuple[int, str]]:
    done = [(e.at_ms, "done") for e in now.reader.journal(made.start_ms, made.end_ms)]
    rang = [(a.raised_ms, "alarm") for a in made.alarms if a.raised_ms is not None]
    return [*done, *rang]


def _level_rows(made: Review, now: Seen) -> list[list[Any]]:
    """Returns the pieces of the estimate with their intervals."""
    rows = [
        row
        for row in now.reader.estimates("level.now", made.start_ms - _HOUR_MS, made.end_ms + 1)
        if row.value is not None and row.low is not None and row.high is not None
    ]
    return list(pieces(now.reader, rows))


def _charts(made: Review, now: Seen) -> Iterator[Chart]:
    """Yields pictures and tables, for readers without a script."""
    marks, span = _marks(made, now), (made.start_ms, made.end_ms)

    def chart(name: str, title: str, unit: str, points: Sequence[Point], **more: Any) -> Chart:
        label = partial(show_kept, unit=unit, system=now.plan.units)
        values = [value for _, value in points]
        drawn = drawing(points, *span, now.zone, marks=marks, **more)
        says = f"{label(min(values))} to {label(max(values))}"
        return Chart(name, title, says, drawn, _hourly(points, label, now.zone))

    if level := level_points(now.reader, now.plan, *span):
        spread = [(r.time_ms, r.low, r.high) for piece in _level_rows(made, now) for r in piece]
        more = {"spread": spread, "longest_ms": 2 * _HOUR_MS}
        yield chart("level", "Level from the fill mark", "mm", level, **more)
    for band in now.plan.bands:
        if points := day_of(now.reader, band, *span):
            wanted = band.low, band.high
            yield chart(band.name, band.name.capitalize(), band.unit, points, wanted=wanted)


def _hourly(
    points: Sequence[Point], label: Callable[[float], str], zone: dt.tzinfo
) -> tuple[tuple[str, str], ...]:
    """Returns the value nearest to each full hour."""
    by_hour: dict[int, Point] = {}
    for at_ms, value in points:
        hour = round(at_ms / _HOUR_MS)
        kept = by_hour.get(hour)
        if kept is None or abs(at_ms - hour * _HOUR_MS) < abs(kept[0] - hour * _HOUR_MS):
            by_hour[hour] = (at_ms, value)
    return tuple(
        (f"{dt.datetime.fromtimestamp(at / 1000, zone):%H:%M}", label(value))
        for at, value in by_hour.values()
    )


def _series(made: Review, now: Seen) -> Iterator[dict[str, Any]]:
    units = now.plan.units
    unit, to = axis(0.0, Dimension.LENGTH, units)
    rows: list[list[Any]] = []
    for piece in _level_rows(made, now):
        if rows:
            rows.append([rows[-1][0] + 1, None])
        rows += [[r.time_ms, [_round(to(v)) for v in (r.low, r.value, r.high)]] for r in piece]
    if rows:
        yield {
            "name": "level",
            "title": f"Level from the fill mark, {unit}",
            "rows": rows,
            "limits": None,
        }
    for band in now.plan.bands:
        unit, to = axis(0.0, KEPT_IN.get(band.unit, Dimension.PLAIN), units)
        readings = merged(now.reader, band.channels, made.start_ms, made.end_ms)
        rows = list(_bars(measurand(readings, band.stale_ms), band.stale_ms, to))
        if rows:
            yield {
                "name": band.name,
                "title": f"{band.name.capitalize()}, {unit}",
                "rows": rows,
                "limits": [_round(to(band.low)), _round(to(band.high))],
            }


_CELL_MS = 120_000


def _bars(
    points: Iterator[tuple[int, float]], stale_ms: int, to: Callable[[float], float]
) -> Iterator[list[Any]]:
    """Yields a row for every two minutes: the lowest, the mean and the highest of what was seen
    in them; an empty row after a gap that is too long."""
    cells: dict[int, list[float]] = {}
    for at_ms, value in points:
        cells.setdefault(at_ms // _CELL_MS, []).append(to(value))
    rows = [(cell * _CELL_MS + _CELL_MS // 2, sum(v) / len(v)) for cell, v in cells.items()]
    times, means = broken(rows, max(stale_ms, 2 * _CELL_MS))
    for at_ms, mean in zip(times, means, strict=True):
        seen_then = cells.get(at_ms // _CELL_MS, [])
        if mean != mean or not seen_then:  # no number: a break in the line
            yield [at_ms, None]
        else:
            yield [at_ms, [_round(v) for v in (min(seen_then), mean, max(seen_then))]]


def _round(value: float) -> float:
    return round(value, 3)


def _strip(now: Seen, shown: dt.date) -> list[tuple[Bar, bool]]:
    """Returns the last weeks: the loss of each night, and whether something rang."""
    began = now.reader.began() or now.now_ms
    last = now.plan.last(now.now_ms + 1, STRIP_NIGHTS)
    nights = [night for night in last if night.end_utc_ms > began] or last[-1:]
    ends = [(night.end_utc_ms, night.end_utc_ms + 1) for night in nights]
    rows = now.reader.newest_within("night.loss", ends)
    lost = [None if row is None else row.value for row in rows]
    most = max((value for value in lost if value is not None), default=0.0) or 1.0
    rang = [
        t.moment.utc_ms
        for t in now.reader.transitions(nights[0].start_utc_ms, now.now_ms)
        if t.event == "raise" and t.alarm != "drill"
    ]
    bars = []
    for night, value in zip(nights, lost, strict=True):
        alarm = any(night.start_utc_ms <= at < night.end_utc_ms for at in rang)
        what = (
            "no loss known" if value is None else f"{show_kept(value, 'mL', now.plan.units)} lost"
        )
        says = f"{night.local_date:%a %d %b}: {what}{', alarm' if alarm else ''}"
        height = 0 if value is None else max(1, round(20 * max(0.0, value) / most))
        bars.append(
            (Bar(night.local_date.isoformat(), says, height, alarm), night.local_date == shown)
        )
    return bars
