"""Tears of the trace: where it goes otherwise than foretold, and by how much it has jumped for good
once it is whole again."""

from __future__ import annotations

import math
from collections import deque

SETTLE_S = 300.0
"""After the trace was torn nothing is judged for so long."""
JUMP_K = 0.08
"""A lasting jump of the trace that is worth keeping in mind."""
UNSURE = 0.35
"""Of what the heater may have done meanwhile, the share that is not taken for a jump."""
LONGEST_S = 7200.0
"""What lasted for longer is no jump: too much has happened meanwhile."""
AGAIN_S = 1500.0
"""A tear so soon after the last one is the same."""
COURSE_S = 900.0
"""For so long the course of before is thought to go on."""


class Tear:
    """The present tear, and what is needed to measure it: the course before, the readings since."""

    def __init__(self) -> None:
        self.at_s = -math.inf
        """When the trace was last torn, or went astray."""
        self.torn = False
        """Whether it was torn in the present tear or the last one, and not only went astray."""
        self._before: tuple[float, float, float] | None = None
        """While it is torn: when that began, the value before, and its slope."""
        self._mended: tuple[float, float, float] | None = None
        """What `_before` was for the last tear that was mended."""
        self._mended_s = -math.inf
        self._counted = 0.0
        """The jump that was found for it, K."""
        self.again = False
        """Whether what was mended last had been mended before."""
        self._past: deque[tuple[float, float, float]] = deque(maxlen=8)
        """Time, temperature and slope while the trace is whole."""
        self._after: list[tuple[float, float]] = []

    @property
    def began_s(self) -> float | None:
        """When the course of before ended; None while the trace is whole."""
        return None if self._before is None else self._before[0]

    def mark(self, t_s: float, torn: bool) -> None:
        """The trace has gone where it was not foretold to go: astray, or torn."""
        self.at_s = t_s
        self.torn = torn or (self.torn and self._before is not None)
        self._after.clear()
        if self._before is not None or not self._past:
            return
        if self._mended is not None and t_s - self._mended_s < AGAIN_S:
            # The same tear goes on: a pump that stands first warms the chamber, then mixes it.
            self._before, self.again = self._mended, True
        else:
            self._before, self._counted, self.again = self._past[0], 0.0, False

    def add(self, t_s: float, value: float, course: tuple[float, float]) -> bool:
        """Takes a reading with temperature and slope of the filter before it; returns whether the
        trace is whole again, to be measured."""
        if self._before is None:
            self._past.append((t_s, *course))
            return False
        if t_s - self.at_s > SETTLE_S / 4:
            self._after.append((t_s, value))
        return t_s - self.at_s >= SETTLE_S

    def mend(self, gain: float | None, step_k: float) -> float:
        """Returns by how much (more) the trace has jumped for good, K; 0 for nothing worth a
        thought.

        Args:
            gain: what the heater does, K/s, where the relay may have switched meanwhile, which
                bends the course as well: then only a trace that was torn has jumped, or one whose
                minutes show it. None where it has not.
            step_k: the step that the minutes show (`steps`); 0 for none.
        """
        assert self._before is not None
        began, value, slope = self._mended = self._before
        readings = self._after
        self._before, self._after = None, []
        self._past.clear()
        if not readings or not (self.torn or step_k):
            return 0.0
        at = self._mended_s = readings[-1][0]
        mean = sum(value for _, value in readings) / len(readings)
        middle = sum(t for t, _ in readings) / len(readings)
        if at - began > LONGEST_S:
            return 0.0
        lasted = min(middle - began, COURSE_S)
        jump, unsure = mean - value - slope * lasted, 0.0
        if gain is not None:
            jump, unsure = (step_k, 0.0) if step_k else (jump, UNSURE * gain * lasted)
        elif step_k and not self.torn and step_k * jump < 0:
            return 0.0
        found = jump if abs(jump) > JUMP_K + unsure else 0.0
        more, self._counted = found - self._counted, found
        return more
