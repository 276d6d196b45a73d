"""A series drawn in a terminal: two by four dots a character (Unicode braille), limits dotted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence

from rich.text import Text

WIDTH = 64
HEIGHT = 8
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
_BLANK = 0x2800


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
        points: in time order, at least one.
        limits: two values to mark with dotted lines, where they lie within the picture.
        label: a value in words, for the scale at the side.
    """
    values = [value for _, value in points]
    low, high = min(values), max(values)
    if limits is not None:
        # A limit just outside belongs in the picture; one far away would flatten the curve.
        reach = max(high - low, 0.1)
        low = min(low, limits[0]) if low - limits[0] < reach else low
        high = max(high, limits[1]) if limits[1] - high < reach else high
    span = (high - low) or 1.0
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
        for drawn, marked in zip(dots, marks, strict=True):
            text.append(chr(_BLANK | drawn | marked), style="cyan" if drawn else "red")
        text.append("\n")
    first, last = (dt.datetime.fromtimestamp(ms / 1000, zone) for ms in (start_ms, end_ms))
    text.append(f"{'':>10}{first:%H:%M}" + f"{last:%H:%M}".rjust(width - 5), style="dim")
    return text
