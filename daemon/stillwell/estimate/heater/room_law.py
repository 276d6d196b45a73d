"""How the cooling follows the room: Newton's law, a straight line through half cycles.

loss = (water - room) / tau + rest, where tau is the time constant and the rest is what evaporation
takes and pump and lamp give. Recursive least squares with forgetting (Plackett, Biometrika 37
(1950) 149; from memory). Evaporation too rises as the room cools, so that 1/tau is here the whole
response to the room, evaporation's part included: that is what decides how cold a room the heater
can bear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

HALF_LIFE_S = 10 * 86_400.0
SCALE = 1.0 / 86_400.0
"""A loss of 1 K a day: makes the numbers of the regression of order one."""
PRIOR_TAU_S = 20 * 3600.0
PRIOR_SHARE = 0.6
"""Small tanks come to rest within 8 to 50 h (common practice): how well 1/tau is known before
anything is seen, as a share of it."""
LEAST_ERROR = 4e-6
"""A half cycle's slope is never believed closer than this, K/s: humidity, lid and lamp come and
go."""
ALIKE = 8.0
"""So many half cycles count as one: those of a day share its lamp, its humidity and its draughts
(checked by the coverage bench)."""


@dataclass(slots=True)
class RoomLaw:
    """The regression's state: two coefficients and their covariance."""

    slope: float = 1.0 / PRIOR_TAU_S / SCALE
    """1/tau in units of `SCALE` a K."""
    rest: float = 0.0
    p_ss: float = (PRIOR_SHARE / PRIOR_TAU_S / SCALE) ** 2
    p_sr: float = 0.0
    p_rr: float = 400.0
    weight: float = 0.0
    at_s: float = 0.0
    around: float = 5.0
    """Mean of water less room, K: where the line is best known."""
    scatter: float = 0.0

    def add(self, warmer_k: float, loss: float, error: float, at_s: float) -> None:
        """Takes one half cycle with the heater off: water less room in K, its loss in K/s."""
        if self.weight > 0:
            faded = 0.5 ** (max(0.0, at_s - self.at_s) / HALF_LIFE_S)
            self.weight *= faded
            prior = (PRIOR_SHARE / PRIOR_TAU_S / SCALE) ** 2
            self.p_ss = min(self.p_ss / faded, prior)
            self.p_rr = min(self.p_rr / faded, 400.0)
            limit = 0.99 * math.sqrt(self.p_ss * self.p_rr)
            self.p_sr = max(-limit, min(limit, self.p_sr / faded))
        self.at_s = at_s
        y = loss / SCALE
        noise = ALIKE * ((max(error, LEAST_ERROR) / SCALE) ** 2 + self.scatter)
        gain_s = self.p_ss * warmer_k + self.p_sr
        gain_r = self.p_sr * warmer_k + self.p_rr
        total = gain_s * warmer_k + gain_r + noise
        off = y - self.slope * warmer_k - self.rest
        if self.weight >= 6:
            limit = 4 * math.sqrt(total)
            off = max(-limit, min(limit, off))
            seen = min(off * off, limit * limit) - (total - noise) - noise / ALIKE + self.scatter
            self.scatter += 0.05 * (seen - self.scatter)
            self.scatter = max(0.0, self.scatter)
        self.slope += gain_s / total * off
        self.rest += gain_r / total * off
        self.p_ss -= gain_s * gain_s / total
        self.p_sr -= gain_s * gain_r / total
        self.p_rr -= gain_r * gain_r / total
        self.weight += 1.0
        self.around += (warmer_k - self.around) / min(self.weight, 50.0)

    @property
    def known(self) -> bool:
        return self.weight >= 4

    def foretold(self, warmer_k: float) -> tuple[float, float] | None:
        """Cooling in K/s with the heater off where the water is `warmer_k` above the room, and the
        standard deviation of what is seen about it: lamp, humidity and draughts come and go. None
        if not known."""
        if not self.known:
            return None
        variance = self.p_ss * warmer_k * warmer_k + 2 * self.p_sr * warmer_k + self.p_rr
        off = math.sqrt(max(0.0, variance) + self.scatter)
        return (self.slope * warmer_k + self.rest) * SCALE, max(off * SCALE, LEAST_ERROR)

    def tau_s(self) -> tuple[float, float, float] | None:
        """The time constant of the response to the room: value and 95 % interval, s."""
        if not self.known or self.slope <= 0:
            return None
        error = 1.96 * math.sqrt(self.p_ss)
        low, high = self.slope + error, self.slope - error
        return 1 / (self.slope * SCALE), 1 / (low * SCALE), 1 / (max(high, 0.05) * SCALE)

    def per_k(self) -> tuple[float, float] | None:
        """By how much the loss grows with each kelvin that the room is colder, 1/s, and its
        standard error; None if not known."""
        if not self.known or self.slope <= 2 * math.sqrt(self.p_ss):
            return None
        return self.slope * SCALE, math.sqrt(self.p_ss) * SCALE

    def reaches(self, gain: float, gain_error: float) -> tuple[float, float] | None:
        """Water less room, K, at which the loss is as great as the heater's `gain` (K/s), and its
        standard error; None if not known."""
        if not self.known or self.slope <= 2 * math.sqrt(self.p_ss):
            return None
        warmer = (gain / SCALE - self.rest) / self.slope
        variance = self.p_ss * warmer * warmer + 2 * self.p_sr * warmer + self.p_rr
        variance += (gain_error / SCALE) ** 2
        return warmer, math.sqrt(max(0.0, variance)) / self.slope

    def to_json(self) -> list[float]:
        return [
            self.slope,
            self.rest,
            self.p_ss,
            self.p_sr,
            self.p_rr,
            self.weight,
            self.at_s,
            self.around,
            self.scatter,
        ]

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError or TypeError for anything else."""
        numbers = [float(number) for number in kept]
        if len(numbers) != 9 or not all(map(math.isfinite, numbers)):
            raise ValueError("a kept law of the room is none")
        self.slope, self.rest, self.p_ss, self.p_sr, self.p_rr, self.weight = numbers[:6]
        self.at_s, self.around, self.scatter = numbers[6], numbers[7], numbers[8]
