"""What the heater's watch is measured against: a plain band, and a CUSUM that knows everything.

Run lengths of the CUSUM are exact up to its grid: the Markov chain of Brook and Evans, Biometrika
59 (1972) 539.
"""

from __future__ import annotations

import copy
import math
from collections import deque
from dataclasses import dataclass, replace
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


@dataclass(slots=True)
class Cusum:
    """One-sided: sounds when the sum passes its limit."""

    k: float
    h: float
    total: float = 0.0

    def add(self, z: float) -> bool:
        self.total = max(0.0, self.total + z - self.k)
        return self.total > self.h


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
