"""Seawater: salinity, density, specific gravity, conductivity, refractive index, and back.

Salinity here is practical salinity (PSS-78, a plain number near the ppt of a keeper's instrument)
unless a name says g/kg. Density and conductivity are those of TEOS-10 at the surface. Both are
polynomials of a dozen terms, written out here: the library that has them for the whole ocean takes
25 MB of a small machine's memory. The composition is taken as that of the standard ocean (reference
composition, Millero et al. 2008), so absolute salinity in g/kg is practical salinity times
35.16504/35.

A specific gravity is a ratio of two densities at two temperatures and means nothing without them:
1.026 is 34.5 at 25/25 °C and 33.9 at 60/60 °F. So `Reference` has no default.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

FRESHEST, SALTIEST = 0.0, 42.0
"""The range of PSS-78 (2 to 42), with its extension to fresh water (Hill et al. 1986)."""
COLDEST_C, HOTTEST_C = -2.0, 40.0
"""The range in which the equation of state was measured for seawater."""
G_PER_KG = 35.16504 / 35.0
"""Absolute salinity in g/kg per unit of practical salinity (IOC Manual 56, 2010, table D.4)."""
SODIUM_D_NM = 589.3


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


_PURE = (
    100015.695367145,
    -270.983805184062,
    1455.0364540468,
    -672.50778314507,
    397.968445406972,
    -194.618310617595,
    63.5113936641785,
    -9.63108119393062,
)
_SALT_2 = (
    -3310.49154044839,
    729.116529735046,
    -860.764303783977,
    694.244814133268,
    -297.728741987187,
)
_SALT_3 = (
    199.459603073901,
    -175.292041186547,
    383.058066002476,
    -460.319931801257,
    234.565187611355,
)
_SALT_4 = (-54.7919133532887, -22.6683558512829)
_SALT_5 = (36.0284195611086,)
"""What is linear in pressure in the Gibbs functions of pure water (IAPWS SR7-09) and of sea salt
(IAPWS R13-08), from memory: coefficients of temperature / 40 degC, for each power of the root of
salinity / 40.188617 g/kg."""


def density_kg_m3(practical: float, t_c: float) -> float:
    """Returns the density at the surface, in kg/m3 (TEOS-10).

    Args:
        practical: practical salinity, 0 to 42.
        t_c: -2 to 40 degC.
    """
    y = _temperature(t_c) / 40.0
    x = math.sqrt(grams_per_kilogram(practical) / (40.0 * G_PER_KG))
    salt = _series(
        (0.0, 0.0, *(_series(part, y) for part in (_SALT_2, _SALT_3, _SALT_4, _SALT_5))), x
    )
    return 1e8 / (_series(_PURE, y) + salt)


def _series(coefficients: Sequence[float], x: float) -> float:
    """Returns the polynomial whose coefficients begin with the constant."""
    found = 0.0
    for coefficient in reversed(coefficients):
        found = found * x + coefficient
    return found


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


_STANDARD_MS_CM = 42.9140
"""At a practical salinity of 35 and 15 degC (Culkin & Smith 1980, IEEE J. Oceanic Eng. 5, 22)."""
_T68 = 1.00024
"""IPTS-68 over ITS-90 (Preston-Thomas 1990, Metrologia 27, 3, as oceanography uses it)."""
_STANDARD_AT = (0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9)
_OF_RATIO = (0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081)
_OF_RATIO_AND_WARMTH = (0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144)
_WARMTH = 0.0162
"""PSS-78 (UNESCO Technical Paper in Marine Science 44, 1983), at the surface; from memory."""
_DILUTE = 2.0
"""PSS-78 begins at this salinity. Below it that of Hill, Dauphinee & Woods (1986, IEEE J. Oceanic
Eng. 11, 109) counts, scaled so that the two meet, as TEOS-10 does."""


def conductivity_ms_cm(practical: float, t_c: float) -> float:
    """Returns the conductivity at the water's own temperature, not compensated, in mS/cm
    (PSS-78)."""
    ratio = _ratio(lambda r: _of_ratio(r, t_c), _salinity(practical))
    return ratio * _standard_ms_cm(t_c)


def salinity_of_conductivity(ms_cm: float, t_c: float) -> float:
    """Returns the practical salinity (PSS-78) of water with that conductivity at its own
    temperature.

    The temperature counts: half a kelvin wrong is 0.38 in salinity at 25 degC. A meter that shows
    values "at 25 °C" has compensated them; then 25 is the temperature to give here, and the meter's
    own compensation comes on top as an error.
    """
    if not (math.isfinite(ms_cm) and ms_cm >= 0.0):
        raise ValueError(f"A conductivity is 0 mS/cm or more, not {ms_cm:g}.")
    found = _of_ratio(ms_cm / _standard_ms_cm(t_c), t_c)
    if found > SALTIEST + 1e-9:
        most = conductivity_ms_cm(SALTIEST, t_c)
        raise ValueError(
            f"{ms_cm:g} mS/cm is above what a salinity of 42 has at {t_c:g} °C ({most:.1f} mS/cm). "
            "Was it µS/cm, or another temperature?"
        )
    return min(max(found, FRESHEST), SALTIEST)


def _standard_ms_cm(t_c: float) -> float:
    """Returns the conductivity of water with a salinity of 35, in mS/cm."""
    return _STANDARD_MS_CM * _series(_STANDARD_AT, _temperature(t_c) * _T68)


def _of_ratio(ratio: float, t_c: float) -> float:
    """Returns the salinity of water that conducts `ratio` times as well as water of 35."""
    found = _by_pss_78(ratio, t_c)
    if found >= _DILUTE:
        return found
    meets = _ratio(lambda r: _by_pss_78(r, t_c), _DILUTE)
    return _by_hill(ratio, t_c) * _DILUTE / _by_hill(meets, t_c)


def _by_pss_78(ratio: float, t_c: float) -> float:
    root, warmth = math.sqrt(ratio), _share_of_warmth(t_c)
    return _series(_OF_RATIO, root) + warmth * _series(_OF_RATIO_AND_WARMTH, root)


def _by_hill(ratio: float, t_c: float) -> float:
    x, y = 400.0 * ratio, math.sqrt(100.0 * ratio)
    less = _OF_RATIO[0] / _series((1.0, 1.5, 1.0), x)
    less += _share_of_warmth(t_c) * _OF_RATIO_AND_WARMTH[0] / _series((1.0, 1.0, 1.0, 1.0), y)
    return _by_pss_78(ratio, t_c) - less


def _share_of_warmth(t_c: float) -> float:
    from_15 = t_c * _T68 - 15.0
    return from_15 / (1.0 + _WARMTH * from_15)


def _ratio(salinity: Callable[[float], float], wanted: float) -> float:
    """Returns the ratio of conductivities at which a rising function has this salinity."""
    low, high = 0.0, 2.0  # a salinity of 42 conducts 1.2 times as well as one of 35
    for _ in range(60):
        half = 0.5 * (low + high)
        low, high = (low, half) if salinity(half) > wanted else (half, high)
    return low


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
