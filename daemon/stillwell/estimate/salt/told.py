"""What the salt balance is told: the tank, and what was done and measured by hand."""

from __future__ import annotations

from dataclasses import dataclass


def kilograms(ml: float, salinity: float = 0.0) -> float:
    """Returns the mass of so much water near 25 degC.

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
    """How well that is known; rock and sand are easily forgotten."""
    low: float = 34.0
    high: float = 36.0
    check_every_d: float = 7.0
    """How often the keeper is asked to measure."""
    evaporation_ml_d: float = 540.0
    """Expected before anything is known: a gallon a week (common practice)."""
    evaporation_rel_sd: float = 0.5
    evaporation_memory_d: float = 10.0
    """In how many days weather and season forget what the rate was."""
    mark_sd_ml: float = 150.0
    """How near to the mark "filled to the mark" is."""
    pour_rel_sd: float = 0.05
    """Of a poured volume."""
    batch_sd: float = 0.5
    """Of the salinity of salt water that somebody mixed."""
    unnoted_per_day: float = 0.02
    """Standard deviation of the salt a day that comes or goes steadily without an entry, in
    salinity."""
    wander_per_root_day: float = 0.03
    """And of what comes and goes irregularly: splashes, wet hands, foam."""


@dataclass(frozen=True, slots=True)
class Check:
    """Somebody measured the salinity."""

    t_ms: int
    salinity: float
    sd: float = 0.5


@dataclass(frozen=True, slots=True)
class TopUp:
    """Water poured in. `ml` None: not measured, then `to_mark` must be true."""

    t_ms: int
    ml: float | None
    salinity: float = 0.0
    """0: fresh water."""
    to_mark: bool = False


@dataclass(frozen=True, slots=True)
class Exchange:
    """A water change: so much out, and the same in salt water, or as much as it took."""

    t_ms: int
    ml: float
    salinity: float | None = None
    """Of the new water; None: not measured, then it is taken as meant for the middle of the
    limits."""
    to_mark: bool = True


@dataclass(frozen=True, slots=True)
class MissingWater:
    """What the level says is missing to the fill mark; negative when it stands above."""

    t_ms: int
    ml: float
    sd_ml: float


Event = Check | TopUp | Exchange | MissingWater
