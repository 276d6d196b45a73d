"""The balance of heat as one probe sees it: from its readings to what stands."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from stillwell.estimate.heat_balance.day import Day
from stillwell.estimate.heat_balance.devices import Devices
from stillwell.estimate.heat_balance.hypotheses import HELD, LIKELY, Cause, Level
from stillwell.estimate.heat_balance.judge import CLEAR, Judgement, Verdict, full, sums
from stillwell.estimate.heat_balance.knowledge import Knowledge
from stillwell.estimate.heat_balance.means import Means
from stillwell.estimate.heat_balance.points import BEYOND
from stillwell.estimate.heat_balance.tank import TankHeat

LIMIT_H = 6
"""h: a heater at its limit has been on for so long; the longest half cycle of a heater with heat
to spare is shorter."""
LIMIT = 0.9
"""Of the time, such a heater is on."""
SPARE = 0.7
"""Of the time, one with heat to spare again."""
DENIED = 0.2
"""The probability below which one probe denies what another says. An assumption."""


class Around(NamedTuple):
    """What is known of the tank's surroundings at a moment."""

    room_c: float | None
    lamp: float
    """1 while it should be on."""
    fan: float
    """As `lamp`, of a fan that a timer switches."""
    hour: float
    """The local hour of the day, 0 to 24."""


@dataclass(slots=True)
class Held:
    """What is kept of one probe for the next run. Times are seconds of the watch."""

    known: Knowledge = field(default_factory=Knowledge)
    means: Means = field(default_factory=Means)
    judgement: Judgement = field(default_factory=Judgement)
    day: Day = field(default_factory=Day)
    value: float = math.nan
    good_s: float = -math.inf
    """When it was last read well."""
    moved_s: float = -math.inf
    """When it last read something else than before."""
    step_h: float = 0.0
    """Between the last two means."""
    limit_s: float | None = None
    """Since when the heater has been on almost without a pause, and the water holds."""
    warm_s: float | None = None
    """Since when the water has been warmer than where the heater goes off, without its heat."""


class ProbeHeat:
    """One probe's view.

    Args:
        devices: what acts on the heat.
        room_seen: whether a probe sees the room.
        held: what an earlier run kept, with the same devices.
    """

    def __init__(self, devices: Devices, *, room_seen: bool, held: Held | None = None) -> None:
        self._held = held or Held()
        self.tank = TankHeat(devices, room_seen=room_seen, known=self._held.known)
        if self.tank.mixture is not None:
            self.tank.mixture.law = self.tank.learner.law

    @property
    def held(self) -> Held:
        """Returns what is to be kept; it goes on changing with the next reading."""
        self._held.known = self.tank.knowledge()
        return self._held

    @property
    def judgement(self) -> Judgement:
        return self._held.judgement

    @property
    def day(self) -> Day:
        return self._held.day

    @property
    def learned(self) -> bool:
        """Whether it is known what the devices do when they are well."""
        return self.tank.mixture is not None

    def take(self, at_s: float, value: float, around: Around, *, apart: bool = False) -> bool:
        """Takes a good reading. Returns whether it completed a mean, so that something may have
        changed.

        Args:
            apart: see `TankHeat.take`.
        """
        held, tank = self._held, self.tank
        held.good_s = at_s
        if value != held.value:
            held.value, held.moved_s = value, at_s
        mean = held.means.add(at_s, value)
        if mean is None or not tank.devices.any:
            return False
        before_h, at_h = tank.known.at_h, mean.at_s / 3600
        held.step_h = 0.0 if before_h is None else at_h - before_h
        tank.take(
            at_h,
            mean.value,
            mean.error,
            room=around.room_c,
            lamp=around.lamp,
            fan=around.fan,
            hour=around.hour,
            apart=apart,
        )
        if before_h is not None and tank.mixture is not None:
            self._note_day(at_h, held.step_h, around)
            held.judgement.look(tank)
            self._look_at_limits(at_s)
        return True

    def denies(self, verdict: Verdict) -> bool:
        """Returns whether a verdict that another probe gives is improbable by this one."""
        mixture = self.tank.mixture
        if mixture is None:
            return False
        missing, goes_on = sums(self.tank)
        causes = mixture.causes
        odds = {
            Verdict.NOT_HEATING: missing,
            Verdict.TOO_WEAK: max(missing, mixture.share(Level.ON)),
            Verdict.STUCK_ON: goes_on,
            Verdict.NOT_COOLING: causes.get(Cause.CHILLER_DEAD, 0.0),
            Verdict.CHILLER_STUCK: causes.get(Cause.CHILLER_STUCK, 0.0),
        }
        return odds.get(verdict, 1.0) < DENIED

    def rests_at(self, share: float) -> float:
        """Returns where the water would settle with the heater on for a share of the time, °C."""
        tank = self.tank
        assert tank.mixture is not None
        law = tank.learner.law
        return tank.rest + tank.mixture.leader.w + share * law.heater / law.loss

    def heats(self) -> float:
        """Returns the heater's present share of its full heat."""
        mixture = self.tank.mixture
        assert mixture is not None
        heat = mixture.given()[0]
        held = sum(mixture.share(level) for level in HELD)
        if held > 0:
            law = self.tank.learner.law
            needed = law.loss * (mixture.leader.water - self.rests_at(0.0)) / law.heater
            heat += held * min(max(needed, 0.0), 1.0)
        return heat

    def slope(self) -> float:
        """Returns how fast the water changes by the balance, K/h."""
        tank = self.tank
        assert tank.mixture is not None
        law = tank.learner.law
        cools = law.chiller * tank.mixture.given()[1]
        drive = law.loss * (self.rests_at(self.heats()) - tank.mixture.leader.water)
        return drive - cools

    def _note_day(self, at_h: float, hours: float, around: Around) -> None:
        tank = self.tank
        assert tank.mixture is not None
        at = tank.mixture.leader
        room = tank.known.base if around.room_c is None else around.room_c
        cools = tank.mixture.given()[1]
        gap = room + at.w - at.water
        gap += around.fan * tank.learner.law.fan
        self._held.day.add(at_h, min(hours, 1.0), self.heats(), cools, gap, around.lamp)

    def _look_at_limits(self, at_s: float) -> None:
        """Looks for a heater at its limit, and for water that is too warm without it."""
        held, tank, mixture = self._held, self.tank, self.tank.mixture
        assert mixture is not None
        missing, goes_on = sums(tank)
        high = tank.pair()[1]
        lately = held.day.lately(LIMIT_H)
        share = 0.0 if lately is None else lately.heater / full(tank)
        # What control gives that holds the water is not known so well.
        unknown = missing + goes_on + mixture.share(Level.HOLD) > LIKELY
        if tank.devices.heater is None or unknown or share < SPARE:
            held.limit_s = None
        elif held.limit_s is None and share > LIMIT and self.rests_at(full(tank)) < high.at:
            held.limit_s = at_s
        healthy = mixture.causes.get(Cause.HEALTHY, 0.0)
        edge = high.at + (BEYOND if held.warm_s is None else 1.0) * high.scatter
        warm = mixture.leader.water > edge and self.heats() < LIKELY
        if not warm or tank.devices.heater is None or goes_on > LIKELY:
            held.warm_s = None
        elif held.warm_s is None and goes_on < CLEAR and healthy > LIKELY:
            held.warm_s = at_s

    def rezeroed(self, by: float) -> ProbeHeat:
        """Returns the view of a probe that reads higher by so much from now on, K, although the
        water is as it was."""
        held, tank = self.held, self.tank
        known = held.known
        held.means = Means(held.means.noise)
        held.value += by
        turns = (*known.turns, known.moved_turns)
        for kept in (*(t.peaks for t in turns), *(t.troughs for t in turns), known.recent):
            kept[:] = [replace(turn, water=turn.water + by) for turn in kept]
        known.zigzag.cut()
        known.piece = known.sound = None
        known.flat = [water + by for water in known.flat]
        known.pairs = [
            None
            if pair is None
            else (replace(pair[0], at=pair[0].at + by), replace(pair[1], at=pair[1].at + by))
            for pair in known.pairs
        ]
        if not tank.room_seen:
            known.base += by
        elif known.law:
            # The room's probe reads as before: water and rest are both higher by as much.
            known.law[3] += by * known.law[2]
        for one in known.belief.filters if known.belief is not None else ():
            if one is not None:
                one.water, one.low, one.high = one.water + by, one.low + by, one.high + by
        return ProbeHeat(tank.devices, room_seen=tank.room_seen, held=held)
