"""What can be told of a value before any test."""

from __future__ import annotations

from math import isfinite, isinf

from stillwell.reading import Flag


def unusable(value: float | None) -> Flag | None:
    """Returns MISSING for nothing or NaN, FAIL for an infinite value, None for a value that can be
    tested."""
    if value is None:
        return Flag.MISSING
    if isfinite(value):
        return None
    return Flag.FAIL if isinf(value) else Flag.MISSING
