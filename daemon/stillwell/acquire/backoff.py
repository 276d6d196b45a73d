"""How long to leave a source alone after it failed."""

from __future__ import annotations

FIRST_S = 1.0
LONGEST_S = 60.0


def pause_s(failures: int) -> float:
    """Seconds to wait before the next try after `failures` failures in a row (1, 2, 4 … 60 s).

    There is no jitter: the sensors of one tank can't overload anything by retrying together.
    """
    if failures <= 0:
        return 0.0
    return min(LONGEST_S, FIRST_S * 2.0 ** min(failures - 1, 16))
