"""The hours in which a pump rests, as a probe sees them: each night its water stands apart from the
heater's, which looks like a heater that gives nothing, until the pump mixes both at once.

What tells it from a heater that failed and heats again is the end: no heater lifts the water as
fast. A story of missing heat that ended so is held to repeat itself at its hours, in which nothing
is weighed; until water that was apart is no longer mixed at their end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from stillwell.estimate.heat_balance.hypotheses import LIKELY, SURE

MIXED_K = 0.15
"""K: by so much more than any device could the water changes where it is mixed. An assumption."""
SUMS_UP_H = 0.2
"""h: a jump is spread over a probe's lag and some means."""
LONGEST_H = 12.0
"""h: pumps that rest do so for a night at most. An assumption."""
PROVED_H = 3.0
"""h: after the pump has begun the heater is seen to heat within this."""
LATE_H = 0.5
"""h: timers err, and mixing takes a while."""
UNSEEN = 3
"""So many nights without mixing end the habit."""


@dataclass(slots=True)
class Rests:
    """What is known of the hours. Mutable; hours of the day are local, 0 to 24."""

    jolted: float = 0.0
    """What the water has changed lately without any device, K."""
    own_h: float = -math.inf
    """When a device last switched where it should, h as in `Knowledge.at_h`."""
    begun: tuple[float, float, float] | None = None
    """Of a story that a jump has ended: when, and its hours of the day; it is not proved yet."""
    hours: tuple[float, float] | None = None
    """From and until which hour of the day the pump rests."""
    within: tuple[float, float] | None = None
    """While it rests: the water half an hour before the end or later, at first and at last."""
    unseen: int = 0

    def holds(self, hour: float, value: float) -> bool:
        """Returns whether the pump rests at an hour, and learns whether it still does so."""
        if self.hours is None:
            return False
        start, end = self.hours
        left = (end + LATE_H - hour) % 24
        if left >= (end + LATE_H - start) % 24:
            if self.within is not None:
                mixed = abs(self.within[1] - self.within[0]) > MIXED_K
                self.within, self.unseen = None, 0 if mixed else self.unseen + 1
                if self.unseen >= UNSEEN:
                    self.hours = None
            return False
        if left < 2 * LATE_H:
            self.within = (value if self.within is None else self.within[0], value)
        return True

    def see(
        self, at_h: float, hours: float, hour: float, jolt: float, missing: tuple[float, float]
    ) -> bool:
        """Takes a step of the trace. Returns whether water that stood apart has just been mixed.

        Args:
            at_h: its end.
            hours: its length.
            hour: the local hour of the day.
            jolt: by how much the water jumped, K.
            missing: how probable it was before the step, and is, that heat is missing.
        """
        self.jolted = self.jolted * math.exp(-hours / SUMS_UP_H) + jolt
        if self.begun is None and self.jolted > MIXED_K and missing[0] > LIKELY:
            # On some nights the water is where heat is missed sooner than on this one.
            lasted = min(at_h - self.own_h, LONGEST_H)
            self.begun = at_h, (hour - lasted) % 24, hour
            return True
        if self.begun is not None and at_h - self.begun[0] > PROVED_H:
            self.begun = None
        elif self.begun is not None and missing[1] < 1.0 - SURE:
            self.hours, self.begun, self.unseen = self.begun[1:], None, 0
        return False
