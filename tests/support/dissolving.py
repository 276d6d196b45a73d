"""What a mix of salt makes of water, by its mass: the way back from what a recipe works out."""

from __future__ import annotations

from stillwell.water.mixing import DryMix, Water
from stillwell.water.seawater import practical_salinity


def dissolved(mix: DryMix, water: Water, weighed_g: float) -> Water:
    """Returns the water with so much of the mix in it."""
    kg = water.kg + weighed_g / 1000
    return Water(kg, practical_salinity((water.salt_g + mix.salt(weighed_g)) / kg), water.t_c)
