"""Shelving: silence that a person asks for, with an end.

After a restart the monotonic clock starts anew and the wall clock may be years off. So the rest
of a shelf is what was left when it was last written, less the wall time since then where that is
believable; it is never more than was left. A clock that has gone backwards can therefore repeat
that rest once and no longer.
"""

from __future__ import annotations

import math

from stillwell.notice import Transition
from stillwell.reading import Moment

LONGEST_S = 7 * 86_400.0
"""The longest shelf in s. Anything longer is taking out of service, and should be called that."""


def shelf_ms(seconds: float, longest_s: float = LONGEST_S) -> int | None:
    """Returns the length of a shelf in ms, or None where `seconds` is not between 1 s and
    `longest_s`."""
    if not math.isfinite(seconds) or not 1.0 <= seconds <= longest_s:
        return None
    return round(seconds * 1000)


def left_ms(shelf_ends_ms: int | None, now: Moment) -> int:
    """Returns how much of a shelf is left now, as the alarm log keeps it; 0 for none."""
    return 0 if shelf_ends_ms is None else max(0, shelf_ends_ms - now.mono_ms)


def restored_end_ms(row: Transition, now: Moment) -> int:
    """Returns the monotonic end of a shelf that `row` (in state shelved) was the last to write
    down."""
    gone = min(max(0, now.utc_ms - row.moment.utc_ms), row.shelved_for_ms)
    return now.mono_ms + row.shelved_for_ms - gone
