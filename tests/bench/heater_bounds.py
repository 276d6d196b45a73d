"""What the heater's watch is measured against: a plain band, and a CUSUM that knows everything.

Run lengths of the CUSUM are exact up to its grid: the Markov chain of Brook and Evans, Biometrika
59 (1972) 539.
"""

from __future__ import annotations

import copy
import math
from collections import deque
from dataclasses import replace
from functools import cache

import numpy as np
from heater_world import World
from scipy.stats import norm

from stillwell_drivers.tank_sensors import Probe


def cusum_arl(k: float, h: float, shift: float = 0.0, cells: int = 200) -> float:
    """Returns the average run length, in readings, of the one-sided CUSUM max(0, S + z - k) > h of
    unit normal z with mean `shift`, from 0."""
    width = 2 * h / (2 * cells - 1)
    at = np.arange(cells) * width
    upper = at[None, :] - at[:, None] + width / 2 + k - shift
    chain = norm.cdf(upper) - norm.cdf(upper - width)
    chain[:, 0] = norm.cdf(upper[:, 0])
    return float(np.linalg.solve(np.eye(cells) - chain, np.ones(cells))[0])


@cache
def cusum_limit(k: float, readings: float) -> float:
    """Returns the limit h at which the CUSUM runs `readings` readings without cause on average."""
    low, high = 0.5, 40.0
    while high - low > 1e-4:
        mid = (low + high) / 2
        if cusum_arl(k, mid) < readings:
            low = mid
        else:
            high = mid
    return (low + high) / 2


class Chart:
    """The one-sided CUSUM of unit normal z, kept with its whole course, so that any limit can be
    tried afterwards."""

    def __init__(self, k: float, held: float = math.inf) -> None:
        self.k, self.held = k, held
        self.total = 0.0
        self.rises: list[tuple[float, float]] = []
        """Time and height of each new maximum."""

    def add(self, at_s: float, z: float) -> None:
        """Takes z, held to `held` at most."""
        self.total = max(0.0, self.total + min(self.held, z) - self.k)
        if self.total > self.highest:
            self.rises.append((at_s, self.total))

    @property
    def highest(self) -> float:
        """The lowest limit at which it would not have cried."""
        return self.rises[-1][1] if self.rises else 0.0

    def passes(self, limit: float) -> float:
        """When it first was above `limit`, s; inf for never."""
        return next((at_s for at_s, height in self.rises if height > limit), math.inf)


class Twin:
    """The same tank without the fault, to the last grain of noise in its room: what a reading would
    be on average if all were well."""

    def __init__(self, world: World, channel: str) -> None:
        self._model = copy.deepcopy(world.model)
        self._start_ms = world.start_ms
        (probe,) = (s for s in world._sensors if isinstance(s, Probe) and s.channel == channel)
        self._probe = copy.deepcopy(probe)
        self._probe._kind = replace(probe._kind, noise=0.0, resolution=0.0)

    def mean(self, at_s: float) -> float:
        self._model.advance(self._start_ms + round(at_s * 1000))
        value = self._probe.read(at_s, self._model.state).value
        assert value is not None
        return value


class Informed:
    """A Kalman filter that knows the tank's true parameters and nothing that no filter could know:
    the thermostat's limits, every lag, the heater's power over the heat capacity, the noise. What
    the water is at, and how fast it loses heat in its room, it must find out from the readings. It
    takes the thermostat to be well, and gives its innovations in units of their standard
    deviation. It is told besides when the lamp is lit and what that gives, and when the pump
    stands: then it waits."""

    TORN = 6.0
    """What goes so many standard deviations astray, as at a pour, makes it begin anew."""
    LOSS_WALK = 0.03
    """How far the loss walks in an hour, K/h: room, lamp and lid of the simulated tanks."""

    def __init__(self, world: World, channel: str, value: float, relay: bool) -> None:
        tank = world.parameters
        self._gain = tank.heater_w / tank.heat_capacity
        # What leaves the heater's chamber is warmer than the tank by the heater's power over the
        # stream's heat capacity; 4.09 J a mL and K of seawater, from memory.
        self._excess = tank.heater_w / (tank.pump_l_per_h / 3.6 * 4.09)
        self._heater_lag_s, self._sense_lag_s = tank.heater_lag_s, tank.thermostat_lag_s
        half = tank.differential_k / 2
        offset = world.offsets[channel]
        self._low, self._high = tank.setting_c - half + offset, tank.setting_c + half + offset
        self._noise2 = tank.probe_noise_k**2 + (1 / 16) ** 2 / 12
        self._relay, self._body = relay, float(relay)
        self._lamp = tank.lamp_w / tank.heat_capacity
        self._begin(value)
        self._loss = 0.3 * self._gain
        self._p00, self._p01, self._p11 = 0.05**2, 0.0, (0.3 * self._gain) ** 2

    def _begin(self, value: float) -> None:
        """The water is where this reading says, and how warm it is is known no better."""
        self._water = value - self._excess * self._body
        self._sensed = value

    def innovation(self, value: float, lamp: bool, pump: bool, dt_s: float = 30.0) -> float:
        """Takes a reading; returns by how much it is above what was predicted."""
        if self._sensed <= self._low and not self._relay:
            self._switch(True, self._loss)
        elif self._sensed >= self._high and self._relay:
            self._switch(False, self._gain - self._loss)
        self._body += (self._relay - self._body) * -math.expm1(-dt_s / self._heater_lag_s)
        self._water += (self._gain * self._body + self._lamp * lamp - self._loss) * dt_s
        self._p00 += dt_s * (dt_s * self._p11 - 2 * self._p01) + 1e-10 * dt_s
        self._p01 -= dt_s * self._p11
        self._p11 += (self.LOSS_WALK / 3600) ** 2 / 3600 * dt_s
        variance = self._p00 + self._noise2
        off = value - self._water - self._excess * self._body
        if not pump or abs(off) > self.TORN * math.sqrt(variance):
            self._begin(value)
            self._p00 += self._noise2
            return 0.0
        k0, k1 = self._p00 / variance, self._p01 / variance
        self._water += k0 * off
        self._loss += k1 * off
        self._p11 -= k1 * self._p01
        self._p01 *= 1 - k0
        self._p00 *= 1 - k0
        felt = self._water + self._excess * self._body
        self._sensed += (felt - self._sensed) * -math.expm1(-dt_s / self._sense_lag_s)
        return off / math.sqrt(variance)

    def _switch(self, on: bool, speed: float) -> None:
        """The thermostat is thought to switch now. When it does is known no better than where the
        water is: so many seconds of the heater's whole effect are unsure afterwards."""
        self._relay = on
        late_s = min(3600.0, math.sqrt(self._p00) / max(speed, 1e-6))
        self._p00 += (self._gain * late_s) ** 2


class PlainBand:
    """A band about the learned mean with an on-delay, on every reading as it comes."""

    def __init__(self, mean_c: float, half_k: float = 0.5, on_delay_s: float = 300.0) -> None:
        self._low, self._high = mean_c - half_k, mean_c + half_k
        self._on_delay_s = on_delay_s
        self._since: float | None = None
        self._side = 0

    def add(self, at_s: float, value: float) -> bool:
        """Whether it sounds: outside on one side for the whole delay."""
        side = -1 if value < self._low else 1 if value > self._high else 0
        if side != self._side:
            self._side, self._since = side, at_s
        return side != 0 and self._since is not None and at_s - self._since >= self._on_delay_s


class Mean:
    """The mean of the last `hours` hours."""

    def __init__(self, hours: float, every_s: float) -> None:
        self._values: deque[float] = deque(maxlen=round(hours * 3600 / every_s))

    def add(self, value: float) -> None:
        self._values.append(value)

    @property
    def value(self) -> float:
        return math.fsum(self._values) / len(self._values)
