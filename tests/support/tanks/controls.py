"""What switches heaters and chillers, of two makes that share no code: switching metal and a
continuous controller for one world, electronics that sample and pulse for the other.

A control sees the temperature where its sensor sits and answers with the share of the full power,
0 to 1. One that cools is given its temperatures with the opposite sign.
"""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Protocol


class Control(Protocol):
    """Decides what a device gives."""

    error_c: float
    """By how much, about, the water is kept warmer than the dial says."""

    def share(self, seen_c: float, setting_c: float, dt_s: float) -> float:
        """Returns the share of the full power, 0 to 1, for the next `dt_s` seconds."""
        ...


@dataclass(slots=True)
class Bimetal:
    """A switching metal in its glass tube: lag, points that scatter at each switching, and a
    setting that wanders by weeks."""

    rng: Random
    error_c: float
    hysteresis_k: float
    lag_s: float
    scatter_k: float
    wander_k_day: float
    """Standard deviation of the setting's wandering in a day."""
    anticipates_k: float
    """By how much the heater's own warmth lifts the metal's temperature."""
    on: bool = False
    _felt_c: float | None = None
    _point_k: float = 0.0

    def share(self, seen_c: float, setting_c: float, dt_s: float) -> float:
        """Returns 1.0 or 0.0."""
        seen_c += self.anticipates_k if self.on else 0.0
        felt = seen_c if self._felt_c is None else self._felt_c
        felt += (seen_c - felt) * min(1.0, dt_s / self.lag_s)
        self._felt_c = felt
        half = 0.5 * self.hysteresis_k
        centre = setting_c + self.error_c + self._point_k
        if self.on and felt >= centre + half:
            self._switch(False)
        elif not self.on and felt <= centre - half:
            self._switch(True)
        if self.wander_k_day > 0.0 and self.rng.random() < dt_s / 3_600.0:
            self.error_c += self.rng.gauss(0.0, self.wander_k_day * 0.2041)
        return 1.0 if self.on else 0.0

    def _switch(self, on: bool) -> None:
        self.on = on
        most = 0.45 * self.hysteresis_k
        self._point_k = max(-most, min(most, self.rng.gauss(0.0, self.scatter_k)))


@dataclass(slots=True)
class Continuous:
    """A proportional controller with reset that dims its heater."""

    error_c: float
    band_k: float
    """The range over which the share goes from 0 to 1."""
    reset_s: float
    lag_s: float
    _felt_c: float | None = None
    _sum: float = 0.2

    def share(self, seen_c: float, setting_c: float, dt_s: float) -> float:
        """Returns anything from 0.0 to 1.0."""
        felt = seen_c if self._felt_c is None else self._felt_c
        felt += (seen_c - felt) * min(1.0, dt_s / self.lag_s)
        self._felt_c = felt
        below = (setting_c + self.error_c - felt) / self.band_k
        wanted = below + self._sum
        if 0.0 < wanted < 1.0 or (wanted >= 1.0) != (below > 0.0):
            self._sum = max(0.0, min(1.0, self._sum + below * dt_s / self.reset_s))
        return max(0.0, min(1.0, wanted))


@dataclass(slots=True)
class Sampled:
    """An electronic thermostat: looks every so often at a sensor with coarse steps and noise, and
    waits a while between two switchings."""

    rng: Random
    error_c: float
    hysteresis_k: float
    every_s: float
    step_k: float
    noise_k: float
    least_s: float
    """The shortest time on, and the shortest time off."""
    on: bool = False
    _looked_s: float = 1e9
    _since_s: float = 1e9

    def share(self, seen_c: float, setting_c: float, dt_s: float) -> float:
        """Returns 1.0 or 0.0."""
        self._looked_s += dt_s
        self._since_s += dt_s
        if self._looked_s >= self.every_s and self._since_s >= self.least_s:
            self._looked_s = 0.0
            felt = seen_c - self.error_c + self.rng.gauss(0.0, self.noise_k)
            felt = round(felt / self.step_k) * self.step_k
            want = felt < setting_c if self.on else felt <= setting_c - self.hysteresis_k
            if want != self.on:
                self.on = want
                self._since_s = 0.0
        return 1.0 if self.on else 0.0


@dataclass(slots=True)
class Pulsed:
    """A proportional controller that switches its heater on for a share of each window."""

    error_c: float
    band_k: float
    offset: float
    """The share at the setting itself."""
    window_s: float
    step_k: float
    _into_s: float = 0.0
    _wanted: float = 0.0

    def share(self, seen_c: float, setting_c: float, dt_s: float) -> float:
        """Returns the part of the next `dt_s` seconds that lies in the window's pulse."""
        if self._into_s >= self.window_s:
            self._into_s -= self.window_s
        if self._into_s < dt_s or self.window_s <= dt_s:
            felt = round((seen_c - self.error_c) / self.step_k) * self.step_k
            self._wanted = max(0.0, min(1.0, self.offset + (setting_c - felt) / self.band_k))
        if self.window_s <= dt_s:
            return self._wanted
        left = self._wanted * self.window_s - self._into_s
        self._into_s += dt_s
        return max(0.0, min(1.0, left / dt_s))
