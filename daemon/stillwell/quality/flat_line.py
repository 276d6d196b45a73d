"""QARTOD flat line test: a sensor that says the same for longer than water stands still."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from stillwell.quality.presence import finite_or_none
from stillwell.reading import Flag


class Run(NamedTuple):
    """The readings since the value last moved: what the test remembers."""

    low: float
    high: float
    since_ms: int
    """Monotonic time of the first of them."""


_run = tuple.__new__  # `Run(...)` without the detour through Python: a noisy value makes one each


def grown(run: Run | None, value: float, now_ms: int, tolerance: float) -> Run:
    """Returns the run that ends with `value`: the old one while the range stays under `tolerance`,
    else a new one that begins here."""
    if run is not None:
        low, high, since_ms = run
        if value < low:
            low = value
        elif value > high:
            high = value
        if high - low < tolerance:
            return _run(Run, (low, high, since_ms))
    return _run(Run, (value, value, now_ms))


def flat_line(run: Run, now_ms: int, suspect_s: float, fail_s: float | None = None) -> Flag:
    """Judges the newest value by how long its run has lasted.

    Args:
        run: as `grown` by the newest value, with a tolerance under one step of the sensor's
            resolution (a DS18B20 has steps of 0.0625 K: 0.06) and above zero.
        now_ms: monotonic time of the newest value.
        suspect_s: a run of this long is SUSPECT.
        fail_s: a run of this long is FAIL.
    """
    lasted_ms = now_ms - run.since_ms
    if fail_s is not None and lasted_ms >= fail_s * 1000:
        return Flag.FAIL
    return Flag.SUSPECT if lasted_ms >= suspect_s * 1000 else Flag.PASS


def flat_line_series(
    values: Sequence[float | None],
    times_s: Sequence[float],
    suspect_s: float,
    fail_s: float,
    tolerance: float = 0.0,
) -> list[Flag]:
    """Judges a finished series as ioos-qc does: thresholds become counts by the median interval,
    and the range of the last count + 1 values must be less than `tolerance`.

    Args:
        values: the series.
        times_s: seconds since any instant, rising.
        suspect_s: whole seconds within `tolerance` that are SUSPECT.
        fail_s: whole seconds within `tolerance` that are FAIL.
        tolerance: at 0 nothing is ever flagged, because the range must be less than it.

    Returns:
        PASS where fewer than three values make no series. (ioos-qc then calls a missing value PASS
        too.)

    Raises:
        ValueError: the median interval is shorter than a second.
    """
    if len(values) != len(times_s):
        raise ValueError(f"There are {len(values)} values but {len(times_s)} times.")
    known = [finite_or_none(value) for value in values]
    flags = [Flag.MISSING if value is None else Flag.PASS for value in known]
    if len(known) < 3:
        return flags
    interval = int(median(after - before for before, after in pairwise(times_s)))
    if interval < 1:
        raise ValueError("The median interval of the series is shorter than a second.")
    for threshold_s, flag in ((suspect_s, Flag.SUSPECT), (fail_s, Flag.FAIL)):
        count = int(int(threshold_s) / interval)
        for end in range(count, len(known)):
            window = [value for value in known[end - count : end + 1] if value is not None]
            if known[end] is not None and max(window) - min(window) < tolerance:
                flags[end] = flag
    return flags
