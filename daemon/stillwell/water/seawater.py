"""Seawater: salinity, density, specific gravity, conductivity, refractive index, and back.

Salinity here is practical salinity (PSS-78, a plain number near the ppt of a keeper's instrument)
unless a name says g/kg. Density and conductivity are those of TEOS-10 at the surface, from the
package ``gsw``, which is imported by the first call that needs it; the composition is taken as that
of the standard ocean (reference composition, Millero et al. 2008), so absolute salinity in g/kg is
practical salinity times 35.16504/35.

A specific gravity is a ratio of two densities at two temperatures and means nothing without them:
1.026 is 34.5 at 25/25 °C and 33.9 at 60/60 °F. So `Reference` has no default.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from types import ModuleType

FRESHEST, SALTIEST = 0.0, 42.0
"""The range of PSS-78 (2 to 42), with its extension to fresh water (Hill et al. 1986)."""
COLDEST_C, HOTTEST_C = -2.0, 40.0
"""The range in which the equation of state was measured for seawater."""
G_PER_KG = 35.16504 / 35.0
"""Absolute salinity in g/kg per unit of practical salinity (IOC Manual 56, 2010, table D.4)."""
SODIUM_D_NM = 589.3


class SeawaterMissingError(ModuleNotFoundError):
    """The package for the properties of seawater is not installed."""

    def __init__(self) -> None:
        super().__init__(
            "Density, specific gravity and conductivity of seawater need the package gsw. "
            "Install it with: pip install 'stillwell[seawater]'",
            name="gsw",
        )


def _gsw() -> ModuleType:
    try:
        import gsw
    except ModuleNotFoundError as error:
        if error.name is not None and error.name.split(".")[0] != "gsw":
            raise  # gsw is there, but not what it needs: its own error says more
        raise SeawaterMissingError from None
    return gsw  # type: ignore[no-any-return]


def _salinity(value: float) -> float:
    if not FRESHEST <= value <= SALTIEST:
        raise ValueError(
            f"A salinity of {value:g} is outside 0 to 42, where seawater's properties are known."
        )
    return value


def _temperature(value: float) -> float:
    if not COLDEST_C <= value <= HOTTEST_C:
        raise ValueError(f"{value:g} °C is outside -2 to 40 °C, where seawater's are known.")
    return value


def grams_per_kilogram(practical: float) -> float:
    """Returns the absolute salinity in g of salt per kg of seawater, of the standard
    composition."""
    return _salinity(practical) * G_PER_KG


def practical_salinity(grams_per_kg: float) -> float:
    """Returns the practical salinity of water with this absolute salinity, 0 to 42.2 g/kg."""
    return _salinity(grams_per_kg / G_PER_KG)


def density_kg_m3(practical: float, t_c: float) -> float:
    """Returns the density at the surface, in kg/m3 (TEOS-10, `rho_t_exact`).

    Args:
        practical: practical salinity, 0 to 42.
        t_c: -2 to 40 degC.
    """
    return float(_gsw().rho_t_exact(grams_per_kilogram(practical), _temperature(t_c), 0.0))


def _solved(of_salinity: Callable[[float], float], target: float) -> float | None:
    """The salinity at which a rising function reaches `target`, or None outside 0 to 42."""
    low, high = FRESHEST, SALTIEST
    at_low, at_high = of_salinity(low) - target, of_salinity(high) - target
    slack = 1e-9 * max(1.0, abs(target))
    if at_low > slack or at_high < -slack:
        return None
    for _ in range(60):
        # The functions are within a per mille of straight, so regula falsi (Illinois) needs few
        # steps.
        guess = min(max(low - at_low * (high - low) / (at_high - at_low), low), high)
        found = of_salinity(guess) - target
        if abs(found) <= slack * 1e-3 or high - low < 1e-12:
            break
        if found > 0:
            high, at_high, at_low = guess, found, at_low / 2
        else:
            low, at_low, at_high = guess, found, at_high / 2
    return guess


# -- specific gravity ----------------------------------------------------------------------------

_REFERENCE = re.compile(
    r"\s*([0-9]+(?:\.[0-9]+)?)\s*(°|deg)?\s*([CF])?\s*/\s*([0-9]+(?:\.[0-9]+)?)"
    r"\s*(?:°|deg)?\s*([CF])?\s*",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Reference:
    """The two temperatures of a specific gravity: that of the sample and that of the pure water it
    is compared with, in degC."""

    sample_c: float
    water_c: float

    @classmethod
    def parse(cls, text: str) -> Reference:
        """Returns the reference that is written on an instrument, such as ``25/25 °C``, ``60/60
        degF`` or ``20/4 °C``. Raises ValueError with what to write instead."""
        found = _REFERENCE.fullmatch(text)
        if found is None:
            raise ValueError(
                f'"{text}" is no reference of a specific gravity. Write the two temperatures that '
                'stand on the instrument, as in "25/25 degC" or "60/60 degF".'
            )
        unit = (found[5] or found[3] or "").upper()
        if found[3] and found[5] and found[3].upper() != found[5].upper():
            raise ValueError(f'"{text}" mixes °C and °F. Write both temperatures in one unit.')
        if not unit:
            raise ValueError(
                f'"{text}" has no unit. Write "{found[1]}/{found[4]} degC" or '
                f'"{found[1]}/{found[4]} degF".'
            )
        sample, water = float(found[1]), float(found[4])
        if unit == "F":
            sample, water = (sample - 32.0) / 1.8, (water - 32.0) / 1.8
        for value in (sample, water):
            _temperature(value)
        return cls(sample, water)

    def __str__(self) -> str:
        for pair in _IN_FAHRENHEIT:
            fahrenheit = tuple(round(t * 1.8 + 32.0, 6) for t in (self.sample_c, self.water_c))
            if fahrenheit == pair:
                return f"{pair[0]:g}/{pair[1]:g} °F"
        return f"{self.sample_c:g}/{self.water_c:g} °C"


_IN_FAHRENHEIT = ((60.0, 60.0), (77.0, 60.0), (60.0, 39.2))


def _pure_kg_m3(t_c: float) -> float:
    return density_kg_m3(0.0, t_c)


def specific_gravity(practical: float, reference: Reference) -> float:
    """Returns the density of the sample at its reference temperature over that of pure water at its
    own."""
    return density_kg_m3(practical, reference.sample_c) / _pure_kg_m3(reference.water_c)


def salinity_of_specific_gravity(gravity: float, reference: Reference) -> float:
    """Returns the practical salinity of a sample whose specific gravity was taken at the
    reference's temperatures (an instrument that corrects to them, or a sample brought there)."""
    return _salinity_of_gravity(gravity, gravity * _pure_kg_m3(reference.water_c), reference)


def _salinity_of_gravity(gravity: float, kg_m3: float, reference: Reference) -> float:
    found = _solved(lambda s: density_kg_m3(s, reference.sample_c), kg_m3)
    if found is None:
        low = specific_gravity(FRESHEST, reference)
        high = specific_gravity(SALTIEST, reference)
        raise ValueError(
            f"{gravity:g} is no specific gravity of seawater at {reference}: that runs from "
            f"{low:.4f} to {high:.4f}."
        )
    return found


# -- conductivity --------------------------------------------------------------------------------


def conductivity_ms_cm(practical: float, t_c: float) -> float:
    """Returns the conductivity at the water's own temperature, not compensated, in mS/cm
    (PSS-78; UNESCO Technical Paper in Marine Science 44, 1983)."""
    return float(_gsw().C_from_SP(_salinity(practical), _temperature(t_c), 0.0))


def salinity_of_conductivity(ms_cm: float, t_c: float) -> float:
    """Returns the practical salinity (PSS-78) of water with that conductivity at its own
    temperature.

    The temperature counts: half a kelvin wrong is 0.38 in salinity at 25 degC. A meter that shows
    values "at 25 °C" has compensated them; then 25 is the temperature to give here, and the meter's
    own compensation comes on top as an error.
    """
    if not (math.isfinite(ms_cm) and ms_cm >= 0.0):
        raise ValueError(f"A conductivity is 0 mS/cm or more, not {ms_cm:g}.")
    if ms_cm <= conductivity_ms_cm(FRESHEST, t_c) * (1 + 1e-9):
        return FRESHEST  # gsw's extension gives no answer here
    found = float(_gsw().SP_from_C(ms_cm, t_c, 0.0))
    if math.isnan(found) or found > SALTIEST + 1e-9:
        most = conductivity_ms_cm(SALTIEST, t_c)
        raise ValueError(
            f"{ms_cm:g} mS/cm is above what a salinity of 42 has at {t_c:g} °C ({most:.1f} mS/cm). "
            "Was it µS/cm, or another temperature?"
        )
    return min(found, SALTIEST)


# -- refractive index ----------------------------------------------------------------------------


def refractive_index(practical: float, t_c: float, nm: float = SODIUM_D_NM) -> float:
    """Returns the refractive index (against air) by X. Quan & E. S. Fry, Applied Optics 34 (1995)
    3477.

    Fitted to salinities of 0 to 35, 0 to 30 degC and 400 to 700 nm. It is a straight line in
    salinity; from 35 to 42 it is extrapolated here.
    """
    return _pure_index(t_c, nm) + _index_per_salinity(t_c, nm) * _salinity(practical)


def _wavelength(nm: float) -> float:
    if not 400.0 <= nm <= 700.0:
        raise ValueError(f"The index is known from 400 to 700 nm, not at {nm:g} nm.")
    return nm


def _optical(t_c: float) -> float:
    if not 0.0 <= t_c <= 30.0:
        raise ValueError(f"The index of seawater is known from 0 to 30 °C, not at {t_c:g} °C.")
    return t_c


def _pure_index(t_c: float, nm: float) -> float:
    t, w = _optical(t_c), _wavelength(nm)
    return 1.31405 - 2.02e-6 * t * t + (15.868 - 0.00423 * t) / w - 4382.0 / w**2 + 1.1455e6 / w**3


def _index_per_salinity(t_c: float, nm: float) -> float:
    t, w = _optical(t_c), _wavelength(nm)
    return 1.779e-4 - 1.05e-6 * t + 1.6e-8 * t * t + 0.01155 / w
