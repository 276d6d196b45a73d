"""How the cooling follows room and lamp: Newton's law, a straight line through half cycles.

loss = (water - room) / tau + rest - lamp lit, where tau is the time constant, `lit` the part of the
half cycle in the lamp's hours, and the rest what evaporation takes and the pump gives. Evaporation
too rises as the room cools, so that 1/tau is here the whole response to the room, evaporation's
part included: that is what decides how cold a room the heater can bear. Lamp and room are fitted at
once, since the room is another by day: one left out would be the other's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from stillwell.estimate import least_squares

HALF_LIFE_S = 10 * 86_400.0
SCALE = 1.0 / 86_400.0
"""A loss of 1 K a day: makes the numbers of the regression of order one."""
PRIOR_TAU_S = 20 * 3600.0
PRIOR_SHARE = 0.6
"""Small tanks come to rest within 8 to 50 h (common practice): how well 1/tau is known before
anything is seen, as a share of it."""
PRIOR_REST = 20.0
"""How far the rest may be from nothing, in units of `SCALE` (standard deviation)."""
PRIOR_LAMP = 10.0
"""And what the lamp gives: 100 W warm 60 L by 0.4 K/h, most lamps are weaker (our own choice)."""
LEAST_ERROR = 4e-6
"""A half cycle's slope is never believed closer than this, K/s: humidity, lid and lamp come and
go."""
ALIKE = 8.0
"""So many half cycles count as one: those of a day share its lamp, its humidity and its draughts
(checked by the coverage bench)."""
_PRIOR = ((PRIOR_SHARE / PRIOR_TAU_S / SCALE) ** 2, PRIOR_REST**2, PRIOR_LAMP**2)
_SIZE = 3


@dataclass(slots=True)
class RoomLaw:
    """The regression's state: three coefficients and their covariance."""

    mean: list[float] = field(default_factory=lambda: [1.0 / PRIOR_TAU_S / SCALE, 0.0, 0.0])
    """1/tau in units of `SCALE` a K; the rest and the lamp in units of `SCALE`."""
    cov: list[list[float]] = field(default_factory=lambda: least_squares.diagonal(_PRIOR))
    weight: float = 0.0
    at_s: float = 0.0
    around: float = 5.0
    """Mean of water less room, K: where the line is best known."""
    scatter: float = 0.0

    def add(
        self, warmer_k: float, loss: float, error: float, at_s: float, lit: float = 0.0
    ) -> None:
        """Takes one half cycle with the heater off: water less room in K, its loss in K/s, and the
        part of it in the lamp's hours."""
        if self.weight > 0:
            share = 0.5 ** (max(0.0, at_s - self.at_s) / HALF_LIFE_S)
            self.weight *= share
            self.cov = least_squares.discount(self.cov, _PRIOR, share)
        self.at_s = at_s
        x = (warmer_k, 1.0, -lit)
        noise = ALIKE * ((max(error, LEAST_ERROR) / SCALE) ** 2 + self.scatter)
        total = least_squares.variance(self.cov, x) + noise
        off = loss / SCALE - least_squares.predict(self.mean, x)
        if self.weight >= 6:
            limit = 4 * math.sqrt(total)
            off = max(-limit, min(limit, off))
            seen = min(off * off, limit * limit) - (total - noise) - noise / ALIKE + self.scatter
            self.scatter += 0.05 * (seen - self.scatter)
            self.scatter = max(0.0, self.scatter)
        self.mean, self.cov = least_squares.update(self.mean, self.cov, x, off, noise)
        self.weight += 1.0
        self.around += (warmer_k - self.around) / min(self.weight, 50.0)

    @property
    def known(self) -> bool:
        return self.weight >= 4

    def predict(self, warmer_k: float, lit: float = 0.0) -> tuple[float, float] | None:
        """Cooling in K/s with the heater off where the water is `warmer_k` above the room, over a
        time of which `lit` lies in the lamp's hours, and the standard deviation of what is seen
        about it: humidity and draughts come and go. None if not known."""
        if not self.known:
            return None
        x = (warmer_k, 1.0, -lit)
        loss = least_squares.predict(self.mean, x)
        off = math.sqrt(max(0.0, least_squares.variance(self.cov, x)) + self.scatter)
        return loss * SCALE, max(off * SCALE, LEAST_ERROR)

    def tau_s(self) -> tuple[float, float, float] | None:
        """The time constant of the response to the room: value and 95 % interval, s."""
        slope = self.mean[0]
        if not self.known or slope <= 0:
            return None
        error = 1.96 * math.sqrt(self.cov[0][0])
        low, high = slope + error, slope - error
        return 1 / (slope * SCALE), 1 / (low * SCALE), 1 / (max(high, 0.05) * SCALE)

    def per_k(self) -> tuple[float, float] | None:
        """By how much the loss grows with each kelvin that the room is colder, 1/s, and its
        standard error; None if not known."""
        slope, error = self.mean[0], math.sqrt(self.cov[0][0])
        if not self.known or slope <= 2 * error:
            return None
        return slope * SCALE, error * SCALE

    def reaches(self, gain: float, gain_error: float) -> tuple[float, float] | None:
        """Water less room, K, at which the loss in the dark is as great as the heater's `gain`
        (K/s), and its standard error; None if not known."""
        slope, rest, _ = self.mean
        if not self.known or slope <= 2 * math.sqrt(self.cov[0][0]):
            return None
        warmer = (gain / SCALE - rest) / slope
        variance = least_squares.variance(self.cov, (warmer, 1.0, 0.0)) + (gain_error / SCALE) ** 2
        return warmer, math.sqrt(max(0.0, variance)) / slope

    def to_json(self) -> list[Any]:
        return [self.mean, self.cov, self.weight, self.at_s, self.around, self.scatter]

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError or TypeError for anything else; of the law
        without the lamp, which older versions kept, it begins anew."""
        if len(kept) == 9:
            return
        mean, cov, *others = kept
        numbers = [float(number) for number in (*mean, *(c for row in cov for c in row), *others)]
        shaped = len(mean) == _SIZE and [len(row) for row in cov] == [_SIZE] * _SIZE
        if not shaped or len(others) != 4:
            raise ValueError("a kept law of the room has another shape")
        if not all(map(math.isfinite, numbers)):
            raise ValueError("a kept law of the room is none")
        self.mean, self.cov = numbers[:3], [numbers[i : i + 3] for i in (3, 6, 9)]
        self.weight, self.at_s, self.around, self.scatter = numbers[12:]
