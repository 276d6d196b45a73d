"""The mains: that pump and heater have stopped together."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from stillwell.alarm.catalogue import priority_of
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.estimate.heat_balance.mains import ChamberHeat
from stillwell.finding import Finding, Over
from stillwell.observe.heat.facts import MAINS_LOST, MainsLost, WaterSeen
from stillwell.reading import Moment

PUMP_LATE_S = 600.0
"""So much later than the heater's failing the rise may be seen: gauges are read now and then."""
WINDOW_S = 3 * 3600.0
"""A heater that fails so long after the chamber rose may have failed with the pump."""
BACK_S = 3 * 3600.0
"""A heater that has its current again needs no more proof that it is sound for so long. An
assumption."""
_COLD = frozenset({Verdict.NOT_HEATING, Verdict.TOO_WEAK})
"""What a heater without current looks like."""


@dataclass(slots=True)
class Mains:
    """What is known of them, for the next run. Times are seconds of the observer's line."""

    chamber: ChamberHeat = field(default_factory=ChamberHeat)
    lost: bool = False
    back_s: float = -math.inf
    """When they were last back."""

    def judge(
        self,
        t: float,
        standing: Mapping[str, float],
        water: Callable[[], WaterSeen | None],
        since: Callable[[float], Moment],
        *,
        stopped: bool,
        again: bool,
    ) -> Iterator[Finding]:
        """Yields what has changed.

        Args:
            t: now.
            standing: what stands of the heater, and since when.
            water: where the water is.
            since: gives the moment of an earlier time.
            stopped: whether the pump has stopped, by the chamber.
            again: whether what stands is to be found anew.
        """
        lost, before = self._together(t, standing, stopped=stopped), self.lost
        self.lost = lost
        if lost and (not before or again):
            since_s = standing.get(Verdict.NOT_HEATING, self.chamber.since_s)
            begun = since(t if since_s is None else since_s)
            yield Finding(MAINS_LOST, True, priority_of(MAINS_LOST), MainsLost(water()), begun)
        elif not lost and before:
            self.back_s = t
            yield Finding(MAINS_LOST, False, priority_of(MAINS_LOST), Over())

    def just_back(self, t: float) -> bool:
        """Returns whether they were lost until a short time ago."""
        return t - self.back_s < BACK_S

    def _together(self, t: float, standing: Mapping[str, float], *, stopped: bool) -> bool:
        """Returns whether pump and heater have stopped together. Once told it stands while both
        do."""
        chamber = self.chamber
        if stopped and chamber.silent(t):
            return True
        if not _COLD & standing.keys() or chamber.since_s is None or chamber.warmed:
            return False
        if self.lost:
            return True
        if Verdict.NOT_HEATING not in standing:
            return False
        late_s = standing[Verdict.NOT_HEATING] - chamber.since_s
        return late_s > -PUMP_LATE_S and (stopped or late_s < WINDOW_S)
