"""Probes: lag, self-heating, steps, noise, offset, drift, dropouts, and faults."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from tanks.trace import DAY_S, Fault

_STEPS_K = (0.0625, 0.0625, 0.0625, 0.01, 0.1, 0.001)
"""A twelve-bit digital thermometer has 1/16 K; the others are common practice."""


@dataclass(slots=True)
class Probe:
    """One channel in the water or in the air."""

    rng: Random
    place: int
    """Where it sits, as the world's body numbers places."""
    lag_s: float
    warm_k: float
    """Self-heating: how much warmer its own current makes it."""
    step_k: float
    noise_k: float
    offset_k: float
    drift_k_day: float
    drop: float
    """The share of single readings that fail."""
    outages_day: float
    """How often a day the cable fails for some minutes."""
    out_until_s: float = -1.0
    _felt_c: float | None = None
    _last: float | None = None

    def read(
        self, t_c: float, at_s: float, dt_s: float, fault: Fault, air_c: float, since_s: float
    ) -> float | None:
        """Returns what it says, or None.

        Args:
            t_c: the water at its place.
            at_s: time of the reading.
            dt_s: seconds since the reading before.
            fault: what has befallen it.
            air_c: what it would feel out of the water.
            since_s: for how long the fault has been there.
        """
        rng = self.rng
        noise = rng.gauss(0.0, self.noise_k)
        chance = rng.random()
        lag = self.lag_s
        if fault is Fault.PROBE_OUT:
            t_c, lag = air_c, 4.0 * lag + 60.0
        felt = t_c if self._felt_c is None else self._felt_c
        felt += (t_c - felt) * (dt_s / (lag + dt_s))
        self._felt_c = felt
        if fault is Fault.PROBE_STUCK and self._last is not None:
            return self._last
        if chance < self.outages_day * dt_s / DAY_S:
            self.out_until_s = at_s + rng.uniform(120.0, 2_400.0)
        if at_s < self.out_until_s or chance > 1.0 - self.drop:
            return None
        said = felt + self.warm_k + self.offset_k + self.drift_k_day * at_s / DAY_S + noise
        if fault is Fault.PROBE_NOISY:
            said += 25.0 * noise + rng.gauss(0.0, 0.3)
        elif fault is Fault.PROBE_DRIFTS:
            said += self._sign() * 0.3 * since_s / DAY_S
        self._last = round(round(said / self.step_k) * self.step_k, 4)
        return self._last

    def _sign(self) -> float:
        return 1.0 if self.offset_k > 0.0 else -1.0


def in_water(rng: Random, place: int) -> Probe:
    """Returns a probe drawn from what is sold: lag 5 to 120 s, self-heating up to 0.1 K, noise
    0.002 to 0.05 K, offset 0.1 K (standard deviation), drift up to 0.02 K a month."""
    return Probe(
        rng,
        place,
        lag_s=5.0 * 24.0 ** rng.random(),
        warm_k=rng.choice((0.0, 0.0, 0.03, 0.1)) * rng.random(),
        step_k=rng.choice(_STEPS_K),
        noise_k=0.002 * 25.0 ** rng.random(),
        offset_k=rng.gauss(0.0, 0.1),
        drift_k_day=rng.uniform(-0.02, 0.02) / 30.0,
        drop=rng.choice((0.0, 0.0005, 0.01)),
        outages_day=rng.choice((0.0, 0.0, 0.1)),
    )


def in_air(rng: Random) -> Probe:
    """Returns a probe for the room's air: slower, less exact."""
    return Probe(
        rng,
        -1,
        lag_s=rng.uniform(60.0, 600.0),
        warm_k=rng.uniform(0.0, 0.5),
        step_k=rng.choice(_STEPS_K),
        noise_k=rng.uniform(0.01, 0.08),
        offset_k=rng.gauss(0.0, 0.4),
        drift_k_day=0.0,
        drop=rng.choice((0.0, 0.002, 0.02)),
        outages_day=rng.choice((0.0, 0.0, 0.2)),
    )
