"""Heat in a tank: what evaporation takes out of it, what the water holds, how it cools."""

from __future__ import annotations

from math import exp, inf, log

_ML_PER_M3 = 1e6
_S_PER_H = 3600.0


def latent_heat_j_per_kg(t_c: float) -> float:
    """Returns the heat that evaporates a kg of water at `t_c`, 0 to 40 degC, in J/kg.

    The straight line through the values of IAPWS-IF97 from 20 to 30 degC, within 0.001 % of them
    there. Salt changes it by less than 0.01 % (TEOS-10).
    """
    return 2.50098e6 - 2371.1 * t_c


def fresh_density_kg_m3(t_c: float) -> float:
    """Returns the density of pure water, 5 to 40 degC: a parabola fitted to TEOS-10 at salinity 0
    and within 0.08 kg/m3 of it."""
    return 997.067 - (t_c - 25.0) * (0.25094 + 0.005106 * (t_c - 25.0))


def volumetric_heat_capacity(t_c: float, salinity_g_kg: float) -> float:
    """Returns what warms a m3 of seawater by a kelvin, in J/(m3 K).

    Density times specific heat, a plane fitted to TEOS-10 and within 0.2 % of it for 15 to 32 degC
    and 0 to 42 g/kg.
    """
    return 4.16767e6 - 2182.3 * salinity_g_kg - 949.8 * (t_c - 25.0)


def heat_capacity_j_per_k(
    volume_ml: float, t_c: float = 25.0, salinity_g_kg: float = 35.0
) -> float:
    """Returns what warms the water of a tank by a kelvin, in J/K. Glass, rock and sand come on
    top."""
    return volume_ml / _ML_PER_M3 * volumetric_heat_capacity(t_c, salinity_g_kg)


def evaporation_power_w(rate_ml_per_h: float, water_c: float) -> float:
    """Returns the heat that evaporation takes out of the water, in W.

    Args:
        rate_ml_per_h: fresh water lost, as it would be poured back: mL of water at `water_c`.
        water_c: temperature of the water, 5 to 40 degC.
    """
    kg_per_s = rate_ml_per_h / _S_PER_H / _ML_PER_M3 * fresh_density_kg_m3(water_c)
    return kg_per_s * latent_heat_j_per_kg(water_c)


def heater_share(rate_ml_per_h: float, water_c: float, heater_w: float) -> float:
    """Returns the share of its time that a heater of `heater_w` watts runs only to make good what
    evaporation takes; above 1 it can't. Raises ValueError for a heater without power."""
    if not heater_w > 0:
        raise ValueError(f"A heater's power is above 0 W, not {heater_w} W.")
    return evaporation_power_w(rate_ml_per_h, water_c) / heater_w


def time_constant_s(capacity_j_per_k: float, loss_w_per_k: float) -> float:
    """Returns the time in which the distance to the resting temperature shrinks to 1/e, in s;
    infinite where nothing is lost."""
    return capacity_j_per_k / loss_w_per_k if loss_w_per_k > 0 else inf


def cooled_c(start_c: float, rest_c: float, constant_s: float, elapsed_s: float) -> float:
    """Returns the temperature after `elapsed_s` seconds by Newton's law of cooling (or warming).

    Args:
        start_c: temperature at the start.
        rest_c: where it would come to rest: the room, lifted by what pump and lamp give and lowered
            by what evaporation takes, each divided by the loss in W/K.
        constant_s: from `time_constant_s`.
        elapsed_s: not negative.
    """
    return rest_c + (start_c - rest_c) * exp(-elapsed_s / constant_s)


def seconds_until(
    start_c: float, target_c: float, rest_c: float, constant_s: float
) -> float | None:
    """Returns after how many seconds Newton's law reaches `target_c`, or None if it never does:
    because the target lies on the other side of the start, or at or beyond the resting
    temperature."""
    if target_c == start_c:
        return 0.0
    if constant_s == inf or not min(start_c, rest_c) < target_c < max(start_c, rest_c):
        return None
    return constant_s * log((start_c - rest_c) / (target_c - rest_c))
