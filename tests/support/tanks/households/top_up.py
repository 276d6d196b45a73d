"""Machines that replace evaporated water out of a reservoir, of two makes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Protocol


class Machine(Protocol):
    """Decides, minute by minute, for which share of it the pump of the reservoir runs."""

    rate_ml_min: float
    """What the pump brings while it runs and there is water."""

    def share(self, minute: int, level_mm: Callable[[], float], mm_per_ml: float) -> float:
        """Returns 0 to 1.

        Args:
            minute: since the run's begin.
            level_mm: looks at the rippling water.
            mm_per_ml: how much a dose lifts it.
        """
        ...


@dataclass(slots=True)
class OneFloat:
    """A float with hysteresis: on below one height, off above another; a clock stops a pump that
    runs for too long, and lets it try again later."""

    rate_ml_min: float
    on_mm: float
    off_mm: float
    longest_min: int
    again_min: int
    on: bool = False
    _since: int = 0
    _until: int = -1

    def share(self, minute: int, level_mm: Callable[[], float], mm_per_ml: float) -> float:
        if minute < self._until:
            return 0.0
        level = level_mm()
        if not self.on and level < self.on_mm:
            self.on, self._since = True, minute
        elif self.on and level >= self.off_mm:
            self.on = False
        if self.on and minute - self._since >= self.longest_min:
            self.on, self._until = False, minute + self.again_min
        if not self.on:
            return 0.0
        lift = self.rate_ml_min * mm_per_ml
        return max(0.05, min(1.0, (self.off_mm - level) / lift)) if lift > 0.0 else 1.0


@dataclass(slots=True)
class FixedDoses:
    """An optical eye: dry at two looks a minute apart, it gives a dose and then waits."""

    rate_ml_min: float
    eye_mm: float
    dose_ml: float
    waits_min: int
    _left_ml: float = 0.0
    _dry: int = 0
    _until: int = -1

    def share(self, minute: int, level_mm: Callable[[], float], mm_per_ml: float) -> float:
        if self._left_ml <= 0.0 and minute >= self._until:
            self._dry = self._dry + 1 if level_mm() < self.eye_mm else 0
            if self._dry >= 2:
                self._left_ml, self._dry = self.dose_ml, 0
        if self._left_ml <= 0.0:
            return 0.0
        share = min(1.0, self._left_ml / self.rate_ml_min)
        self._left_ml -= share * self.rate_ml_min
        if self._left_ml <= 1e-6:
            self._left_ml, self._until = 0.0, minute + self.waits_min
        return share


def one_float(rng: Random, mm_per_ml: float) -> OneFloat:
    """Returns one that goes on 2 to 6 mm below the mark and off 1.5 to 5 mm higher."""
    on = -rng.uniform(2.0, 6.0)
    rate = rng.uniform(30.0, 200.0)
    longest = max(5, round(rng.uniform(2.0, 5.0) * 6.0 / mm_per_ml / rate))
    return OneFloat(rate, on, on + rng.uniform(1.5, 5.0), longest, rng.choice((30, 120, 360)))


def fixed_doses(rng: Random, mm_per_ml: float) -> FixedDoses:
    """Returns one that gives what lifts the chamber by 0.7 to 3 mm, every 5 to 45 minutes at
    most."""
    rate = rng.uniform(20.0, 150.0)
    dose = rng.uniform(0.7, 3.0) / mm_per_ml
    return FixedDoses(rate, -rng.uniform(1.0, 5.0), dose, rng.choice((5, 10, 15, 30, 45)))
