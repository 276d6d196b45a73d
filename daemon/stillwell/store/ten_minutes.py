"""The ten-minute values that are kept for good."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TenMinutes:
    """One channel's readings of ten minutes."""

    start_ms: int
    n: int
    n_good: int
    min: float | None
    mean: float | None
    max: float | None


def joined(one: TenMinutes | None, other: TenMinutes) -> TenMinutes:
    if one is None:
        return other
    good = one.n_good + other.n_good
    lows = [x for x in (one.min, other.min) if x is not None]
    highs = [x for x in (one.max, other.max) if x is not None]
    weighted = [(c.mean, c.n_good) for c in (one, other) if c.mean is not None]
    return TenMinutes(
        one.start_ms,
        one.n + other.n,
        good,
        min(lows, default=None),
        sum(mean * n for mean, n in weighted) / good if good else None,
        max(highs, default=None),
    )
