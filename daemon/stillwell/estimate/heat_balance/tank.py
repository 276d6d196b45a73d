"""One tank's heat: what is learned, what may be so, and what it comes to."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median, quantiles

from stillwell.estimate.heat_balance.devices import Control, Devices
from stillwell.estimate.heat_balance.hypotheses import SHARE, SUN, Cause, Level, chain
from stillwell.estimate.heat_balance.kalman import Point
from stillwell.estimate.heat_balance.law import LIFT_SCATTER, LawLearner
from stillwell.estimate.heat_balance.mixture import Mixture
from stillwell.estimate.heat_balance.points import (
    REVERSAL_ERRORS,
    REVERSAL_K,
    Turn,
    Turns,
    Zigzag,
)

PIECE_H = 2 / 3
"""h: a piece from which the law learns: long beside a heater's lag, short beside a lamp's hours."""
SURE, LIKELY = 0.9, 0.5
"""The probabilities of health above which the law and the points are learned."""
FLAT_H = 30.0
"""h: water that has been flat for so long without turning points is held proportionally."""
FLAT_K = 0.25
"""K: as flat as this, between its 10th and 90th percentile."""
HELD_LEAST, HELD_WIDER = 0.06, 1.5
"""K: proportional control holds no tank closer than this; and by so much more than the nine tenths
of a day, if these are normal, it may let the water go on another one. Assumptions."""
UNKNOWN_K = 1.0
"""K: of points that nobody has seen."""
LONG_GAP_H = 1.0
"""h: after so long without a value nothing of the trace is carried over."""
POUR_H = 0.75
"""h: turning points so soon after a pour are the pour's."""
KINK = 0.4
"""Of a device's lift, a turning point that is its own changes the slope by as much."""
USUAL = 3.0
"""Scatters from its point, a turning point is the device's."""
ADOPTED = 3
"""So many new turning points of each kind, where a moved dial leads, are its new points."""


@dataclass(slots=True)
class TankHeat:
    """Mutable; one a tank. Hours count from any fixed moment."""

    devices: Devices
    room_seen: bool = False
    learner: LawLearner = field(init=False)
    turns: tuple[Turns, Turns] = field(default_factory=lambda: (Turns(), Turns()))
    """The heater's and the chiller's, as by day."""
    zigzag: Zigzag = field(default_factory=Zigzag)
    mixture: Mixture | None = None
    proportional: bool = False
    clean: int = 0
    """So many turning points in a row were where the device switches."""
    shift: float = 0.0
    """By how much the heater is set higher now than by day, K."""
    at_h: float | None = None
    start_h: float = 0.0
    disturbed_h: float = -1e9
    recent: list[Turn] = field(default_factory=list)
    """The last three turning points, as by day."""
    moved_turns: Turns = field(default_factory=Turns)
    flat: list[float] = field(default_factory=list)
    """The water every ten minutes, for a day."""
    flat_h: float = -1e9
    rest: float = 0.0
    """Where the water would settle by the law without heater and chiller, °C."""
    base: float = 0.0
    """Stands for the room where it is not seen, °C."""
    pairs: list[tuple[Point, Point] | None] = field(default_factory=lambda: [None, None])
    """Of heater and chiller as last known, as by day."""
    piece: list[float] = field(default_factory=list)
    """Hours, heater's and chiller's share, gap and lamp, each times hours; water at its start; rest
    of the law."""

    def __post_init__(self) -> None:
        self.learner = LawLearner(
            self.devices.heater_lift,
            self.devices.chiller_lift,
            self.room_seen,
            self.devices.volume_l,
        )

    # -- a value ---------------------------------------------------------------------------------

    def take(
        self,
        at_h: float,
        value: float,
        error: float,
        *,
        room: float | None = None,
        lamp: float = 0.0,
        hour: float = 0.0,
    ) -> None:
        """Takes one value of the water.

        Args:
            at_h: when, h.
            error: of the value, K.
            room: the air, °C, where a probe sees it now.
            lamp: 1 while the lamp should be on.
            hour: the local hour of the day, 0 to 24.
        """
        if self.at_h is None:
            self.at_h = self.start_h = at_h
            self.base = value
            return
        hours = at_h - self.at_h
        if hours <= 0:
            return
        self.at_h = at_h
        if hours > LONG_GAP_H:
            self.zigzag.cut()
            self.recent.clear()
            self.piece.clear()
        shift = self.shift = self._shift(hour)
        room = self.base if room is None else room
        self.learner.age(hours)
        self._look_for_turns(at_h, value, error, hour)
        if self.mixture is None:
            self._watch_flatness(at_h, value)
            self._begin(value, room, lamp)
            return
        if self.proportional and self.mixture.causes()[Cause.HEALTHY] > LIKELY:
            self._watch_flatness(at_h, value)
        self.mixture.sunny = SUN[0] <= hour < SUN[1]
        law = self.learner.law
        rest = self.rest = law.rest(room, lamp)
        left = hours
        while left > 0.11:
            # A gap is gone through in steps short enough for a thermostat to switch in them.
            self.mixture.step(0.1, None, error, law, rest, self._points(shift))
            left -= 0.1
        self.mixture.step(left, value, error, law, rest, self._points(shift))
        self._learn(hours, room, lamp)

    def disturb(self, at_h: float) -> None:
        """Water was poured or changed: what the trace does then is not a device's."""
        self.disturbed_h = at_h
        self.piece.clear()
        if self.mixture is not None:
            self.mixture.surprised = True

    # -- inside ----------------------------------------------------------------------------------

    def _shift(self, hour: float) -> float:
        """Returns by how much the heater is set higher at an hour than by day, K."""
        night = self.devices.night
        return night.by_k if night is not None and night.holds(hour) else 0.0

    def _look_for_turns(self, at_h: float, value: float, error: float, hour: float) -> None:
        turn = self.zigzag.add(at_h, value, max(REVERSAL_K, REVERSAL_ERRORS * error))
        if turn is None:
            return
        shift = self._shift((hour - (at_h - turn.at_h)) % 24)
        turn = Turn(turn.at_h, turn.water - shift, turn.peak)
        self.recent.append(turn)
        del self.recent[:-3]
        if len(self.recent) == 3 and self.recent[1].at_h - self.disturbed_h >= POUR_H:
            self._take_turn(*self.recent)

    def _take_turn(self, before: Turn, turn: Turn, after: Turn) -> None:
        """Learns from a turning point at which a device switched: rooms and lamps turn the water
        too, but not as sharply."""
        which = self._whose(turn)
        law = self.learner.law
        if (
            abs(_slope(turn, after) - _slope(before, turn))
            < KINK * (law.heater, law.chiller)[which]
        ):
            return
        causes = self.mixture.causes() if self.mixture is not None else {Cause.HEALTHY: 1.0}
        apart = self.mixture.around()[3] if self.mixture is not None else 0.0
        if causes[Cause.HEALTHY] > LIKELY and apart < 0.5:
            self.turns[which].add(turn, before)
            if self.mixture is not None:
                self._learn_lift(which, turn)
            self.moved_turns = Turns()
        elif causes.get(Cause.MOVED, 0.0) > LIKELY:
            self.moved_turns.add(turn, before)
            self._adopt()

    def _whose(self, turn: Turn) -> int:
        """Returns whose switching a turning point is: the heater's 0, the chiller's 1."""
        if self.devices.heater is None:
            return 1
        between = self.devices.between_c
        return int(self.devices.chiller and between is not None and turn.water > between)

    def _learn_lift(self, which: int, turn: Turn) -> None:
        """Learns from what the last switch changed, where it and the ones before were where the
        device switches."""
        turns = self.turns[which]
        pair = turns.pair()
        if self.proportional or pair is None or not (turns.rises and turns.falls):
            self.clean = 0
            return
        point = pair[1] if turn.peak else pair[0]
        usual = abs(turn.water - point.at) < USUAL * point.scatter
        self.clean = self.clean + 1 if usual else 0
        if self.clean >= 3:
            lift = turns.rises[-1] - turns.falls[-1]
            self.learner.take_lift(which, lift, LIFT_SCATTER * lift)

    def _adopt(self) -> None:
        new = self.moved_turns
        if min(len(new.peaks), len(new.troughs)) < ADOPTED or self.mixture is None:
            return
        self.turns[0].become(new)
        self.moved_turns = Turns()
        self.mixture.heal()

    def _points(self, shift: float) -> list[tuple[Point, Point]]:
        """Returns the pairs of points by their number; see `hypotheses.Switch`."""
        known = [turns.pair() or last for turns, last in zip(self.turns, self.pairs, strict=True)]
        self.pairs = known
        if self.proportional:
            a, s = self.held()
            a += shift
            middle = (Point(a, s), Point(a, s))
            chills = known[1] or self._supposed(1)
            upper = (Point(a + s, s / 2), Point(a + 3 * s, s / 2))
            lower = (Point(a - 3 * s, s / 2), Point(a - s, s / 2))
            full = (Point(a - 6 * s, 3 * s), Point(a - 4 * s, 3 * s))
            return [middle, chills, upper, lower, middle, full]
        heats, chills = (pair or self._supposed(i) for i, pair in enumerate(known))
        if shift:
            heats = (
                Point(heats[0].at + shift, heats[0].scatter),
                Point(heats[1].at + shift, heats[1].scatter),
            )
        return [heats, chills]

    def _supposed(self, which: int) -> tuple[Point, Point]:
        """Returns where a device that has not switched yet may do so: beyond the other's points."""
        other = self.pairs[1 - which]
        if other is None:
            return Point(self.base, UNKNOWN_K), Point(self.base, UNKNOWN_K)
        between = self.devices.between_c
        middle = 0.5 * (other[0].at + other[1].at)
        away = UNKNOWN_K if between is None else max(2 * abs(between - middle), UNKNOWN_K)
        at = middle + away if which else middle - away
        return Point(at - UNKNOWN_K / 4, UNKNOWN_K / 2), Point(at + UNKNOWN_K / 4, UNKNOWN_K / 2)

    def held(self) -> tuple[float, float]:
        """Returns where proportional control holds the water, and how far from there it lets it go
        on a day, °C and K."""
        ordered = sorted(self.flat)
        n = len(ordered)
        low, high = ordered[n // 20], ordered[n - 1 - n // 20]
        return ordered[n // 2], max(HELD_LEAST, HELD_WIDER * (high - low) / 3.3)

    def pair(self) -> tuple[Point, Point]:
        """Returns where the device's heat begins and ends now."""
        return self._points(self.shift)[0]

    def _watch_flatness(self, at_h: float, value: float) -> None:
        if at_h - self.flat_h >= 1 / 6:
            self.flat_h = at_h
            self.flat.append(value)
            del self.flat[:-144]

    def _begin(self, value: float, room: float, lamp: float) -> None:
        """Begins to weigh once it is known where the devices switch."""
        devices = self.devices
        if not devices.any:
            return
        assert self.at_h is not None
        known = [turns.pair() for turns in self.turns]
        if devices.heater is Control.PROPORTIONAL:
            known[0] = None
        if any(known):
            for which, turns in enumerate(self.turns):
                swing = turns.swing_slope()
                if swing is not None and known[which]:
                    self.learner.take_lift(which, swing, 0.25 * swing)
        elif self.at_h - self.start_h > FLAT_H and devices.heater in (
            Control.PROPORTIONAL,
            Control.UNKNOWN,
        ):
            tenths = quantiles(self.flat, n=10)
            if tenths[-1] - tenths[0] > FLAT_K:
                return
            self.proportional = True
        else:
            return
        law = self.learner.law
        falls = self.turns[0].falls
        wander = 0.0
        if falls and devices.heater is not None:
            wander = value + median(falls) / law.loss - law.rest(room, lamp)
        self.mixture = Mixture(chain(devices, self.proportional), value, self.room_seen, wander)
        if devices.first_share is not None:
            self.mixture.first = devices.first_share

    def _learn(self, hours: float, room: float, lamp: float) -> None:
        mixture = self.mixture
        assert mixture is not None
        around = mixture.around()
        if self.proportional or not _known(mixture.causes()) or around[3] > 0.3:
            self.piece.clear()
            return
        at = mixture.leader
        if not self.piece:
            self.piece = [0.0, 0.0, 0.0, 0.0, 0.0, at.water, 0.0]
            return
        heat = mixture.share(Level.ON) + mixture.first * mixture.share(Level.FIRST)
        heat += sum(part * mixture.share(level) for level, part in SHARE.items())
        piece = self.piece
        piece[0] += hours
        piece[1] += hours * heat
        piece[2] += hours * mixture.share(Level.COOL)
        piece[3] += hours * (room - at.water)
        piece[4] += hours * lamp
        piece[6] += hours * around[0]
        if piece[0] >= PIECE_H:
            total = piece[0]
            self.learner.take(
                (piece[1] / total, piece[2] / total),
                piece[3] / total,
                piece[4] / total,
                (at.water - piece[5]) / total,
                piece[6] / total,
            )
            self.piece.clear()


def _slope(one: Turn, other: Turn) -> float:
    return (other.water - one.water) / max(other.at_h - one.at_h, 1e-3)


def _known(causes: dict[Cause, float]) -> bool:
    """Returns whether it is known well enough what the devices give. In a fault the water goes
    where it never was, and nothing teaches the loss better."""
    cold = causes.get(Cause.DEAD, 0.0) + causes.get(Cause.MOVED_DOWN, 0.0)
    hot = causes.get(Cause.STUCK, 0.0) + causes.get(Cause.MOVED_UP, 0.0)
    return max(causes[Cause.HEALTHY], cold, hot) > SURE
