"""One tank's heat: what is learned, what may be so, and what it comes to."""

from __future__ import annotations

from statistics import median, quantiles

from stillwell.estimate.heat_balance.devices import Control, Devices
from stillwell.estimate.heat_balance.hypotheses import (
    LIKELY,
    MOSTLY_APART,
    SUN,
    SURE,
    Around,
    Cause,
    chain,
)
from stillwell.estimate.heat_balance.kalman import Pair, Point
from stillwell.estimate.heat_balance.knowledge import Knowledge
from stillwell.estimate.heat_balance.law import LIFT_SCATTER, PIECE_H, LawLearner, Piece
from stillwell.estimate.heat_balance.mixture import STEERS, Mixture
from stillwell.estimate.heat_balance.places import DROOP_K, placed
from stillwell.estimate.heat_balance.points import BEYOND, REVERSAL_ERRORS, REVERSAL_K, Turn, Turns
from stillwell.estimate.heat_balance.rests import MIXED_K

FLAT_H = 30.0
"""h: water that has been flat for so long without turning points is held proportionally."""
FLAT_SEEN = 72
"""Of the 144 values of a day so many show that it has been flat: not the two ends of a day without
current."""
FLAT_K = 0.25
"""K: as flat as this, between its 10th and 90th percentile, where it is found out that control is
proportional."""
IDLE_ERROR = {True: 0.25, False: 0.6}
"""K/h: of the slope that the water has by itself, with the room seen and not seen, before much is
learned. An assumption."""
BETWEEN_K = 0.5
"""K: dials err by as much."""
SETS_BACK_H = 3.0
"""h: after a cooler night the water is where it is set by day within this. An assumption."""
NEEDS_K = 0.5
"""K: so much above its room water needs heat: what evaporates takes as much as pump and lamp give.
An assumption."""
AGES_H = 1.0
"""h: the law's numbers are let wander as often as this."""
LONG_GAP_H = 1.0
"""h: after so long without a value nothing of the trace is carried over."""
POUR_H = 0.75
"""h: turning points so soon after a pour are the pour's."""
KINK = 0.4
"""Of a device's lift, a turning point that is its own changes the slope by as much."""
OWN, OWN_LEAST_K = 6.0, 0.1
"""A turning point further away than so many scatters, of at least so many kelvin, is another's."""


class TankHeat:
    """Mutable; one a tank. Hours count from any fixed moment.

    Args:
        devices: what acts on the heat.
        room_seen: whether a probe sees the room.
        known: what an earlier run knew. With other devices, begin without it.
    """

    def __init__(
        self, devices: Devices, *, room_seen: bool = False, known: Knowledge | None = None
    ) -> None:
        self.devices, self.room_seen = devices, room_seen
        self.known = known = known or Knowledge()
        self.learner = LawLearner(devices, room_seen)
        if known.law:
            self.learner.take_up(known.law, known.covariance, known.alike)
        self.mixture: Mixture | None = None
        if known.belief is not None:
            self.mixture = Mixture(
                chain(devices, known.proportional),
                known.belief,
                room_seen,
                devices.together,
            )
        self.rests = False
        """Whether by this probe the pump rests now."""
        self.resting = False
        """Whether nothing is weighed, because the pump rests."""
        self.shift = 0.0
        """By how much the heater is set higher now than by day, K."""
        self.room = self.rest = known.base
        """Where the water would settle by the law without heater and chiller, °C."""
        self._by_shift: dict[float, list[Pair]] = {}

    def knowledge(self) -> Knowledge:
        """Returns what is to be kept for the next run. It goes on changing with the next value."""
        theta = self.learner.theta
        self.known.law, self.known.covariance = theta.x, theta.P
        self.known.alike = self.learner.alike
        return self.known

    # -- a value ---------------------------------------------------------------------------------

    def take(
        self,
        at_h: float,
        value: float,
        error: float,
        *,
        room: float | None = None,
        lamp: float = 0.0,
        fan: float = 0.0,
        hour: float = 0.0,
        apart: bool = False,
    ) -> None:
        """Takes one value of the water.

        Args:
            at_h: when, h.
            error: of the value, K.
            room: the air, °C, where a probe sees it now.
            lamp: 1 while the lamp should be on.
            fan: 1 while a fan that a timer switches should be on.
            hour: the local hour of the day, 0 to 24.
            apart: whether another probe knows that the pump rests.
        """
        if self.known.at_h is None:
            self.known.at_h = self.known.start_h = self.known.aged_h = at_h
            self.known.base = value
            return
        hours = at_h - self.known.at_h
        if hours <= 0:
            return
        self.rests = self.mixture is not None and self.known.rests.holds(hour, value)
        if self.mixture is not None and (self.rests or apart):
            self.resting = True
            return
        self.known.at_h = at_h
        if hours > LONG_GAP_H:
            self._cut()
        shift = self.shift = self._shift(hour)
        room = self.known.base if room is None else room
        self.room = room
        self.rest = self.learner.law.rest(room, lamp, fan)
        if at_h - self.known.aged_h >= AGES_H:
            self.learner.age(at_h - self.known.aged_h)
            self.known.aged_h = at_h
        self._look_for_turns(at_h, value, error, hour)
        if self.mixture is None:
            self._watch_flatness(at_h, value)
            self._begin(value, room, lamp)
            return
        if self.known.proportional and self.mixture.causes[Cause.HEALTHY] > LIKELY:
            self._watch_flatness(at_h, value)
        if self.known.proportional:
            self.mixture.doubt = self.learner.error(0) / self.learner.law.loss
        self.mixture.sunny = SUN[0] <= hour < SUN[1]
        law = self.learner.law
        rest = self.rest
        self.known.usual_rest += (rest - self.known.usual_rest) * min(1.0, hours * STEERS)
        odd = rest - self.known.usual_rest if self.known.proportional else 0.0
        missing = self.mixture.missing
        if self.resting:
            self.resting, hours = False, 0.1
            self.mixture.rejoin(value)
        left = hours
        while left > 0.11:
            # A gap is gone through in steps short enough for a thermostat to switch in them.
            self.mixture.step(0.1, None, error, law, rest, self.points(shift))
            left -= 0.1
        self.mixture.step(left, value, error, law, rest, self.points(shift), odd)
        both = missing, self.mixture.missing
        if self.known.rests.see(at_h, hours, hour, self.mixture.jolt, both):
            self._cut()
            if self.known.sound is not None:
                # What it learned since then was of water apart.
                self.learner.take_up(*self.known.sound, self.learner.alike)
                self.known.sound = None
        if abs(self.known.rests.jolted) > MIXED_K:
            self.known.jolted_h = at_h
        self._learn(hours, room, lamp, fan)

    def disturb(self, at_h: float) -> None:
        """Water was poured or changed: what the trace does then is not a device's."""
        self.known.disturbed_h = at_h
        self.known.piece = None
        if self.mixture is not None:
            self.mixture.belief.surprised = True

    @property
    def moved_switches(self) -> bool:
        """Whether a device with a moved dial has been seen to switch there. Proportional control
        never does."""
        moved = self.known.moved_turns
        return self.known.proportional or bool(moved.peaks and moved.troughs)

    # -- inside ----------------------------------------------------------------------------------

    def _cut(self) -> None:
        """What comes next has nothing to do with the trace before it."""
        self.known.zigzag.cut()
        self.known.recent.clear()
        self.known.piece = None

    def _shift(self, hour: float) -> float:
        """Returns by how much the heater is set higher at an hour than by day, K."""
        night = self.devices.night
        return night.by_k if night is not None and night.holds(hour) else 0.0

    def _look_for_turns(self, at_h: float, value: float, error: float, hour: float) -> None:
        turn = self.known.zigzag.add(at_h, value, max(REVERSAL_K, REVERSAL_ERRORS * error))
        if turn is None:
            return
        shift = self._shift((hour - (at_h - turn.at_h)) % 24)
        turn = Turn(turn.at_h, turn.water - shift, turn.peak)
        self.known.recent.append(turn)
        del self.known.recent[:-3]
        if (
            len(self.known.recent) == 3
            and self.known.recent[1].at_h - self.known.disturbed_h >= POUR_H
        ):
            self._take_turn(*self.known.recent)

    def _take_turn(self, before: Turn, turn: Turn, after: Turn) -> None:
        """Learns from a turning point at which a device switched: rooms and lamps turn the water
        too, but not as sharply."""
        which = self._whose(before, turn, after)
        law = self.learner.law
        if (
            abs(_slope(turn, after) - _slope(before, turn))
            < KINK * (law.heater, law.chiller)[which]
        ):
            return
        causes = self.mixture.causes if self.mixture is not None else {Cause.HEALTHY: 1.0}
        apart = self.mixture.around(Around.APART) if self.mixture is not None else 0.0
        if causes[Cause.HEALTHY] > LIKELY and apart < LIKELY and self._own(which, turn):
            self.known.turns[which].add(turn, before)
            self.known.rests.own_h = turn.at_h
            theta = self.learner.theta
            self.known.sound = list(theta.x), [list(row) for row in theta.P]
            self._by_shift.clear()
            if self.mixture is not None:
                self._learn_lift(which, turn)
            self.known.moved_turns = Turns()
        elif causes.get(Cause.MOVED, 0.0) > LIKELY:
            self.known.moved_turns.add(turn, before)
            self._adopt()

    def _whose(self, before: Turn, turn: Turn, after: Turn) -> int:
        """Returns whose switching a turning point is: the heater's 0, the chiller's 1. A heater
        makes the water rise as it would not by itself, a chiller makes it fall so."""
        devices = self.devices
        if devices.heater is None or not devices.chiller:
            return int(devices.heater is None)
        law = self.learner.law
        one, other = _slope(before, turn), _slope(turn, after)
        rise, fall = (one, other) if turn.peak else (other, one)
        idle = law.loss * (self.rest - turn.water)
        error2 = (IDLE_ERROR[self.room_seen]) ** 2
        heats = (fall - idle) ** 2 + (rise - idle - law.heater) ** 2
        chills = (rise - idle) ** 2 + (fall - idle + law.chiller) ** 2
        evidence = (heats - chills) / (2 * error2)
        if devices.between_c is not None:
            evidence += (turn.water - devices.between_c) / BETWEEN_K
        return int(evidence > 0)

    def _own(self, which: int, turn: Turn) -> bool:
        """Returns whether a turning point is near where the device switches, if that is known."""
        pair = self.known.turns[which].pair()
        if pair is None:
            return True
        point = pair[1] if turn.peak else pair[0]
        return abs(turn.water - point.at) < OWN * max(point.scatter, OWN_LEAST_K)

    def _learn_lift(self, which: int, turn: Turn) -> None:
        """Learns from what the last switch changed, where it and the ones before were where the
        device switches."""
        turns = self.known.turns[which]
        pair = turns.pair()
        if self.known.proportional or pair is None or not (turns.rises and turns.falls):
            self.known.clean = 0
            return
        point = pair[1] if turn.peak else pair[0]
        usual = abs(turn.water - point.at) < BEYOND * point.scatter
        self.known.clean = self.known.clean + 1 if usual else 0
        if self.known.clean >= 3:
            lift = turns.rises[-1] - turns.falls[-1]
            self.learner.take_lift(which, lift, LIFT_SCATTER * lift)

    def _adopt(self) -> None:
        new = self.known.moved_turns
        if new.pair() is None or self.mixture is None:
            return
        self.known.turns[0].become(new)
        self._by_shift.clear()
        self.known.moved_turns = Turns()
        self.mixture.heal()

    def points(self, shift: float) -> list[Pair]:
        """Returns the pairs of points by their number; see `hypotheses.Switch`."""
        found = self._by_shift.get(shift)
        if found is None:
            found = self._by_shift[shift] = placed(self.known, self.devices, shift)
        return found

    def pair(self) -> tuple[Point, Point]:
        """Returns where the device's heat begins and ends now."""
        return self.points(self.shift)[0]

    def _watch_flatness(self, at_h: float, value: float) -> None:
        if self.shift:
            self.known.shifted_h = at_h
        if at_h - self.known.shifted_h < SETS_BACK_H:
            return
        if at_h - self.known.flat_h >= 1 / 6:
            self.known.flat_h = at_h
            self.known.flat.append(value)
            self._by_shift.clear()
            del self.known.flat[:-144]

    def _begin(self, value: float, room: float, lamp: float) -> None:
        """Begins to weigh once it is known where the devices switch."""
        devices = self.devices
        if not devices.any:
            return
        assert self.known.at_h is not None
        known = [turns.pair() for turns in self.known.turns]
        if devices.heater is Control.PROPORTIONAL:
            known[0] = None
        if any(known):
            for which, turns in enumerate(self.known.turns):
                swing = turns.swing_slope()
                if swing is not None and known[which]:
                    self.learner.take_lift(which, swing, 0.25 * swing)
        elif self.known.at_h - self.known.start_h > FLAT_H and devices.heater is not None:
            if len(self.known.flat) < FLAT_SEEN:
                return
            # So does a thermostat whose points are nearer to each other than a probe can see.
            tenths = quantiles(self.known.flat, n=10)
            needs = self.room + NEEDS_K < tenths[0] if self.room_seen else not devices.chiller
            said = devices.heater is Control.PROPORTIONAL
            if not needs or (tenths[-1] - tenths[0] > FLAT_K and not said):
                return
            self.known.proportional = True
        else:
            return
        law = self.learner.law
        falls = self.known.turns[0].falls
        wander = 0.0
        if self.known.proportional:
            self.learner.take_held(self.room, value)
            self.rest = self.learner.law.rest(room, lamp)
        elif falls and devices.heater is not None:
            wander = value + median(falls) / law.loss - law.rest(room, lamp)
        states = chain(devices, self.known.proportional)
        self.mixture = Mixture.begun(states, value, self.room_seen, wander, devices.together)
        self.known.belief = self.mixture.belief
        self.known.usual_rest = self.rest
        self._by_shift.clear()

    def _learn(self, hours: float, room: float, lamp: float, fan: float) -> None:
        mixture, known = self.mixture, self.known
        assert mixture is not None
        water = mixture.leader.water
        if (
            # What the heater gives while control may hold the water is not known.
            (known.proportional and abs(water - self.pair()[0].at) < DROOP_K)
            or not _known(mixture.causes)
            or mixture.around(Around.APART) > MOSTLY_APART
        ):
            known.piece = None
            return
        piece = known.piece
        if piece is None:
            known.piece = Piece(water)
            return
        heats, chills = mixture.given()
        piece.hours += hours
        piece.heats += hours * heats
        piece.chills += hours * chills
        piece.gap += hours * (room - water)
        piece.lamp += hours * lamp
        piece.fan += hours * fan
        piece.calm += hours * mixture.around(Around.CALM)
        if piece.hours >= PIECE_H:
            self.learner.take(piece, water, mixture.leader.w)
            known.piece = None


def _slope(one: Turn, other: Turn) -> float:
    return (other.water - one.water) / max(other.at_h - one.at_h, 1e-3)


def _known(causes: dict[Cause, float]) -> bool:
    """Returns whether it is known well enough what the devices give. In a fault the water goes
    where it never was, and nothing teaches the loss better."""
    cold = causes.get(Cause.DEAD, 0.0) + causes.get(Cause.MOVED_DOWN, 0.0)
    hot = causes.get(Cause.STUCK, 0.0) + causes.get(Cause.MOVED_UP, 0.0)
    return max(causes[Cause.HEALTHY], cold, hot) > SURE
