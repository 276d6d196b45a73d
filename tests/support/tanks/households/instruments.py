"""What looks at the water, with what is wrong with it as it is sold: ripple, steps, noise, the
temperature of its electronics or of the air in front of it, drift, fouling, readings that are
missing, floats that stick."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

_NEAR = 4.0
_SUBLOOKS = 12
"""So many of a minute's looks are simulated while the water is near: wavelets on a chamber as wide
as a hand pass every second or two (from memory), so nearby looks see the same one."""


@dataclass(slots=True)
class Rod:
    """A gauge: the level in mm, or the water in a reservoir."""

    rng: Random
    noise_mm: float
    step_mm: float
    mm_per_k: float
    """Of the electronics, or of the air, against 22 degC."""
    lamp_k: float
    """How much warmer the lamp makes them."""
    lag_s: float
    creep_mm_day: float
    """Drift along a line."""
    walk_mm_day: float
    """Standard deviation of its wandering in a day."""
    foul_mm_day: float
    """What grows on it lets it read too high, until it is wiped."""
    drop: float
    out_day: float
    """How often a day it says nothing for 5 to 60 minutes."""
    wild: float
    """The share of readings that are far off."""
    bias_mm: float = 0.0
    _foul_mm: float = 0.0
    _felt_c: float | None = None
    _mute: int = -1

    def age(self, minutes: int, air_c: float, lamp: bool) -> None:
        """Lets so much time pass beside such air."""
        days = minutes / 1_440.0
        warm = air_c + (self.lamp_k if lamp else 0.0)
        felt = warm if self._felt_c is None else self._felt_c
        self._felt_c = felt + (warm - felt) * min(1.0, minutes * 60.0 / self.lag_s)
        self.bias_mm += self.creep_mm_day * days + self.rng.gauss(0.0, self.walk_mm_day) * days**0.5
        self._foul_mm += self.foul_mm_day * days

    def wipe(self) -> None:
        """Takes off what has grown."""
        self._foul_mm = 0.0

    def read(self, minute: int, level_mm: float, ripple_mm: float) -> float | None:
        """Returns what it says, or None."""
        rng = self.rng
        chance = rng.random()
        noise = rng.gauss(0.0, (self.noise_mm**2 + ripple_mm**2) ** 0.5)
        far = rng.uniform(-80.0, 80.0)
        if chance < self.out_day / 1_440.0:
            self._mute = minute + int(rng.uniform(5, 60))
        if minute < self._mute or chance > 1.0 - self.drop:
            return None
        felt = 22.0 if self._felt_c is None else self._felt_c
        said = level_mm + self.bias_mm + self._foul_mm + self.mm_per_k * (felt - 22.0) + noise
        if chance > 1.0 - self.drop - self.wild:
            said += far
        if self.step_mm:
            said = round(said / self.step_mm) * self.step_mm
        return round(said, 2)


@dataclass(slots=True)
class Switch:
    """A float on a stem."""

    rng: Random
    height_mm: float
    """Where it truly closes."""
    differential_mm: float
    chatters: float
    """The share of looks that are wrong while it is within a mm of closing or opening."""
    sticks: float
    """The chance that it hangs for a while when it should turn."""
    heavy_mm: float = 0.0
    """How much deeper it floats than it did."""
    stuck: int | None = None
    """The state in which it hangs by a fault."""
    closed: bool = False
    _held_until: int = -1

    def share(self, minute: int, level_mm: float, ripple_mm: float) -> float:
        """Returns the share of a minute's looks at which it was closed."""
        if self.stuck is not None:
            self.closed = bool(self.stuck)
            return float(self.stuck)
        if minute < self._held_until:
            return float(self.closed)
        up = self.height_mm + self.heavy_mm
        down = up - self.differential_mm
        reach = _NEAR * ripple_mm + 1.0
        if level_mm > up + reach or level_mm < down - reach:
            return self._far(minute, level_mm > up)
        rng, count = self.rng, 0
        for _ in range(_SUBLOOKS):
            here = level_mm + rng.gauss(0.0, ripple_mm)
            if here >= up:
                self.closed = True
            elif here < down:
                self.closed = False
            wrong = self.chatters > 0.0 and rng.random() < self.chatters
            count += self.closed != wrong
        return count / _SUBLOOKS

    def _far(self, minute: int, closed: bool) -> float:
        if closed != self.closed and self.rng.random() < self.sticks:
            self._held_until = minute + int(self.rng.uniform(10, 90))
            return float(self.closed)
        self.closed = closed
        return float(closed)


def rod(rng: Random, mm_per_k: float) -> Rod:
    """Returns a gauge for a chamber: noise 0.2 to 1.5 mm, steps of 0 to 1 mm, drift up to 1 mm a
    month and a walk of 0.1 mm a day, on a third of them fouling of up to 1.5 mm a month."""
    return Rod(
        rng,
        noise_mm=rng.uniform(0.2, 1.5),
        step_mm=rng.choice((0.0, 0.1, 0.1, 0.5, 1.0)),
        mm_per_k=mm_per_k,
        lamp_k=rng.choice((0.0, 0.5, 1.5, 3.0)),
        lag_s=rng.uniform(300.0, 3_600.0),
        creep_mm_day=rng.uniform(-1.0, 1.0) / 30.0,
        walk_mm_day=rng.uniform(0.02, 0.1),
        foul_mm_day=rng.choice((0.0, 0.0, rng.uniform(0.3, 1.5))) / 30.0,
        drop=rng.choice((0.0, 0.002, 0.02)),
        out_day=rng.choice((0.0, 0.0, 0.1)),
        wild=rng.choice((0.0, 0.0002, 0.002)),
    )


def reservoir_rod(rng: Random) -> Rod:
    """Returns a gauge for a reservoir: noise 0.2 to 1 mm, steps of up to 1 mm."""
    return Rod(
        rng,
        noise_mm=rng.uniform(0.2, 1.0),
        step_mm=rng.choice((0.1, 0.5, 1.0)),
        mm_per_k=rng.choice((0.0, -0.25 * rng.random())),
        lamp_k=0.0,
        lag_s=1_800.0,
        creep_mm_day=rng.uniform(-1.0, 1.0) / 30.0,
        walk_mm_day=rng.uniform(0.0, 0.1),
        foul_mm_day=0.0,
        drop=rng.choice((0.0, 0.002, 0.02)),
        out_day=0.0,
        wild=0.0,
    )


def switch(rng: Random, height_mm: float) -> Switch:
    """Returns a float that closes within 0.7 mm (standard deviation) of where it should, opens 0.5
    to 4 mm lower, and on few tanks chatters or sticks."""
    return Switch(
        rng,
        height_mm + rng.gauss(0.0, 0.7),
        rng.uniform(0.5, 4.0),
        chatters=rng.choice((0.0, 0.0, 0.0, 0.05)),
        sticks=rng.choice((0.0, 0.0, 0.0, 0.05)),
    )
