"""Water vapour at a water surface and in air."""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec, module_from_spec
from types import ModuleType

SEA_LEVEL_PA = 101_325.0
"""Standard atmosphere (ISO 2533)."""


@cache
def psychrometrics() -> ModuleType:
    """Returns PsychroLib in SI units: the equations of ASHRAE Handbook Fundamentals 2017, chapter
    1.

    PsychroLib keeps its system of units in a global of the module. This is a copy of the module
    that only we hold, so that neither we nor anybody else in the process can change the other's
    units. The first call loads it, not the import.
    """
    spec = find_spec("psychrolib")
    if spec is None or spec.loader is None:
        raise ModuleNotFoundError("psychrolib is not installed", name="psychrolib")
    library = module_from_spec(spec)
    spec.loader.exec_module(library)
    library.SetUnitSystem(library.SI)
    return library


def saturation_pressure_pa(t_c: float) -> float:
    """Returns the pressure of vapour in equilibrium with pure water (below 0 degC: with ice), in
    Pa.

    Hyland & Wexler 1983 as in ASHRAE Fundamentals 2017, chapter 1, equations 5 and 6; within 0.02 %
    of IAPWS-IF97 from 20 to 30 degC. Raises ValueError outside -100 to 200 degC.
    """
    return float(psychrometrics().GetSatVapPres(t_c))


def vapour_pressure_pa(t_c: float, humidity_percent: float) -> float:
    """Returns the pressure of the vapour in air of `humidity_percent` %RH, 0 to 100, in Pa."""
    if not 0.0 <= humidity_percent <= 100.0:
        raise ValueError(f"Relative humidity runs from 0 to 100 %, not {humidity_percent}.")
    return humidity_percent / 100 * saturation_pressure_pa(t_c)


def seawater_ratio(salinity_g_kg: float) -> float:
    """Returns the vapour pressure of seawater over that of pure water at the same temperature, 0 to
    1.

    A polynomial fitted to IAPWS-08 (release on the thermodynamic properties of seawater, 2008; the
    same as TEOS-10) at 25 degC, where the ratio hardly depends on temperature. Within 0.00004 of it
    for 28 to 42 g/kg at 20 to 30 degC, within 0.00015 for 0 to 42 g/kg at 10 to 35 degC.

    Args:
        salinity_g_kg: absolute salinity, 0 to 42. (Practical salinity is lower by 0.5 %, which
            moves the ratio by 0.0001.)
    """
    if not 0.0 <= salinity_g_kg <= 42.0:
        raise ValueError(f"The salinity must be from 0 to 42 g/kg, not {salinity_g_kg}.")
    return 1.0 - salinity_g_kg * (5.0625e-4 + 7.25e-7 * salinity_g_kg)


def surface_pressure_pa(t_c: float, salinity_g_kg: float = 0.0) -> float:
    """Returns the pressure of the vapour at the surface of water of that salinity, in Pa."""
    return seawater_ratio(salinity_g_kg) * saturation_pressure_pa(t_c)


def humidity_ratio(vapour_pa: float, pressure_pa: float = SEA_LEVEL_PA) -> float:
    """Returns kg of vapour per kg of dry air (ASHRAE Fundamentals 2017, chapter 1, equation 20)."""
    return float(psychrometrics().GetHumRatioFromVapPres(vapour_pa, pressure_pa))


def dry_air_density(t_c: float, vapour_pa: float, pressure_pa: float = SEA_LEVEL_PA) -> float:
    """Returns kg of dry air per m3 of moist air (ASHRAE Fundamentals 2017, chapter 1,
    equation 26)."""
    ratio = humidity_ratio(vapour_pa, pressure_pa)
    return 1.0 / float(psychrometrics().GetMoistAirVolume(t_c, ratio, pressure_pa))
