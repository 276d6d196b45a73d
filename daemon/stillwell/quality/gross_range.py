"""QARTOD gross range test: can the sensor report, and the water have, such a value at all?"""

from __future__ import annotations

from stillwell.quality.presence import unusable
from stillwell.reading import Flag

Span = tuple[float, float]
"""Lowest and highest value, both included."""


def check_spans(fail: Span, suspect: Span | None) -> None:
    """Raises ValueError unless both spans run upward and `suspect` lies within `fail`."""
    if not fail[0] <= fail[1]:
        raise ValueError(f"The fail span {fail} does not run upward.")
    if suspect is not None:
        if not suspect[0] <= suspect[1]:
            raise ValueError(f"The suspect span {suspect} does not run upward.")
        if suspect[0] < fail[0] or suspect[1] > fail[1]:
            raise ValueError(f"The suspect span {suspect} is not within the fail span {fail}.")


def gross_range(value: float | None, fail: Span, suspect: Span | None = None) -> Flag:
    """Judges one value against the sensor's span and the keeper's.

    Args:
        value: in any unit, the same as the spans.
        fail: outside it the value is FAIL.
        suspect: within `fail`; outside it the value is SUSPECT.
    """
    bad = unusable(value)
    if bad is not None:
        return bad
    assert value is not None
    if not fail[0] <= value <= fail[1]:
        return Flag.FAIL
    if suspect is not None and not suspect[0] <= value <= suspect[1]:
        return Flag.SUSPECT
    return Flag.PASS
