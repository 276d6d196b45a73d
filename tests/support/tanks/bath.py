"""Water that a heater's thermostat holds: Newton's law of cooling, a relay with hysteresis, a probe
of the first order, and what such a probe shows. Shares nothing with stillwell nor with its
simulated tank. For rules that are tried on some hours or days of one tank."""

from __future__ import annotations

import math
import random

HOUR = 3600.0
DAY = 24 * HOUR


class Bath:
    """Rates are K/s, temperatures °C."""

    def __init__(
        self,
        gain: float,
        *,
        tau_s: float = math.inf,
        low: float = 25.1,
        high: float = 25.5,
        lag_s: float = 0.0,
        begins: float = 25.3,
    ) -> None:
        """
        Args:
            gain: what the heater does.
            tau_s: time constant of the cooling.
            low, high: where the relay goes on, and off.
            lag_s: time constant of the probe; 0 for one that follows the water at once.
        """
        self.gain, self.tau_s, self.lag_s = gain, tau_s, lag_s
        self.low, self.high = low, high
        self.water = self.felt = begins
        """The temperature that the probe has reached."""
        self.on = False
        """Whether the relay is on."""
        self.share = 1.0
        """The share of the heater's heat that comes while it is on; 0 for a dead heater."""

    def move(self, seconds: float, room: float = 0.0, other: float = 0.0) -> None:
        """Lets so much time pass beside a room of so many °C; `other` is heat that is not the
        heater's."""
        self.on = self.water < (self.high if self.on else self.low)
        heat = self.gain * self.share if self.on else 0.0
        self.water += (heat + other - (self.water - room) / self.tau_s) * seconds
        self.felt += (self.water - self.felt) * (seconds / self.lag_s if self.lag_s else 1.0)


def shown(true: float, noise: float, chance: random.Random) -> float:
    """Returns what a probe with steps of 1/16 K shows."""
    return round((true + chance.gauss(0, noise)) * 16) / 16
