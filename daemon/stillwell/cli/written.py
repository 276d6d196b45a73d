"""Times and durations as people write them on a command line."""

from __future__ import annotations

import time
from datetime import UTC, datetime

from stillwell.cli.options import fail
from stillwell.units import Dimension, UnitError, parse


def instant_ms(text: str) -> int:
    """Returns UTC milliseconds of an ISO 8601 time (without a zone: UTC); now when empty."""
    if not text:
        return time.time_ns() // 1_000_000
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        fail(f'"{text}" is no time.', "Write it like 2026-01-31T08:00Z.")
    return round((at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp() * 1000)


def seconds(text: str) -> float:
    """Returns the seconds of a duration such as ``30 min``."""
    try:
        return parse(text, Dimension.DURATION)
    except UnitError as error:
        fail(error.what, error.do)


def difference_k(text: str) -> float:
    """Returns the kelvins of a difference of temperatures such as ``0.1 K`` or ``0.2 degF``; above
    zero."""
    try:
        k = parse(text, Dimension.DIFFERENCE)
    except UnitError as error:
        fail(error.what, error.do)
    if not k > 0:
        fail(f"{text} is not above zero.", 'Write it like "0.1 K".')
    return k


def seconds_in_words(seconds: float) -> str:
    """Returns a duration in its largest unit: ``40 s``, ``12 min``, ``3 h``, ``9 d``."""
    for size, name in ((86_400, "d"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds // size:.0f} {name}"
    return f"{max(0.0, seconds):.0f} s"
