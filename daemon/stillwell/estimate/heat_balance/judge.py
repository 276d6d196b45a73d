"""What the hypotheses come to: judged by consequence, named by cause."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from stillwell.estimate.heat_balance.hypotheses import LIKELY, SECOND, SHARE, SURE, Cause, Level
from stillwell.estimate.heat_balance.places import DROOP_K
from stillwell.estimate.heat_balance.points import BEYOND
from stillwell.estimate.heat_balance.tank import TankHeat

RAISE, CLEAR = 0.97, 0.03
"""Probabilities at which an alarm is raised and cleared: thirty times the cost of a silence is that
of an alarm for nothing, and an alarm that stands needs as much to be taken back."""
PATIENT_H = 0.3
"""h: proportional control holds the water so closely that a pause of the pump looks like a fault;
people and timers let pumps rest for less. Before a band is left there are hours."""
HANDS_H = 1.0
"""h: hands that change the water keep the heater unplugged for no longer. An assumption."""
SOME_H = 6.0
"""h: a heater that gives a part of its heat still holds the water, or lets it go slowly. So long
its half cycles are watched. An assumption."""
SETTLED_H = 6.0
"""h: water that proportional control does not hold, because it is too warm, rests for less."""
HELD_H = 1.0
"""h: an alarm that stands is taken back after so long below `CLEAR`: a half cycle of a tank."""
SHORT_H = 3.0
"""h: a water change is warmed up within this; a heater that is on for longer is too weak."""


def sums(tank: TankHeat) -> tuple[float, float]:
    """Returns the probabilities that heat is missing where it always came, and that it goes on
    where it always ended."""
    mixture = tank.mixture
    if mixture is None:
        return 0.0, 0.0
    causes = mixture.causes
    missing = mixture.missing
    goes_on = causes.get(Cause.STUCK, 0.0) + causes.get(Cause.MOVED_UP, 0.0)
    # A dial that is known to have moved is no missing heat.
    if causes.get(Cause.MOVED, 0.0) < SURE or not tank.moved_switches:
        low, high = tank.pair()
        water = mixture.leader.water
        moved = mixture.of(Cause.MOVED)
        # Water that has turned at a peak does not go on to be heated, nor cooled at a trough.
        last = tank.known.recent[-1].peak if tank.known.recent else None
        if last is not False and water < low.at - BEYOND * low.scatter:
            missing += moved.get(Level.OFF, 0.0)
        if last is not True and water > high.at + BEYOND * high.scatter:
            goes_on += moved.get(Level.ON, 0.0)
    return missing, goes_on


class Verdict(StrEnum):
    """What may be said of a tank's heat, as alarms are called."""

    NOT_HEATING = "heater.not-heating"
    STUCK_ON = "heater.stuck-on"
    TOO_WEAK = "heater.too-weak"
    SETTING_MOVED = "heater.setting-moved"
    NOT_COOLING = "chiller.not-cooling"
    CHILLER_STUCK = "chiller.stuck-on"


_COLD = frozenset({Verdict.NOT_HEATING, Verdict.TOO_WEAK})
_HIGHER = frozenset({Verdict.NOT_HEATING, Verdict.STUCK_ON})


@dataclass(slots=True)
class Judgement:
    """Which verdicts stand. Mutable; one a tank."""

    since: dict[Verdict, float] = field(default_factory=dict)
    """What stands, and since when, h."""
    doubtful: dict[Verdict, float] = field(default_factory=dict)
    """What stands and is no longer borne out, and since when, h."""
    held: dict[Verdict, float] = field(default_factory=dict)
    """What is as probable as it need be, and since when, h."""
    short_h: float | None = None
    """Since when a heater that works does not hold the water."""

    def look(self, tank: TankHeat) -> bool:
        """Returns whether what stands has changed."""
        at_h = tank.known.at_h
        if at_h is None or tank.mixture is None:
            return False
        changed = False
        for verdict, probability in self._odds(tank, at_h).items():
            stands = verdict in self.since
            if not stands and probability < LIKELY:
                self.held.pop(verdict, None)
            elif not stands and probability >= RAISE and _tells(verdict, tank):
                patience = self._patience(verdict, tank)
                if verdict in _COLD and at_h - tank.known.jolted_h < HANDS_H:
                    patience = max(patience, HANDS_H)
                if at_h - self.held.setdefault(verdict, at_h) >= patience:
                    self.since[verdict] = self.held.pop(verdict)
                    changed = True
            elif stands and probability > CLEAR:
                self.doubtful.pop(verdict, None)
            elif stands and at_h - self.doubtful.setdefault(verdict, at_h) >= HELD_H:
                del self.since[verdict], self.doubtful[verdict]
                changed = True
        return changed

    def follow(self, other: Judgement) -> None:
        """Goes on from what stands by another. What stands by this one alone was taken back there:
        it must be as probable here as what is raised."""
        for verdict in self.since.keys() - other.since.keys():
            self.held[verdict] = self.since.pop(verdict)
            self.doubtful.pop(verdict, None)
        self.since = other.since | self.since

    @staticmethod
    def _patience(verdict: Verdict, tank: TankHeat) -> float:
        if verdict is Verdict.TOO_WEAK:
            sinks = _tells(Verdict.NOT_HEATING, tank) and not _comes_back(tank)
            return 0.0 if sinks else SOME_H
        if not tank.known.proportional:
            return 0.0
        return SETTLED_H if verdict is Verdict.SETTING_MOVED else PATIENT_H

    def _odds(self, tank: TankHeat, at_h: float) -> dict[Verdict, float]:
        """Returns the probability of each verdict. A lack of heat has one name for as long as it
        lasts."""
        mixture = tank.mixture
        assert mixture is not None
        causes = mixture.causes
        missing, goes_on = sums(tank)
        weak = Verdict.TOO_WEAK in self.since
        if not weak and Verdict.NOT_HEATING not in self.since:
            some = causes.get(Cause.WEAK, 0.0) + causes.get(Cause.FAINT, 0.0)
            # Nobody is to take a dead heater for a weak one.
            weak = some > SURE * missing
        short = self._short(tank, at_h)
        return {
            Verdict.NOT_HEATING: 0.0 if weak else missing,
            Verdict.TOO_WEAK: max(missing if weak else 0.0, short),
            Verdict.STUCK_ON: goes_on,
            # Of several heaters nobody can tell whose dial it was.
            Verdict.SETTING_MOVED: causes.get(Cause.MOVED, 0.0) if self._names(tank) else 0.0,
            Verdict.NOT_COOLING: causes.get(Cause.CHILLER_DEAD, 0.0),
            Verdict.CHILLER_STUCK: causes.get(Cause.CHILLER_STUCK, 0.0),
        }

    def _names(self, tank: TankHeat) -> bool:
        """Returns whether a moved dial may be named. An alarm that stands has said that the heat is
        not as it was."""
        return (
            not tank.devices.several
            and tank.moved_switches
            and self.since.keys().isdisjoint(_HIGHER)
        )

    def _short(self, tank: TankHeat, at_h: float) -> float:
        """Returns the probability that a heater that is on does not hold the water."""
        mixture = tank.mixture
        assert mixture is not None
        low = tank.pair()[0]
        law = tank.learner.law
        settles = tank.rest + mixture.leader.w + full(tank) * law.heater / law.loss
        below = mixture.leader.water < low.at - BEYOND * low.scatter
        if tank.known.proportional or not below or settles > low.at:
            self.short_h = None
            return 0.0
        self.short_h = at_h if self.short_h is None else self.short_h
        on = mixture.of(Cause.HEALTHY).get(Level.ON, 0.0)
        return on if at_h - self.short_h > SHORT_H else 0.0


def full(tank: TankHeat) -> float:
    """Returns what all heaters together give, as a share of what the one that switches does."""
    together = tank.devices.together
    return 1.0 if together is None else max(together / tank.learner.law.heater, SECOND)


def _comes_back(tank: TankHeat) -> bool:
    """Returns whether a part of the heat is enough to bring the water to where it goes on."""
    mixture, law = tank.mixture, tank.learner.law
    assert mixture is not None
    faint = mixture.causes.get(Cause.FAINT, 0.0) > mixture.causes.get(Cause.WEAK, 0.0)
    lift = SHARE[Level.FAINT if faint else Level.WEAK] * law.heater / law.loss
    return tank.rest + mixture.leader.w + lift > tank.pair()[0].at


def _tells(verdict: Verdict, tank: TankHeat) -> bool:
    """Returns whether the water is where the device has always switched by. Water that hovers at
    its point says little, however long it does."""
    assert tank.mixture is not None
    water = tank.mixture.leader.water
    low, high = tank.pair()
    droop = DROOP_K if tank.known.proportional else 0.0
    if verdict is Verdict.NOT_HEATING:
        return water < low.at - max(BEYOND * low.scatter, droop)
    if verdict is Verdict.STUCK_ON:
        return water > high.at + max(BEYOND * high.scatter, droop)
    return True
