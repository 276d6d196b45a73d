"""Laws of heat and vapour that the worlds are built of, each from a publication. SI: Pa, W, m2, K;
temperatures in degC."""

from __future__ import annotations

from math import exp

SEAWATER = 0.981
"""Vapour pressure over seawater of 35 g/kg as a share of that over pure water (TEOS-10)."""
SEA_LEVEL_PA = 101_325.0
PSYCHROMETRIC_PA_K = 0.665e-3 * SEA_LEVEL_PA
"""The psychrometric constant, 67 Pa/K at sea level (Allen et al. 1998, FAO Irrigation and Drainage
Paper 56, equation 8). By Bowen (1926, Physical Review 27:779) sensible heat is to latent heat as
this times the difference in temperature is to the difference in vapour pressure."""
SEAWATER_J_L_K = 4_090.0
"""What warms a litre of seawater of 35 g/kg by a kelvin at 25 degC: 3,998 J/(kg K) times 1.0233
kg/L (TEOS-10)."""
EXPANSION_PER_K = 2.97e-4
"""By which share seawater of 35 g/kg swells for a kelvin at 25 degC (TEOS-10)."""
GLASS_J_M3_K = 2_500.0 * 720.0
"""What warms a m3 of soda-lime glass by a kelvin (EN 572-1: 2,500 kg/m3, 720 J/(kg K))."""
GLASS_W_M_K = 1.0
"""Conductivity of soda-lime glass (EN 572-1)."""
_SIGMA = 5.670e-8


def saturation_pa(t_c: float) -> float:
    """Returns the vapour pressure over pure water, within 0.1 % from 0 to 50 degC.

    Buck 1981, Journal of Applied Meteorology 20:1527, in the form of his 1996 manual.
    """
    return 611.21 * exp((18.678 - t_c / 234.5) * (t_c / (257.14 + t_c)))


def latent_j_kg(t_c: float) -> float:
    """Returns the heat that evaporates a kg of water (Henderson-Sellers 1984, Quarterly Journal of
    the Royal Meteorological Society 110:1186, as a straight line)."""
    return 2.501e6 - 2_361.0 * t_c


def shah_kg_m2_s(water_c: float, surface_pa: float, air_c: float, vapour_pa: float) -> float:
    """Returns the evaporation of an undisturbed pool, in kg/(m2 s), never below 0.

    M. M. Shah 2014, ASHRAE Transactions 120(2) SE-14-001: the greater of natural convection, 35
    times density times the cube root of the difference in density times the difference in humidity
    ratio, and the room's own currents, 5e-5 kg/(m2 h Pa).
    """
    moist = surface_pa - vapour_pa
    if moist <= 0.0:
        return 0.0
    film = (SEA_LEVEL_PA - surface_pa) / (287.05 * (water_c + 273.15))
    heavier = (SEA_LEVEL_PA - vapour_pa) / (287.05 * (air_c + 273.15)) - film
    currents = 5e-5 * moist
    if heavier > 0.0:
        ratios = surface_pa / (SEA_LEVEL_PA - surface_pa) - vapour_pa / (SEA_LEVEL_PA - vapour_pa)
        natural: float = 35.0 * film * heavier ** (1.0 / 3.0) * 0.62198 * ratios
        currents = max(currents, natural)
    return currents / 3_600.0


def fan_w_m2_pa(speed_m_s: float) -> float:
    """Returns what a current of air along the surface adds to the latent heat, in W/m2 for a Pa:
    the speed's term of the ASHRAE natatorium equation, 0.0782 kW/(m2 kPa) for a m/s (ASHRAE
    Handbook HVAC Applications, Places of Assembly, after Carrier 1918)."""
    return 0.0782 * speed_m_s


def penman_w_m2_pa(speed_m_s: float) -> float:
    """Returns the latent heat of a Dalton-type evaporation, in W/m2 for a Pa.

    Penman's wind function for open water (Penman 1948, Proceedings of the Royal Society A 193:120)
    in SI as in Shuttleworth 1993, Handbook of Hydrology, equation 4.2.30: 6.43 (1 + 0.536 u)
    MJ/(m2 d kPa).
    """
    return 6.43e6 / 86_400.0 / 1_000.0 * (1.0 + 0.536 * speed_m_s)


def radiation_w_m2_k(one_c: float, other_c: float, emissivity: float) -> float:
    """Returns the coefficient of radiation between a surface and walls around it (Incropera &
    DeWitt, Fundamentals of Heat and Mass Transfer, equation 1.9)."""
    mean_k = 273.15 + 0.5 * (one_c + other_c)
    return 4.0 * emissivity * _SIGMA * mean_k**3


def upright_w_m2_k(difference_k: float) -> float:
    """Returns the coefficient of natural convection at an upright pane: 1.31 times the cube root of
    the difference (McAdams 1954, Heat Transmission, 3rd edition, table 7-2: turbulent, vertical
    plates in air)."""
    return float(1.31 * abs(difference_k) ** (1.0 / 3.0))
