"""How long a sink is left alone after it has failed."""

from __future__ import annotations

SHORTEST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0
LONGEST_ASKED_S = 3600.0
"""A far side that asks for more patience than this (Retry-After) gets this much."""


def back_off(attempts: int, asked_s: float, jitter: float) -> float:
    """Returns the seconds to wait after `attempts` earlier failures in a row. The pause doubles
    from 1 to 60 s; `jitter` (0 … 1) takes off up to half of it, so that many clients of one
    server do not return in step. It is never shorter than the far side asked for, and never
    longer than an hour."""
    ceiling = min(SHORTEST_PAUSE_S * 2.0 ** min(attempts, 16), LONGEST_PAUSE_S)
    pause = max(SHORTEST_PAUSE_S, ceiling * (1.0 - jitter / 2.0))
    return max(pause, min(asked_s, LONGEST_ASKED_S))
