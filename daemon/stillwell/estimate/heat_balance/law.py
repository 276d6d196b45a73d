"""The balance of a tank's heat, and how it is learned.

    dT/dt = heater · u - chiller · v + loss · (rest - T)        rest = room + offset + lamp · l

T is the water, °C, u and v the shares of time that heater and chiller are on, l the lamp's. All
rates are per hour. Where no probe sees the room, a fixed temperature stands for it, and `offset`
and the slow wander of the filter carry what the room does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from stillwell.estimate.gaussian import Gaussian
from stillwell.estimate.heat_balance.devices import Devices

LOSS, LOSS_ERROR = 1 / 15, 0.5
"""1/h, and its relative error: of 68 L with what evaporation takes; the loss per litre goes with
the surface per litre. From the physics of `stillwell.water`; time constants of 8 to 80 hours."""
LOSS_LITRES = 68.0
LIFT_ERROR = 0.25
"""Relative: of a printed power over a stated volume. An assumption."""
ONE_OF_SEVERAL_ERROR = 0.4
"""Relative: of the mean of several heaters' lifts, where one of them is meant."""
LIFT, LIFT_UNKNOWN = 1.0, 0.7
"""K/h and its relative error where nobody said a power: common practice is 1 W a litre."""
OFFSET, OFFSET_ERROR = -1.0, 3.0
"""K: the pump's heat less what evaporation takes. From the physics of `stillwell.water`, wide."""
UNSEEN_ERROR = 8.0
"""K: as `OFFSET_ERROR`, where the room is not seen."""
HELD_SHARE = (0.4, 0.25)
"""What control that holds the water gives of its heat, and how much that differs. Common practice
has heaters of twice what is needed."""
LAMP_ERROR = 3.0
"""K: by how much a lamp lifts the temperature at which the water rests; LEDs to halides."""
FAN_ERROR = 4.0
"""K: by how much a fan lowers it: no lower than the wet bulb, 4 to 8 K below the room (from memory
of psychrometric charts)."""
DRIFT = (0.03, 0.03, 0.02, 0.15, 0.05, 0.05)
"""By so much each of the law's numbers wanders in the root of a day: relative for lifts and loss,
K for offset, lamp and fan. An assumption: salt creeps over a cover, a heater lets up with the
years."""
SLOPE_ERROR = {True: 0.12, False: 0.25}
"""K/h: what disturbs the slope over a piece, drafts, hands, feeding, with the room seen and not
seen: one unseen hour of a room is like the next, so that a dozen pieces teach no more than one."""
ASTRAY_ERROR = 3.0
"""By so much more where sun or wind are at work. An assumption."""
LIFT_BIAS = 0.1
"""Relative: by so much a lift as seen at turning points is off on one and the same tank: the probe
is nearer to the heater than the rest of the water, or further away. An assumption."""
SHARES_H = 48.0
"""h: over so long it is learned how much one piece is like the next."""
LIFT_SCATTER = 0.12
"""Relative: of the lift as seen at one turning point: lags, lamp and pours."""
PIECE_H = 2 / 3
"""h: a piece from which the law learns: long beside a heater's lag, short beside a lamp's hours."""
SLOWEST, FASTEST = 1 / 80, 1 / 4
"""1/h: no tank of 20 L or more loses its heat slower or faster; holds the learned loss."""


@dataclass(frozen=True, slots=True)
class Law:
    """Heater and chiller K/h, loss 1/h, offset, lamp and fan K."""

    heater: float
    chiller: float
    loss: float
    offset: float
    lamp: float
    fan: float = 0.0

    def rest(self, room: float, lamp: float, fan: float = 0.0) -> float:
        """Returns where the water settles without heater and chiller, °C."""
        return room + self.offset + self.lamp * lamp + self.fan * fan


@dataclass(slots=True)
class Piece:
    """A piece of the trace from which the law learns: sums over its hours."""

    water: float
    """At its start, °C."""
    hours: float = 0.0
    heats: float = 0.0
    """Of the share of its lift that the heater gave, as `chills` is of the chiller's."""
    chills: float = 0.0
    gap: float = 0.0
    """Of the room, or what stands for it, above the water, K."""
    lamp: float = 0.0
    fan: float = 0.0
    calm: float = 0.0
    """Of the probability that the surroundings were calm."""


@dataclass(slots=True)
class Alike:
    """How much what disturbs one piece disturbs the next one too. Mutable."""

    last: float = 0.0
    """By how much the last piece was off, in standard deviations."""
    square: float = 1.0
    product: float = 0.0
    """Means, of the squares and of the products of neighbours."""

    def add(self, off: float, hours: float) -> None:
        share = min(1.0, hours / SHARES_H)
        self.square += share * (off * off - self.square)
        self.product += share * (off * self.last - self.product)
        self.last = off

    @property
    def counts(self) -> float:
        """Returns how many pieces teach as much as one that shares nothing with others: by the
        variance of a mean of a first-order autoregression."""
        likeness = min(max(self.product / self.square, 0.0), 0.95)
        return (1 + likeness) / (1 - likeness)


class LawLearner:
    """Recursive least squares over pieces of the trace, each with a slope. The numbers learned are
    heater, chiller, loss, loss · offset, loss · lamp and loss · fan, in which the slope is
    linear."""

    def __init__(self, devices: Devices, room_seen: bool) -> None:
        litres, heater, chiller = devices.volume_l, devices.switching_lift, devices.chiller_lift
        loss = LOSS * (LOSS_LITRES / (litres or LOSS_LITRES)) ** (1 / 3)
        up, up_error = (LIFT, LIFT_UNKNOWN) if heater is None else (heater, LIFT_ERROR)
        if devices.several:
            up_error = ONE_OF_SEVERAL_ERROR
        down, down_error = (LIFT, LIFT_UNKNOWN) if chiller is None else (chiller, LIFT_ERROR)
        offset = OFFSET if room_seen else 0.0
        error = OFFSET_ERROR if room_seen else UNSEEN_ERROR
        self.theta = Gaussian.diagonal(
            [up, down, loss, loss * offset, 0.0, 0.0],
            [
                *(up * up_error, down * down_error, loss * LOSS_ERROR),
                *(loss * each for each in (error, LAMP_ERROR, FAN_ERROR)),
            ],
        )
        self.room_seen = room_seen
        self.alike = Alike()
        self.law = self._law()
        """As learned by now."""

    def take_up(self, numbers: list[float], covariance: list[list[float]], alike: Alike) -> None:
        """Goes on from what an earlier run had learned."""
        self.theta, self.alike = Gaussian(numbers, covariance), alike
        self.law = self._law()

    def _law(self) -> Law:
        heater, chiller, loss, *rests = self.theta.x
        loss = min(max(loss, SLOWEST), FASTEST)
        return Law(max(heater, 0.02), max(chiller, 0.02), loss, *(each / loss for each in rests))

    def take(self, piece: Piece, water: float, wander: float) -> None:
        """Learns from one piece.

        Args:
            piece: it has ended.
            water: at its end, °C.
            wander: by how much what is not the law's moved the temperature of rest, K.
        """
        hours = piece.hours
        sums = (piece.heats, -piece.chills, piece.gap, hours, piece.lamp, piece.fan)
        astray = SLOPE_ERROR[self.room_seen] * (1 + ASTRAY_ERROR * (1 - piece.calm / hours))
        error = math.hypot(astray, self.law.loss * wander)
        row = [(i, each / hours) for i, each in enumerate(sums) if each]
        self.alike.add(self._learn(row, (water - piece.water) / hours, error), hours)

    def take_held(self, room: float, water: float) -> None:
        """Learns from control that holds the water: it gives some share of its heat."""
        row = [(0, HELD_SHARE[0]), (2, room - water), (3, 1.0)]
        self._learn([(i, a) for i, a in row if a], 0.0, HELD_SHARE[1] * self.theta.x[0])

    def take_lift(self, index: int, lift: float, error: float) -> None:
        """Learns from what a switch changed: heater 0 or chiller 1, K/h."""
        self._learn([(index, 1.0)], lift, error)

    def _learn(self, row: list[tuple[int, float]], seen: float, error: float) -> float:
        """Returns by how many standard deviations what was seen was off, at most three."""
        mean, variance, gain = self.theta.project(row)
        total = variance + error * error
        shift = seen - mean
        if shift * shift > 9 * total:
            total = shift * shift / 9  # a tail: what is far off counts for less
        spare = total - variance
        self.theta.revise(gain, variance, shift * variance / total, variance * spare / total)
        self.law = self._law()
        return shift / math.sqrt(total)

    def age(self, hours: float) -> None:
        """Lets the numbers wander."""
        days = hours / 24
        loss = self.theta.x[2]
        scale = (*self.theta.x[:3], loss, loss, loss)
        for i, drift in enumerate(DRIFT):
            self.theta.P[i][i] += (drift * scale[i]) ** 2 * days

    def error(self, index: int) -> float:
        """Returns the standard error of one number, were the law right and each piece a new one."""
        return math.sqrt(max(self.theta.P[index][index], 0.0))

    def covariance(self) -> list[list[float]]:
        """Returns how far the numbers are known, with what pieces share and what turning points
        are off by. A lift that is off has taken the other numbers along, as far as they go with
        it: how long a heater is on says how its lift compares with the loss."""
        spread = self.theta.P
        size = range(len(spread))
        counts = self.alike.counts
        out = [[counts * each for each in row] for row in spread]
        for lift in (0, 1):
            if spread[lift][lift] <= 0:
                continue
            off = LIFT_BIAS * self.theta.x[lift] / spread[lift][lift]
            along = [off * spread[i][lift] for i in size]
            for i in size:
                for j in size:
                    out[i][j] += along[i] * along[j]
        return out
