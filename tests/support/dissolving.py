"""The water that a mass of salt mix gives: the inverse of what a recipe works out."""

from __future__ import annotations

from stillwell.water.mixing import DryMix, Water
from stillwell.water.seawater import practical_salinity


def dissolved(mix: DryMix, water: Water, weighed_g: float) -> Water:
    """Returns the water with this much of the mix in it."""
    kg = water.kg + weighed_g / 1000
    return Water(kg, practical_salinity((water.salt_g + mix.salt(weighed_g)) / kg), water.t_c)
