"""The lamp's part in what the water loses: how much less is lost in the lamp's hours than the room
or habit foretells, and how much more in the dark.

Learned from half cycles with the heater off that lie in the lamp's hours, or in the dark, nearly
all through. Where the heater's own heat is measured (`heat_share`) it is taken off: else a lamp
that is lit passes for a little of a dead heater's heat.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from stillwell.estimate.heater.running import Running

DAY_S = 86_400.0
NEARLY = 0.85
"""Of a half cycle, the share that has to be lit, or dark, to speak for either."""
EACH = 2.0
"""So many half cycles of either before it is taken for known."""


def _apart() -> Running:
    return Running(half_life_s=4 * DAY_S, floor=5e-6, most=60.0)


@dataclass(slots=True)
class LampPart:
    """What half cycles lost more than was foretold, K/s."""

    lit: Running = field(default_factory=_apart)
    dark: Running = field(default_factory=_apart)

    def learn(self, more: float, lit_share: float, at_s: float) -> None:
        """Takes a half cycle with the heater off, of which `lit_share` lay in the lamp's hours."""
        if lit_share > NEARLY:
            self.lit.add(more, at_s)
        elif lit_share < 1.0 - NEARLY:
            self.dark.add(more, at_s)

    def more(self, lit_share: float) -> float:
        """Returns by how much more than foretold is lost, K/s, over a time of which so much lies in
        the lamp's hours; 0 before it is known."""
        if min(self.lit.weight, self.dark.weight) < EACH:
            return 0.0
        return lit_share * self.lit.mean + (1.0 - lit_share) * self.dark.mean

    def to_json(self) -> list[list[float]]:
        return [self.lit.to_json(), self.dark.to_json()]

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError or TypeError for anything else."""
        lit, dark = kept
        self.lit.restore(lit)
        self.dark.restore(dark)
