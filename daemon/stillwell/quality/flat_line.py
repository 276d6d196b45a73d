"""QARTOD flat line test: a sensor that reports the same value for longer than water stays still."""

from __future__ import annotations

from typing import NamedTuple

from stillwell.reading import Flag


class Run(NamedTuple):
    """The readings since the value last moved, which the test remembers."""

    low: float
    high: float
    since_ms: int
    """Monotonic time of the first of them."""


_run = tuple.__new__  # skips the named tuple's __new__ in Python: a noisy value makes one each time


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
