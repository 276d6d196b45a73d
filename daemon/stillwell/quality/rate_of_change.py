"""QARTOD rate of change test: does the value change faster than the water can?"""

from __future__ import annotations

from stillwell.quality.presence import unusable
from stillwell.reading import Flag


def rate_of_change(
    value: float | None,
    good: float | None,
    elapsed_s: float,
    suspect_per_s: float,
    floor: float = 0.0,
    fail_per_s: float | None = None,
) -> Flag:
    """Judges the newest value by its change since the last value that passed.

    Of the change only what exceeds `floor` counts: two readings that are each rounded to a step of
    the sensor and carry its noise differ by some steps in still water, and a step in a second is no
    rate. Since the comparison stays with the last value that passed, a change that was too fast is
    believed when as much time has gone by as an honest change would have taken.

    Args:
        value: the newest.
        good: the last value that passed; None when there is none.
        elapsed_s: seconds between the two on the monotonic clock; not negative.
        suspect_per_s: a faster change is SUSPECT.
        floor: in the value's unit; some steps of the sensor's resolution.
        fail_per_s: a faster change is FAIL.

    Returns:
        NOT_EVALUATED when nothing has passed yet.
    """
    bad = unusable(value)
    if bad is not None:
        return bad
    assert value is not None
    if good is None:
        return Flag.NOT_EVALUATED
    change = abs(value - good) - floor
    if fail_per_s is not None and change > 0 and change > fail_per_s * elapsed_s:
        return Flag.FAIL
    return Flag.SUSPECT if change > 0 and change > suspect_per_s * elapsed_s else Flag.PASS
