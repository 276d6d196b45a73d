"""Which of several sensors a person has in the hand."""

from __future__ import annotations

from collections.abc import Mapping

WARMER_K = 0.6
"""By how much a probe must have become warmer: ten steps of a DS18B20 at 12 bits, and more than a
room or a tank changes within a minute."""
AHEAD_K = 0.4
"""And by how much more than every other probe: a hand near two of them warms both."""


def grew_warmer(first: Mapping[str, float], now: Mapping[str, float]) -> str | None:
    """Returns the probe that has become warmer than the others did; None while it is undecided.

    Args:
        first: each probe's lowest value so far, °C.
        now: its value now, °C.
    """
    rises = sorted(((now[name] - first[name], name) for name in now if name in first), reverse=True)
    if not rises or rises[0][0] < WARMER_K:
        return None
    if len(rises) > 1 and rises[0][0] - rises[1][0] < AHEAD_K:
        return None
    return rises[0][1]


def changed(first: Mapping[str, float], now: Mapping[str, float]) -> list[str]:
    """Returns the floats whose state is not what it was at first."""
    return [name for name in now if name in first and (now[name] >= 0.5) != (first[name] >= 0.5)]
