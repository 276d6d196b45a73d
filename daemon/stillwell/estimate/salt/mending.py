"""How to bring the salinity back, and how slowly."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.estimate.salt.balance import SaltState
from stillwell.estimate.salt.told import kilograms

FASTEST_PER_DAY = 1.0
"""The fastest change of the salinity in a day that is safe for animals (common practice)."""
SALTIER = 5.0
"""How much saltier than the target the water is that raises a tank (our own choice)."""


@dataclass(frozen=True, slots=True)
class BringBack:
    """How to bring the salinity to where it should be."""

    pour_fresh_ml: float
    """First: the fresh water to pour, up to the mark."""
    swap_ml: float
    """Then: the volume to take out of the tank and to replace."""
    of_salinity: float
    """The salinity of the water that comes in; 0: fresh."""


def bring_back(state: SaltState, target: float) -> BringBack:
    """Returns how to bring the tank to `target`, the salinity to reach when filled to the mark:
    with fresh water, or where it is too fresh with salt water that is `SALTIER`."""
    full, first = state.mean[0], max(0.0, state.missing_ml)
    new = 0.0 if full > target else target + SALTIER
    # (W - x rho_tank) full + x rho_new new = (W - x rho_tank + x rho_new) target
    out, into = kilograms(1.0, full), kilograms(1.0, new)
    volume = state.full_kg * (target - full) / (out * (target - full) + into * (new - target))
    return BringBack(first, max(0.0, volume), new)
