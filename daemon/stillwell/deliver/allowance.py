"""How often something may happen: pure, and without a clock."""

from __future__ import annotations


class Allowance:
    """Allows a number of events at once, and a rate of events in the long run.

    Args:
        at_once: how many are allowed at once after a rest.
        per_s: how many more are allowed with each second.
    """

    def __init__(self, at_once: int, per_s: float) -> None:
        self._most = float(at_once)
        self._per_s = per_s
        self._left = float(at_once)
        self._at_s: float | None = None

    def take(self, now_s: float) -> bool:
        """Returns whether one more event is allowed at `now_s` (seconds that only go forward)."""
        if self._at_s is not None:
            self._left = min(self._most, self._left + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True
