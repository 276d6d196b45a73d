"""QARTOD gap test: has a reading come by the time at which one was due?"""

from __future__ import annotations

from stillwell.reading import Flag


def gap(elapsed_s: float, limit_s: float) -> Flag:
    """Returns FAIL when more than `limit_s` seconds of the monotonic clock have passed since the
    last reading, else PASS. As in the manual, the test depends on the clock and not on a value: it
    can fail with nothing new."""
    return Flag.FAIL if elapsed_s > limit_s else Flag.PASS
