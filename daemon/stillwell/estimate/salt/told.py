"""The input of the salt balance: the tank, and what was done and measured by hand."""

from __future__ import annotations

from dataclasses import dataclass


def kilograms(ml: float, salinity: float = 0.0) -> float:
    """Returns the mass of `ml` of water near 25 degC, kg.

    A straight line through EOS-80 at 25 degC and salinities of 0 and 35 (997.048 and 1023.343
    kg/m3; UNESCO Technical Paper in Marine Science 44), within 0.1 kg/m3 between.
    """
    return ml / 1e6 * (997.048 + 0.75129 * salinity)


@dataclass(frozen=True, slots=True)
class SaltParameters:
    """What is known of the tank before its journal begins. The defaults are common practice or our
    own allowances; none is a published figure."""

    full_ml: float
    """All water of the tank when it is filled to the mark."""
    full_rel_sd: float = 0.05
    """The relative uncertainty of that volume; rock and sand are easily forgotten."""
    low: float = 34.0
    high: float = 36.0
    check_every_d: float = 7.0
    """How often the keeper is asked to measure."""
    evaporation_ml_d: float = 540.0
    """The evaporation that is expected before anything is known: a gallon a week (common
    practice)."""
    evaporation_rel_sd: float = 0.5
    evaporation_memory_d: float = 10.0
    """The time, in days, over which weather and season make the past rate of evaporation
    irrelevant."""
    mark_sd_ml: float = 150.0
    """How close to the mark the water is after "filled to the mark"."""
    pour_rel_sd: float = 0.05
    """The relative standard deviation of a poured volume."""
    batch_sd: float = 0.5
    """The standard deviation of the salinity of salt water that somebody mixed."""
    unnoted_per_day: float = 0.02
    """Standard deviation of the salt that steadily comes or goes in a day without an entry, as
    salinity."""
    wander_per_root_day: float = 0.03
    """The same for salt that comes and goes irregularly: splashes, wet hands, foam."""


@dataclass(frozen=True, slots=True)
class Check:
    """Somebody measured the salinity."""

    t_ms: int
    salinity: float
    sd: float = 0.5


@dataclass(frozen=True, slots=True)
class TopUp:
    """Water was poured in. `ml` None: not measured; then `to_mark` must be true."""

    t_ms: int
    ml: float | None
    salinity: float = 0.0
    """The salinity of the water; 0: fresh."""
    to_mark: bool = False


@dataclass(frozen=True, slots=True)
class Exchange:
    """A water change: water was taken out and replaced with the same volume of salt water, or
    with as much as it took."""

    t_ms: int
    ml: float
    salinity: float | None = None
    """The salinity of the new water; None: not measured, and taken to be the middle of the
    limits."""
    to_mark: bool = True


@dataclass(frozen=True, slots=True)
class MissingWater:
    """How much water is missing to the fill mark by the level; negative when it is above the
    mark."""

    t_ms: int
    ml: float
    sd_ml: float


Event = Check | TopUp | Exchange | MissingWater
