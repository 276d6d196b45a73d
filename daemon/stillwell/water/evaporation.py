"""Evaporation from a water surface, from the published correlations for pools.

The two here lie up to a half apart at a tank's temperatures, published ones up to a factor of four
(Smith & Jones 1995, ASHRAE Transactions 101(1) 3841), and measurements differ from the best by a
mean of 18 % (Shah 2002, HVAC&R Research 8(1):125, eleven sources from 0.07 to 425 m2). So a number
from here is an expectation with a standard deviation of a quarter of itself, never a measurement.

A flux in kg/(m2 h), as the publications give it, is nearly mm an hour.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

from stillwell.water.heat import fresh_density_kg_m3, latent_heat_j_per_kg
from stillwell.water.vapour import (
    SEA_LEVEL_PA,
    dry_air_density,
    humidity_ratio,
    surface_pressure_pa,
    vapour_pressure_pa,
)

QUIET = 0.5
"""Activity factor of a residential pool (ASHRAE): the nearest to a tank's rippled surface."""
PUBLIC = 1.0
"""Activity factor of a public pool (ASHRAE): the equation as it was measured."""

RELATIVE_SD = 0.25
"""Relative standard deviation of any expectation from here. Shah 2002 found mean deviations from
measurements of 18 % (the best correlation) to 26 % (Boelter 1946); Smith & Jones 1995 (ASHRAE
Transactions 101(1) 3841) fitted their own pools to 16 %."""
SEA = 35.0
"""The salinity of a tank's water as far as its evaporation goes, g/kg; 10 more or less change the
vapour pressure by half a percent."""
_NO_HUMIDITY = 50.0
_NO_HUMIDITY_REL_SD = 0.4
"""Without a hygrometer half is assumed: rooms run from 30 to 65 %RH (common practice). The
relative uncertainty that this leaves in the expected rate is our own choice."""


@dataclass(frozen=True, slots=True)
class Air:
    """The air above the water."""

    t_c: float
    humidity_percent: float
    speed_m_s: float = 0.0
    """Speed along the surface."""
    pressure_pa: float = SEA_LEVEL_PA


@dataclass(frozen=True, slots=True)
class Water:
    """The surface of the water."""

    t_c: float
    salinity_g_kg: float = 0.0


def air_of(room_c: float, humidity: float | None, rel_sd: float) -> tuple[Air, float]:
    """Returns the air of a room, and the relative uncertainty of what physics expects in it.

    Args:
        humidity: %RH; None where nothing measures it.
        rel_sd: that uncertainty where the humidity is known.
    """
    if humidity is None:
        humidity, rel_sd = _NO_HUMIDITY, hypot(rel_sd, _NO_HUMIDITY_REL_SD)
    return Air(room_c, min(100.0, max(0.0, humidity))), rel_sd


def deficit_pa(water: Water, air: Air) -> float:
    """Returns the vapour pressure at the surface minus that in the air, in Pa; negative where the
    air is so damp that its vapour would condense on the water."""
    return surface_pressure_pa(water.t_c, water.salinity_g_kg) - vapour_pressure_pa(
        air.t_c, air.humidity_percent
    )


def natatorium(water: Water, air: Air, activity: float = PUBLIC) -> float:
    """Returns the evaporation by the ASHRAE natatorium equation, in kg/(m2 h); 0 where vapour would
    condense.

    ASHRAE Handbook HVAC Applications, chapter Places of Assembly (after Carrier 1918): ``w = A (pw
    - pa) (0.089 + 0.0782 V) / Y`` in kg/s, m2, kPa, m/s and kJ/kg, times an activity factor. The
    latent heat ``Y`` is taken at the temperature of the water.

    Args:
        water: the surface.
        air: the air over it.
        activity: `QUIET` … `PUBLIC` and above.
    """
    latent_kj_per_kg = latent_heat_j_per_kg(water.t_c) / 1000
    per_second = deficit_pa(water, air) / 1000 * (0.089 + 0.0782 * air.speed_m_s) / latent_kj_per_kg
    return max(0.0, per_second * 3600 * activity)


def shah(water: Water, air: Air) -> float:
    """Returns the evaporation of an undisturbed pool by Shah, in kg/(m2 h); 0 where vapour would
    condense. Takes no account of moving air beyond that of a room with ventilation.

    M. M. Shah, ASHRAE Transactions 118(1) SA-12-011 (2012) and 120(2) SE-14-001 (2014): the greater
    of natural convection ``35 rho_w (rho_r - rho_w)^(1/3) (W_w - W_r)`` and the room's own currents
    ``0.00005 (p_w - p_r)``. Densities are kg of dry air per m3, W is kg of vapour per kg of dry
    air, p is in Pa; w is air in equilibrium with the water, r the room's. Room air that is heavier
    than the air over the water sinks onto it and replaces it; where it is lighter only the second
    term is left.
    """
    at_water = surface_pressure_pa(water.t_c, water.salinity_g_kg)
    in_room = vapour_pressure_pa(air.t_c, air.humidity_percent)
    film = dry_air_density(water.t_c, at_water, air.pressure_pa)
    heavier = dry_air_density(air.t_c, in_room, air.pressure_pa) - film
    natural = 0.0
    if heavier > 0:
        moister = humidity_ratio(at_water, air.pressure_pa) - humidity_ratio(
            in_room, air.pressure_pa
        )
        natural = 35.0 * film * heavier ** (1 / 3) * moister
    forced = 5e-5 * (at_water - in_room)
    return max(0.0, natural, forced)


def ml_per_h(flux_kg_m2_h: float, area_mm2: float, water_c: float) -> float:
    """Returns the volume that a flux takes from a surface, in mL/h of fresh water at `water_c`."""
    return flux_kg_m2_h * (area_mm2 / 1e6) / fresh_density_kg_m3(water_c) * 1e6


def expected(water: Water, air: Air, area_mm2: float) -> float:
    """Returns what physics expects of a tank's whole wetted surface, return chamber included, in
    mL/h of fresh water, as it would be poured back: with a relative standard deviation of
    `RELATIVE_SD`.

    The geometric mean of the natatorium equation with ASHRAE's factor for residential pools and of
    Shah's equation for undisturbed ones: neither was measured on a tank, whose surface a pump stirs
    but nobody swims in.

    Args:
        water: the surface.
        air: the air over it.
        area_mm2: the area of the surface, in mm2.
    """
    flux = sqrt(natatorium(water, air, QUIET) * shah(water, air))
    return ml_per_h(flux, area_mm2, water.t_c)
