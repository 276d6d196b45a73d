"""QARTOD rate of change test: faster than the water can change?"""

from __future__ import annotations

from collections.abc import Sequence

from stillwell.quality.presence import finite_or_none, unusable
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


def rate_of_change_series(
    values: Sequence[float | None],
    times_s: Sequence[float],
    suspect_per_s: float,
    fail_per_s: float | None = None,
) -> list[Flag]:
    """Judges a finished series as the manual does: each value by its step from the value before it.

    Args:
        values: the series.
        times_s: seconds since any instant, rising; differences count in whole seconds.
        suspect_per_s: a faster step is SUSPECT.
        fail_per_s: a faster step is FAIL.

    Returns:
        PASS for the first value, for one after NaN or nothing, and for one at the same second as
        the value before it: no rate can be had there. (ioos-qc takes the bare step for a rate
        then.) From an infinite value to a finite one every rate is too fast.
    """
    if len(values) != len(times_s):
        raise ValueError(f"There are {len(values)} values but {len(times_s)} times.")
    flags = [Flag.MISSING if finite_or_none(value) is None else Flag.PASS for value in values]
    for index in range(1, len(values)):
        before, value = values[index - 1], values[index]
        elapsed = int(times_s[index] - times_s[index - 1])
        if before is None or value is None or flags[index] is Flag.MISSING or elapsed == 0:
            continue
        rate = abs((value - before) / elapsed)
        if fail_per_s is not None and rate > fail_per_s:
            flags[index] = Flag.FAIL
        elif rate > suspect_per_s:
            flags[index] = Flag.SUSPECT
    return flags
