"""A series drawn in a terminal: two by four dots a character (Unicode braille), limits dotted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from itertools import groupby

from rich.text import Text

WIDTH = 64
HEIGHT = 8
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
_BLANK = 0x2800
_STEPS_MS = tuple(hours * 3_600_000 for hours in (1, 2, 3, 6, 12, 24))


def picture(
    points: Sequence[tuple[int, float]],
    start_ms: int,
    end_ms: int,
    *,
    limits: tuple[float, float] | None,
    zone: dt.tzinfo,
    label: Callable[[float], str],
    width: int = WIDTH,
    height: int = HEIGHT,
) -> Text:
    """Draws (UTC ms, value) points over a window.

    Args:
        points: in time order, at least one of them within the window.
        limits: two values to mark with dotted lines, if they lie within the picture.
        label: words a value, for the scale at the side.
    """
    values = [value for at_ms, value in points if start_ms <= at_ms < end_ms]
    low, high = min(values), max(values)
    if limits is not None:
        # A limit just outside belongs in the picture; one far away would flatten the curve.
        reach = max(high - low, 0.1)
        low = min(low, limits[0]) if low - limits[0] < reach else low
        high = max(high, limits[1]) if limits[1] - high < reach else high
    if high == low:  # a constant line is drawn half way up
        low, high = low - 0.5, high + 0.5
    span = high - low
    columns, rows = width * 2, height * 4
    curve = [[0] * width for _ in range(height)]
    lines = [[0] * width for _ in range(height)]

    def dot(canvas: list[list[int]], x: int, y: int) -> None:
        canvas[y // 4][x // 2] |= _DOTS[y % 4][x % 2]

    def row_of(value: float) -> int:
        return round((high - value) / span * (rows - 1))

    for at_ms, value in points:
        if start_ms <= at_ms < end_ms:
            dot(curve, (at_ms - start_ms) * columns // (end_ms - start_ms), row_of(value))
    for limit in limits or ():
        if low <= limit <= high:
            for x in range(0, columns, 4):
                dot(lines, x, row_of(limit))

    scale = {0: label(high), height - 1: label(low)}
    text = Text()
    for number, (dots, marks) in enumerate(zip(curve, lines, strict=True)):
        text.append(f"{scale.get(number, ''):>9} ", style="dim")
        cells = list(zip(dots, marks, strict=True))
        for has_curve, run in groupby(cells, key=lambda cell: cell[0] != 0):
            drawn = "".join(chr(_BLANK | one | other) for one, other in run)
            text.append(drawn, style="cyan" if has_curve else "red")
        text.append("\n")
    text.append(" " * 10 + _hours(start_ms, end_ms, zone, width), style="dim")
    return text


def _hours(start_ms: int, end_ms: int, zone: dt.tzinfo, width: int) -> str:
    """Returns the times of day under the picture: both ends, and full hours where there is room."""
    line = [" "] * width

    def put(at_ms: int, column: int) -> None:
        column = max(0, min(width - 5, column))
        room = line[max(0, column - 2) : column + 7]
        if all(cell == " " for cell in room):
            at = dt.datetime.fromtimestamp(at_ms / 1000, zone)
            line[column : column + 5] = f"{at:%H:%M}"

    put(start_ms, 0)
    put(end_ms, width)
    local = dt.datetime.fromtimestamp(start_ms / 1000, zone).utcoffset() or dt.timedelta()
    ahead_ms = local // dt.timedelta(milliseconds=1)
    for step in _STEPS_MS:
        if (end_ms - start_ms) / step <= width / 10:
            first_ms = start_ms - (start_ms + ahead_ms) % step + step
            for at_ms in range(first_ms, end_ms, step):
                put(at_ms, (at_ms - start_ms) * width // (end_ms - start_ms) - 2)
            break
    return "".join(line).rstrip()
