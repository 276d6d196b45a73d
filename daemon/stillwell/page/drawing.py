"""A series as the shapes of a small picture (SVG). It works without a script, in a reader's
colours, and on paper. Pure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, HEIGHT = 600, 120


@dataclass(frozen=True, slots=True)
class Drawing:
    """The shapes of one picture, in a box of `WIDTH` by `HEIGHT`."""

    line: str
    """The path of the values."""
    band: tuple[float, float] | None
    """Top and height of the wanted range."""
    spread: str
    """The path around the intervals; empty where there are none."""
    marks: tuple[tuple[float, str], ...]
    """Where something happened: x, and the kind."""
    hours: tuple[tuple[float, str], ...]
    """Pairs of x and the time there: of day, or in a span of many days the day."""
    low: float
    high: float
    """The values at the bottom and the top."""


Point = tuple[int, float]


def drawing(
    points: Sequence[Point],
    start_ms: int,
    end_ms: int,
    zone: dt.tzinfo,
    *,
    wanted: tuple[float, float] | None = None,
    spread: Sequence[tuple[int, float, float]] = (),
    marks: Sequence[tuple[int, str]] = (),
    longest_ms: int = 1_800_000,
) -> Drawing | None:
    """Returns the shapes; None where there is no point.

    Args:
        points: (UTC ms, value), in order.
        wanted: limits of the wanted range.
        spread: (UTC ms, low, high), in order.
        marks: when something happened, and its kind.
        longest_ms: no line is drawn over a longer gap, which nobody saw.
    """
    inside = [p for p in points if start_ms <= p[0] <= end_ms]
    if not inside:
        return None
    around = [s for s in spread if start_ms <= s[0] <= end_ms]
    values = [v for _, v in inside] + [v for _, *pair in around for v in pair]
    low, high = min(values), max(values)
    if wanted is not None:
        low, high = min(low, wanted[0]), max(high, wanted[1])
    room = (high - low or 1.0) * 0.06
    low, high = low - room, high + room

    def x(at_ms: int) -> float:
        return round((at_ms - start_ms) / (end_ms - start_ms) * WIDTH, 1)

    def y(value: float) -> float:
        return round((high - value) / (high - low) * HEIGHT, 1)

    steps = []
    before: int | None = None
    for at_ms, value in _thinned(inside):
        word = "M" if before is None or at_ms - before > longest_ms else "L"
        steps.append(f"{word}{x(at_ms):g} {y(value):g}")
        before = at_ms
    outline = [f"{x(at):g} {y(top):g}" for at, _, top in around]
    outline += [f"{x(at):g} {y(bottom):g}" for at, bottom, _ in reversed(around)]
    return Drawing(
        "".join(steps),
        None if wanted is None else (y(wanted[1]), round(y(wanted[0]) - y(wanted[1]), 1)),
        f"M{'L'.join(outline)}Z" if len(around) > 1 else "",
        tuple((x(at), kind) for at, kind in marks if start_ms <= at <= end_ms),
        tuple((x(at), word) for at, word in _times(start_ms, end_ms, zone)),
        low,
        high,
    )


def _thinned(points: Sequence[Point], most: int = 300) -> list[Point]:
    """Returns at most `most` points, the lowest and the highest of each part, so that no peak is
    lost."""
    if len(points) <= most:
        return list(points)
    size = -(-len(points) * 2 // most)
    kept: list[Point] = []
    for begin in range(0, len(points), size):
        part = points[begin : begin + size]
        ends = {min(part, key=lambda p: p[1]), max(part, key=lambda p: p[1])}
        kept += sorted(ends)
    return kept


_STEPS_H = (1, 2, 3, 6, 12, 24, 48, 96, 168, 336, 720)


def _times(start_ms: int, end_ms: int, zone: dt.tzinfo) -> list[tuple[int, str]]:
    """Returns three to five full hours within the span, or days, with what to write there."""
    hour = 3_600_000
    span = end_ms - start_ms
    step = next((h for h in _STEPS_H if span / (h * hour) <= 5), _STEPS_H[-1])
    local = dt.datetime.fromtimestamp(start_ms / 1000, zone)
    first = local.replace(minute=0, second=0, microsecond=0)
    first_ms = round(first.timestamp() * 1000) + (-first.hour % min(step, 24)) * hour
    edge = span // 16
    form = "%d %b" if step >= 24 else "%H:%M"
    return [
        (at, f"{dt.datetime.fromtimestamp(at / 1000, zone):{form}}")
        for at in range(first_ms, end_ms, step * hour)
        if start_ms + edge < at < end_ms - edge
    ]
