"""How long a sink is left alone after it has failed."""

from __future__ import annotations

SHORTEST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0
LONGEST_ASKED_S = 3600.0
"""A far side that asks for more patience than this (Retry-After) gets this much."""


def back_off(attempts: int, asked_s: float, jitter: float) -> float:
    """Seconds to wait after `attempts` earlier failures in a row: doubling from 1 to 60 s, of which
    `jitter` (0 … 1) takes away up to half, so that many clients of one server do not return in
    step. Never sooner than the far side asked for, and never longer than an hour."""
    ceiling = min(SHORTEST_PAUSE_S * 2.0 ** min(attempts, 16), LONGEST_PAUSE_S)
    pause = max(SHORTEST_PAUSE_S, ceiling * (1.0 - jitter / 2.0))
    return max(pause, min(asked_s, LONGEST_ASKED_S))
