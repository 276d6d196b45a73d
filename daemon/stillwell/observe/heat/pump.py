"""The pump and the mains: that they have stopped, and that the pump rests."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from stillwell.alarm.catalogue import priority_of
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.estimate.pump import WINDOW_S, Pump
from stillwell.finding import Finding, Over
from stillwell.observe.heat.facts import MainsLost, PumpStopped, WaterSeen
from stillwell.observe.heat.plan import HeatPlan
from stillwell.reading import Moment

MAINS_LOST = "mains.lost"
PUMP_STOPPED = "pump.stopped"
PUMP_RESTS = "pump.resting"
"""No alarm, but a state of the plant: the chamber stands as it does in a feeding pause or while
water is changed, and a probe in it sees the heater's water and not the tank's."""
PUMP_ALARMS = MAINS_LOST, PUMP_STOPPED
PUMP_LATE_S = 600.0
"""So much later than the heater's failing the rise may be seen: gauges are read now and then."""
BACK_S = 3 * 3600.0
"""A heater that has its current again needs no more proof that it is sound for so long. An
assumption."""
_COLD = frozenset({Verdict.NOT_HEATING, Verdict.TOO_WEAK})
"""What a heater without current looks like."""


@dataclass(slots=True)
class PumpKept:
    """What is known of them, for the next run, beside the pump's own state."""

    told: set[str] = field(default_factory=set)
    """The alarms that stand."""
    rests: bool = False
    back_s: float = -math.inf
    """When the mains were last back, s."""
    newest: tuple[float, float] = (math.nan, math.nan)
    """What the first two probes read last, °C."""


class PumpWatch:
    """Times are seconds of the observer's line of time.

    Args:
        plan: the tank.
        kept: what an earlier run kept.
        moment: gives the moment of an earlier time by the clocks of now.
    """

    def __init__(
        self, plan: HeatPlan, kept: PumpKept, moment: Callable[[float, Moment], Moment]
    ) -> None:
        self._plan, self._kept, self._moment = plan, kept, moment
        self.pump = Pump(plan.drain_back_mm)

    def see_level(self, t: float, value: float, now: Moment) -> Iterator[Finding]:
        """Takes the gauge's value."""
        self.pump.see_level(t, value)
        yield from self.rest(self.pump.unmixed(t), now)
        yield from self._stopped(now)

    def see_probe(
        self, place: int, t: float, value: float, on_c: float | None, now: Moment
    ) -> Iterator[Finding]:
        """Takes a believed reading of the first or the second probe, while both are heard.

        Args:
            place: 0 for the one in the chamber.
            on_c: where the heater comes on, °C; None where that is not known.
        """
        kept = self._kept
        if place == 0:
            kept.newest = value, kept.newest[1]
            if on_c is not None:
                self.pump.see_chamber(t, value, on_c)
        elif not math.isnan(kept.newest[0]):
            self.pump.see_gap(t, kept.newest[0] - value)
            yield from self._stopped(now)

    def rest(self, rests: bool, now: Moment) -> Iterator[Finding]:
        """Takes whether the pump may rest; yields a change of it."""
        if rests is not self._kept.rests:
            self._kept.rests = rests
            yield Finding(PUMP_RESTS, rests, priority_of(PUMP_RESTS), Over())

    def begin(self, now: Moment) -> Iterator[Finding]:
        """Yields how it stands, at the start of a run."""
        kept = self._kept
        rests, kept.rests = kept.rests, False
        yield from self.rest(rests, now)
        kept.told.discard(PUMP_STOPPED)
        yield from self._stopped(now)
        for name in PUMP_ALARMS:
            if name not in kept.told:
                yield Finding(name, False, priority_of(name), Over())

    def mains(
        self,
        t: float,
        standing: Mapping[str, float],
        water: Callable[[], WaterSeen | None],
        now: Moment,
        *,
        again: bool,
    ) -> Iterator[Finding]:
        """Judges the mains.

        Args:
            t: now.
            standing: what stands of the heater, and since when.
            water: where the water is.
            now: as `t`.
            again: whether what stands is to be found anew.
        """
        told, lost = self._kept.told, self._lost(t, standing)
        if lost and (MAINS_LOST not in told or again):
            since_s = standing.get(Verdict.NOT_HEATING, self.pump.since_s)
            since = now if since_s is None else self._moment(since_s, now)
            told.add(MAINS_LOST)
            yield Finding(MAINS_LOST, True, priority_of(MAINS_LOST), MainsLost(water()), since)
        elif not lost and MAINS_LOST in told:
            told.discard(MAINS_LOST)
            self._kept.back_s = t
            yield Finding(MAINS_LOST, False, priority_of(MAINS_LOST), Over())
        self.pump.held = lost

    def just_back(self, t: float) -> bool:
        """Returns whether the mains were lost until a short time ago."""
        return t - self._kept.back_s < BACK_S

    def _lost(self, t: float, standing: Mapping[str, float]) -> bool:
        """Returns whether pump and heater have stopped together. Once told it stands while both
        do."""
        pump = self.pump
        if pump.silent(t):
            return True
        if not _COLD & standing.keys() or pump.since_s is None or pump.warmed:
            return False
        if MAINS_LOST in self._kept.told:
            return True
        if Verdict.NOT_HEATING not in standing:
            return False
        late_s = standing[Verdict.NOT_HEATING] - pump.since_s
        return late_s > -PUMP_LATE_S and (pump.stands or late_s < WINDOW_S)

    def _stopped(self, now: Moment) -> Iterator[Finding]:
        pump, told = self.pump, self._kept.told
        if pump.stands and PUMP_STOPPED not in told and pump.since_s is not None:
            since = self._moment(pump.since_s, now)
            parted_k = (pump.now or 0.0) - (pump.gap or 0.0)
            facts = PumpStopped((self._plan.probes[0], self._plan.probes[1]), parted_k)
            told.add(PUMP_STOPPED)
            yield Finding(PUMP_STOPPED, True, priority_of(PUMP_STOPPED), facts, since)
        elif not pump.stands and PUMP_STOPPED in told:
            told.discard(PUMP_STOPPED)
            yield Finding(PUMP_STOPPED, False, priority_of(PUMP_STOPPED), Over())
