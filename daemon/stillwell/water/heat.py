"""Heat in a tank: what evaporation takes out of it, what the water holds, how it cools."""

from __future__ import annotations

_ML_PER_M3 = 1e6


def latent_heat_j_per_kg(t_c: float) -> float:
    """Returns the heat that evaporates a kg of water at `t_c`, 0 to 40 degC, in J/kg.

    A straight line through the values of IAPWS-IF97 from 20 to 30 degC, within 0.001 % of them
    there. Salt changes it by less than 0.01 % (TEOS-10).
    """
    return 2.50098e6 - 2371.1 * t_c


def fresh_density_kg_m3(t_c: float) -> float:
    """Returns the density of pure water, 5 to 40 degC: a parabola fitted to TEOS-10 at salinity 0
    and within 0.08 kg/m3 of it."""
    return 997.067 - (t_c - 25.0) * (0.25094 + 0.005106 * (t_c - 25.0))


def volumetric_heat_capacity(t_c: float, salinity_g_kg: float) -> float:
    """Returns the heat that warms a m3 of seawater by a kelvin, in J/(m3 K).

    Density times specific heat, a plane fitted to TEOS-10 and within 0.2 % of it for 15 to 32 degC
    and 0 to 42 g/kg.
    """
    return 4.16767e6 - 2182.3 * salinity_g_kg - 949.8 * (t_c - 25.0)


def heat_capacity_j_per_k(
    volume_ml: float, t_c: float = 25.0, salinity_g_kg: float = 35.0
) -> float:
    """Returns the heat that warms the water of a tank by a kelvin, in J/K. Glass, rock and sand are
    not included."""
    return volume_ml / _ML_PER_M3 * volumetric_heat_capacity(t_c, salinity_g_kg)
