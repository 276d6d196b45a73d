"""The sensors of a simulated tank: probes, floats, a gauge, a light sensor, each with its faults.

Each sensor has a random generator of its own, seeded by the tank's seed and the channel's name, so
that one sensor more or less changes nothing in the others and nothing in the water. Times are
seconds since the tank's first moment.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from stillwell.reading import Failure, Sample
from stillwell_drivers.tank_faults import Event, EventName, Fault, FaultName
from stillwell_drivers.tank_model import TankState

LSB_K = 1 / 16
"""The step of a DS18B20 at 12 bits (Maxim data sheet: register = temperature times 16)."""
_POWER_ON_C = 85.0
_AIR_LAG_S = 300.0
"""The lag of a probe that hangs in the air; an assumption."""
_BAD_DAY_SHARE = 0.02
"""Share of the readings with a damaged check word on a probe's bad day; an assumption."""
_LONGEST_S = 3600
"""The longest time for which a float's looks are drawn one by one, in seconds."""


class Sensor(Protocol):
    """One channel's hardware."""

    channel: str

    def read(self, at_s: float, state: TankState) -> Sample:
        """Returns the sensor's sample at `at_s`; called with rising times."""
        ...


def _quantised(value: float, step: float) -> float:
    return round(value / step) * step if step > 0 else value


class _Standing:
    """The faults of one channel, and which of them are present."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self._faults = tuple(faults)

    def at(self, at_s: float) -> dict[FaultName, Fault]:
        if not self._faults:
            return {}
        return {fault.name: fault for fault in self._faults if fault.active(at_s)}


@dataclass(frozen=True, slots=True)
class ProbeKind:
    """A probe's own properties; in K or %RH, by what it measures."""

    noise: float
    offset: float = 0.0
    resolution: float = LSB_K
    lag_s: float = 20.0
    bad_days: float = 0.0
    """Probability of a day on which the check word is sometimes wrong."""


class Probe:
    """A temperature probe, or any other sensor of a slow quantity (humidity).

    Args:
        channel: the name of its samples.
        seed: the tank's.
        kind: its properties.
        place: reads the true value at the place where it hangs.
        air: reads the true value where it hangs when out of the water.
        faults: those of this channel.
        swaps: faults named ``probes-swapped`` that move it, with the place it moves to.
        events: those that replace it.
    """

    def __init__(
        self,
        channel: str,
        seed: int,
        kind: ProbeKind,
        place: Callable[[TankState], float],
        air: Callable[[TankState], float],
        faults: Sequence[Fault] = (),
        swaps: Sequence[tuple[Fault, Callable[[TankState], float]]] = (),
        events: Sequence[Event] = (),
    ) -> None:
        self.channel = channel
        self._seed = seed
        self._kind = kind
        self._place = place
        self._air = air
        self._standing = _Standing(faults)
        self._swaps = tuple(swaps)
        self._events = tuple(event for event in events if event.name is EventName.PROBE_REPLACED)
        self._rng = random.Random(f"{seed}/sensor/{channel}")
        self._felt: float | None = None
        self._at_s = 0.0
        self._said: float | None = None
        self._day = -1
        self._bad_day = False

    def read(self, at_s: float, state: TankState) -> Sample:
        standing = self._standing.at(at_s)
        out = FaultName.PROBE_OUT_OF_WATER in standing
        felt = self._feel(at_s, state, out)
        noise = self._rng.gauss(0.0, 1.0) * self._kind.noise
        damaged = self._rng.random()
        if not standing and not self._bad(state.utc_ms, damaged):
            value = _quantised(felt + noise + self._offset(at_s), self._kind.resolution)
            self._said = value
            return Sample(self.channel, value)
        return self._faulty(at_s, felt, noise, damaged, standing)

    def _feel(self, at_s: float, state: TankState, out_of_water: bool) -> float:
        place = self._air if out_of_water else self._place
        for fault, elsewhere in self._swaps:
            if fault.active(at_s):
                place = elsewhere
        truth = place(state)
        if self._felt is None:
            self._felt = truth
        else:
            lag = _AIR_LAG_S if out_of_water else self._kind.lag_s
            if lag > 0:
                self._felt += (truth - self._felt) * -math.expm1((self._at_s - at_s) / lag)
            else:
                self._felt = truth
        self._at_s = at_s
        return self._felt

    def _offset(self, at_s: float) -> float:
        offset = self._kind.offset
        for event in self._events:
            if event.active(at_s):
                offset += event.amount
        return offset

    def _bad(self, utc_ms: int, damaged: float) -> bool:
        if not self._kind.bad_days:
            return False
        day = utc_ms // 86_400_000
        if day != self._day:
            self._day = day
            drawn = random.Random(f"{self._seed}/bad-day/{self.channel}/{day}").random()
            self._bad_day = drawn < self._kind.bad_days
        return self._bad_day and damaged < _BAD_DAY_SHARE

    def _faulty(
        self,
        at_s: float,
        felt: float,
        noise: float,
        damaged: float,
        standing: dict[FaultName, Fault],
    ) -> Sample:
        name = self.channel
        offset = self._offset(at_s)
        if FaultName.PROBE_NOISY in standing:
            noise *= standing[FaultName.PROBE_NOISY].amount
        if FaultName.PROBE_DRIFT in standing:
            drift = standing[FaultName.PROBE_DRIFT]
            offset += drift.amount * (at_s - drift.start_s) / 86_400
        value = _quantised(felt + noise + offset, self._kind.resolution)
        if FaultName.PROBE_GONE in standing:
            return Sample(name, None, Failure.GONE, "simulated: no such device")
        crc = standing.get(FaultName.PROBE_CRC)
        if (crc is not None and damaged < crc.amount) or (crc is None and not standing):
            # Bytes that were damaged on the way: the value in them means nothing.
            return Sample(name, value + 64.0, Failure.CRC, "simulated: crc does not match")
        power_on = standing.get(FaultName.PROBE_POWER_ON)
        if power_on is not None and damaged < power_on.amount:
            return Sample(name, _POWER_ON_C, Failure.POWER_ON, "simulated: power-on value")
        frozen = self._said if self._said is not None else value
        if FaultName.PROBE_STALE in standing:
            self._said = frozen
            return Sample(name, frozen, None, "simulated: no conversion", stale=True)
        if FaultName.PROBE_STUCK in standing:
            self._said = frozen
            return Sample(name, frozen)
        self._said = value
        return Sample(name, value)


@dataclass(frozen=True, slots=True)
class FloatKind:
    """A float switch: closes at `height_mm` and above, opens at the differential below it."""

    height_mm: float
    differential_mm: float = 2.0
    upside_down: bool = False
    """Whether it is mounted so that its contact says the opposite."""


def effective_looks(correlation: float) -> float:
    """Returns how many looks, a second apart, tell as much as one independent look.

    `correlation` is that of the surface from one look to the next, 0 to below 1. A float shows only
    the sign of the surface's distance: the arcsine law (Van Vleck and Middleton, Proc. IEEE 54
    (1966) 2; from memory) gives the correlation of the signs where the float is closed half of the
    time; further up or down it is lower, so shares near 0 and 1 are drawn with a little too much
    spread.
    """
    total, power = 1.0, correlation
    while power > 1e-4:
        total += 4 / math.pi * math.asin(power)
        power *= correlation
    return total


class FloatSwitch:
    """A float in the rippled chamber: gives the share of 1-second looks at which it was closed.

    A few looks are stepped second by second through the correlated ripple and the differential. For
    many looks, the number of independent looks that they are worth (`effective_looks`) is drawn
    instead, and the share is rounded to the real number of looks: the same mean and, where it is
    closed half of the time, the same variance, at a fraction of the cost. Each float has a ripple
    of its own.
    """

    def __init__(
        self,
        channel: str,
        seed: int,
        kind: FloatKind,
        ripple_s: float,
        faults: Sequence[Fault] = (),
    ) -> None:
        self.channel = channel
        self._kind = kind
        self._standing = _Standing(faults)
        self._rng = random.Random(f"{seed}/sensor/{channel}")
        self._keep = math.exp(-1 / ripple_s)
        self._worth = effective_looks(self._keep)
        self._wave = self._rng.gauss(0, 1)
        self._closed: bool | None = None
        self._at_s: float | None = None
        self._level = 0.0

    def read(self, at_s: float, state: TankState) -> Sample:
        before_s, before_mm = self._at_s, self._level
        self._at_s, self._level = at_s, state.level_mm
        if before_s is None:
            before_s, before_mm = at_s - 1, state.level_mm
        looks = max(1, round(at_s - before_s))
        closed = self._closed_looks((before_mm + state.level_mm) / 2, state.ripple_mm, looks)
        share = closed / looks
        standing = self._standing.at(at_s)
        if standing:
            if FaultName.FLOAT_STUCK_UP in standing:
                share = 1.0
            elif FaultName.FLOAT_STUCK_DOWN in standing:
                share = 0.0
            elif FaultName.FLOAT_CHATTER in standing:
                looks = min(looks, 60)
                share = sum(self._rng.random() < 0.5 for _ in range(looks)) / looks
        return Sample(self.channel, 1.0 - share if self._kind.upside_down else share, looks=looks)

    def _closed_looks(self, level_mm: float, ripple_mm: float, looks: int) -> int:
        opens_mm = self._kind.height_mm - self._kind.differential_mm
        if self._closed is None:
            self._closed = level_mm >= self._kind.height_mm
        if level_mm - self._kind.height_mm > 6 * ripple_mm:
            self._closed = True
            return looks
        if level_mm - opens_mm < -6 * ripple_mm:
            self._closed = False
            return 0
        if looks <= 4 * self._worth:
            count, keep = looks, self._keep
        else:
            count, keep = round(min(looks, _LONGEST_S) / self._worth), 0.0
        fresh = math.sqrt(1 - keep * keep)
        wave, closed, total = self._wave, self._closed, 0
        close_at = (self._kind.height_mm - level_mm) / ripple_mm if ripple_mm else 0.0
        open_at = (opens_mm - level_mm) / ripple_mm if ripple_mm else 0.0
        for _ in range(count):
            wave = keep * wave + fresh * self._rng.gauss(0, 1)
            if ripple_mm:
                closed = wave >= (open_at if closed else close_at)
            else:
                closed = level_mm >= (opens_mm if closed else self._kind.height_mm)
            total += closed
        self._wave, self._closed = wave, closed
        return round(total / count * looks)


@dataclass(frozen=True, slots=True)
class GaugeKind:
    """A continuous level instrument, mm."""

    noise_mm: float = 1.0
    offset_mm: float = 0.0
    resolution_mm: float = 1.0
    drift_mm_per_day: float = 0.0
    outliers: float = 0.0
    """Share of its values that are far off."""


class Gauge:
    """A level gauge in the chamber."""

    def __init__(
        self, channel: str, seed: int, kind: GaugeKind, faults: Sequence[Fault] = ()
    ) -> None:
        self.channel = channel
        self._kind = kind
        self._standing = _Standing(faults)
        self._rng = random.Random(f"{seed}/sensor/{channel}")

    def read(self, at_s: float, state: TankState) -> Sample:
        kind, rng = self._kind, self._rng
        noise, far, which = rng.gauss(0, 1), rng.uniform(10, 60), rng.random()
        standing = self._standing.at(at_s)
        if FaultName.GAUGE_DEAD in standing:
            return Sample(self.channel, None, Failure.SILENT, "simulated: nothing arrives")
        value = state.level_mm + kind.offset_mm + kind.noise_mm * noise
        value += kind.drift_mm_per_day * at_s / 86_400
        outliers = kind.outliers
        if FaultName.GAUGE_OFFSET in standing:
            value += standing[FaultName.GAUGE_OFFSET].amount
        if FaultName.GAUGE_OUTLIERS in standing:
            outliers = max(outliers, standing[FaultName.GAUGE_OUTLIERS].amount)
        if which < outliers:
            value += math.copysign(far, noise)
        return Sample(self.channel, _quantised(value, kind.resolution_mm))


class LampSensor:
    """Sees whether the lamp is lit: 1 or 0."""

    def __init__(self, channel: str) -> None:
        self.channel = channel

    def read(self, at_s: float, state: TankState) -> Sample:
        return Sample(self.channel, 1.0 if state.lamp_on else 0.0)
