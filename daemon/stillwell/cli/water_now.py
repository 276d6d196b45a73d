"""What the water is now, and where it is going: from the readings in the store."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from stillwell.review import HEALTHY

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stillwell.review_plan import ReviewPlan
    from stillwell.store import StoreReader

FRESH_MS = 15 * 60_000
"""Readings older than this do not count as "now"."""
_HOUR_MS = 3_600_000


def water_of(
    reader: StoreReader, plan: ReviewPlan, now_ms: int
) -> list[tuple[str, float | None, str, float, float, float | None]]:
    """Returns for each measurand: name, median of the healthy channels, unit, limits, change per
    hour."""
    out = []
    for band in plan.bands:
        values = []
        for name in band.channels:
            good = [
                r.value
                for r in reader.readings(name, now_ms - FRESH_MS, now_ms + 1)
                if r.value is not None and r.flag in HEALTHY
            ]
            values += good[-1:]
        value = median(values) if values else None
        rate = _rate(reader, band.channels, now_ms)
        out.append((band.name, value, band.unit, band.low, band.high, rate))
    return out


def _rate(reader: StoreReader, channels: Sequence[str], now_ms: int) -> float | None:
    """Returns the change per hour over the last hour, the median of its channels; None if it was
    not seen throughout."""
    rates = []
    for name in channels:
        cells = [
            c for c in reader.ten_minutes(name, now_ms - _HOUR_MS, now_ms) if c.mean is not None
        ]
        if len(cells) >= 5:
            first, last = cells[0], cells[-1]
            assert first.mean is not None
            assert last.mean is not None
            rates.append((last.mean - first.mean) / (last.start_ms - first.start_ms) * _HOUR_MS)
    return median(rates) if rates else None
