"""Whether somebody has turned the thermostat's dial: the switching points have moved together.

Both are seen elsewhere before a move is believed, since a heater that had no current comes on below
its lower point as well. One that has gone on past its upper point until that was an alarm, and then
switches off, has shown by that alone that its contacts are not welded: a turned dial is told once
that is believed, and taken back if it comes on again where it always did.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from stillwell.estimate.heat.relay_filter import RelayFilter
from stillwell.estimate.heat.standing import Condition, Standing
from stillwell.estimate.heat.thermostat import MOVED_K, MOVED_TIMES, Moved, Thermostat

MOVED_FOR_S = 86_400.0
"""How long a moved setting is told: then it is the setting."""


def _never(_by_k: float) -> bool:
    return False


class Dial:
    """What is told of the dial."""

    def __init__(self, standing: Standing) -> None:
        self.standing = standing
        self.moved_k = 0.0
        """By how much the setting has been moved, as long as that is told."""
        self.supposed_k = 0.0
        """How much of that rests on the upper point alone."""
        self.explained: Callable[[float], bool] = _never
        """Whether something else has moved both points by so much, K: another probe."""

    def switched(
        self, watch: RelayFilter, on: bool, thermostat: Thermostat, calm: bool, missed: bool
    ) -> bool:
        """Whether the relay switched beyond its usual point, and whether the other point says the
        same: then the dial has been moved. If the other is where it was, the heater had no current,
        or its contacts stuck.

        Args:
            calm: the water has gone as foretold for long enough before.
            missed: the switch was missed for long enough to be told: no error of the filter's.

        Returns:
            whether anything was learned.
        """
        off, far = self.off(watch, on, thermostat)
        if thermostat.moved_k:
            moved = thermostat.sight(not on, off, far, watch.turned_s)
            self.found(moved, thermostat)
            if moved is not None or thermostat.dial_k or not missed:
                return True
            # The trace may have jumped as well, and that does not explain it.
            off, far = self.off(watch, on, thermostat)
        beyond = -off if on else off
        if not (beyond > far and (calm or missed)):
            return False
        thermostat.suspect_dial(off, watch.turned_s, not on)
        if missed and not on and not self.explained(off):
            self.supposed_k = off
            self._tell(off, watch.turned_s)
        return True

    @staticmethod
    def off(watch: RelayFilter, on: bool, thermostat: Thermostat) -> tuple[float, float]:
        """How far from its usual point the relay has switched, K, and what is far."""
        level, spread = (thermostat.trough if on else thermostat.peak).ahead(watch.turned_s)
        far = max(MOVED_K, MOVED_TIMES * math.hypot(spread, watch.errors[0]))
        return watch.turned_c - level, far

    def found(self, moved: Moved | None, thermostat: Thermostat) -> None:
        """Takes what the thermostat has concluded: a move, or, without one, perhaps that the dial
        is where it was."""
        if moved is not None and not moved.jumped:
            supposed, self.supposed_k = self.supposed_k, 0.0
            by_k = 0.0 if self.explained(moved.by_k) else moved.by_k
            if by_k or supposed:
                self._tell(by_k - supposed, moved.at_s)
        elif self.supposed_k and not thermostat.dial_k:
            supposed, self.supposed_k = self.supposed_k, 0.0
            self._tell(-supposed, self.standing.since.get(Condition.SETTING_MOVED, 0.0))

    def look(self, t_s: float) -> None:
        """Once a minute: a setting that has been told for a day is the setting."""
        moved_s = self.standing.since.get(Condition.SETTING_MOVED)
        if moved_s is not None and t_s - moved_s > MOVED_FOR_S:
            self.standing.clear(Condition.SETTING_MOVED)
            self.moved_k = self.supposed_k = 0.0

    def _tell(self, by_k: float, at_s: float) -> None:
        total = self.moved_k + by_k
        if abs(total) < MOVED_K:
            self.standing.clear(Condition.SETTING_MOVED)
            self.moved_k = 0.0
            return
        self.moved_k = total
        self.standing.since[Condition.SETTING_MOVED] = at_s
        self.standing.changes += 1
