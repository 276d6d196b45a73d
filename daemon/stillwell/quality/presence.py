"""What can be said of a value before any test."""

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


def finite_or_none(value: float | None) -> float | None:
    """Returns the value, or None where the series forms see a missing one: nothing, NaN and, as
    ioos-qc has it, infinite."""
    return value if value is not None and isfinite(value) else None
