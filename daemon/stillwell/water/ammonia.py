"""Ammonia, nitrite, nitrate: units that are not to be confused, and how much of the ammonia is
NH3.

Test kits measure total ammonia, NH3 and NH4+ together. The part that harms animals is NH3, and it
grows with pH and temperature. Published formulas for it lie 30 % apart, and most of that is the
scale on which pH is measured: so a formula here always names its scale, and a pH comes with one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from stillwell.units import Dimension, System, show

_N, _H, _O = 14.007, 1.008, 15.999
"""Standard atomic weights (IUPAC 2021, abridged), g/mol."""


class Species(StrEnum):
    """What a kit measures."""

    AMMONIA = "ammonia"
    NITRITE = "nitrite"
    NITRATE = "nitrate"


_MOLAR: dict[Species, dict[str, float]] = {
    Species.AMMONIA: {"N": _N, "NH3": _N + 3 * _H, "NH4": _N + 4 * _H},
    Species.NITRITE: {"N": _N, "NO2": _N + 2 * _O},
    Species.NITRATE: {"N": _N, "NO3": _N + 3 * _O},
}
_SYMBOL = {Species.AMMONIA: "NH3", Species.NITRITE: "NO2", Species.NITRATE: "NO3"}


@dataclass(frozen=True, slots=True)
class Concentration:
    """So much of one species, in mg of nitrogen a litre. Made by `measured`: the number of a kit
    alone is no concentration."""

    species: Species
    mg_n_per_l: float

    def counted_as(self, substance: str) -> float:
        """Returns it in mg/L of ``N``, ``NH3``, ``NH4``, ``NO2`` or ``NO3``."""
        molar = _molar(self.species, substance)
        return self.mg_n_per_l * molar / _N


def _molar(species: Species, substance: str) -> float:
    known = _MOLAR[species]
    if substance not in known:
        raise ValueError(
            f"{species.capitalize()} is counted as {' or '.join(known)}, not as {substance}."
        )
    return known[substance]


def measured(species: Species, value: float, unit: str) -> Concentration:
    """Returns the concentration that a kit shows.

    Args:
        species: what the kit measures.
        value: as read, 0 or more.
        unit: ``mg/L N`` (also ``mg/L NO2-N``) or ``mg/L NH3``, ``mg/L NH4``, ``mg/L NO2``,
            ``mg/L NO3``; ``ppm`` for ``mg/L``. Raises ValueError for ``mg/L`` alone: as N or as the
            ion is a factor of 1.2 to 4.4, and it stands in the kit's leaflet.
    """
    if not (math.isfinite(value) and value >= 0):
        raise ValueError(f"{species.capitalize()} is 0 or more, not {value:g}.")
    words = unit.replace("-", " ").replace("−", " ").replace("+", " ").split()
    if not words or words[0].casefold() not in ("mg/l", "ppm"):
        raise ValueError(
            f'"{unit}" is no unit of {species} that is known here. Write "mg/L N" or "mg/L '
            f"{_SYMBOL[species]}\", whichever the kit's leaflet says."
        )
    tail = [word.upper() for word in words[1:]]
    if not tail:
        ion = _SYMBOL[species]
        raise ValueError(
            f'"{unit}" of {species} can be counted as N or as {ion}, which differ by a factor of '
            f'{_molar(species, ion) / _N:.2g}. Write "mg/L N" or "mg/L {ion}", whichever the '
            "kit's leaflet says."
        )
    # "NO2-N" is nitrogen that comes as nitrite; but nitrate's symbol on nitrite's test is a slip.
    for word in tail:
        _molar(species, word)
    substance = "N" if tail[-1] == "N" else tail[-1]
    return Concentration(species, value * _N / _molar(species, substance))


class PhScale(StrEnum):
    """On which scale a pH stands: decided by the buffers that the probe was calibrated with."""

    NBS = "NBS"
    """The buffers of the trade (pH 4.01, 7.00, 9.18 …): every hobby probe and colour kit."""
    TOTAL = "total"
    """Buffers made of artificial seawater (tris): laboratories."""


NBS_OVER_TOTAL = 0.13
"""A pH on NBS buffers is above the total scale by about this in seawater (from memory; depends on
the electrode, 0.1 to 0.15)."""


class Formula(StrEnum):
    """Who gave the pKa of ammonium in seawater."""

    JOHANSSON_WEDBORG = "Johansson & Wedborg 1980"
    """pKa = 10.0423 - 0.0315536 t + 0.003071 S; as quoted by Bell, Johnson, Jickells & Liss,
    Environmental Chemistry 4 (2007) 183. Taken with a pH on NBS buffers."""
    EPA_1989 = "EPA 440/5-88-004"
    """U.S. EPA, Ambient Water Quality Criteria for Ammonia (Saltwater) 1989, after Whitfield 1974
    and Hampson 1977. Coefficients from memory. Taken with a pH on NBS buffers."""
    CLEGG_WHITFIELD = "Clegg & Whitfield 1995"
    """S. L. Clegg & M. Whitfield, Geochim. Cosmochim. Acta 59 (1995) 2403, on the total scale.
    Coefficients from memory, checked against the values that the R package wq prints."""

    @property
    def scale(self) -> PhScale:
        """Returns the scale on which the pH must stand."""
        return PhScale.TOTAL if self is Formula.CLEGG_WHITFIELD else PhScale.NBS


@dataclass(frozen=True, slots=True)
class Ph:
    """A pH and the scale that it stands on."""

    value: float
    scale: PhScale = PhScale.NBS

    def on(self, scale: PhScale) -> float:
        """Returns it on another scale, roughly: see `NBS_OVER_TOTAL`."""
        if scale is self.scale:
            return self.value
        return self.value + (NBS_OVER_TOTAL if scale is PhScale.NBS else -NBS_OVER_TOTAL)


def pka(t_c: float, salinity: float, formula: Formula = Formula.JOHANSSON_WEDBORG) -> float:
    """Returns the pKa of ammonium on the formula's own scale, at the surface.

    Args:
        t_c: 0 to 40 degC.
        salinity: practical salinity, 0 to 45 (20 to 45 for Johansson & Wedborg).
        formula: whose.
    """
    if not (0.0 <= t_c <= 40.0 and 0.0 <= salinity <= 45.0):
        raise ValueError(
            f"The share of NH3 is known from 0 to 40 °C and for salinities of 0 to 45, not at "
            f"{t_c:g} °C and {salinity:g}."
        )
    kelvin = t_c + 273.15
    match formula:
        case Formula.JOHANSSON_WEDBORG:
            return 10.0423 - 0.0315536 * t_c + 0.003071 * salinity
        case Formula.EPA_1989:
            ionic = 19.9273 * salinity / (1000.0 - 1.005109 * salinity)
            # Its 298 K stand for 25 °C: its kelvin are counted from 273.
            return 9.245 + 0.116 * ionic + 0.0324 * (25.0 - t_c) + 0.0415 / (t_c + 273.0)
        case Formula.CLEGG_WHITFIELD:
            root = math.sqrt(kelvin)
            return float(
                9.244605
                - 2729.33 * (1.0 / 298.15 - 1.0 / kelvin)
                + (0.04203362 - 11.24742 / kelvin) * salinity**0.25
                + (-13.6416 + 1.176949 * root - 0.02860785 * kelvin + 545.4834 / kelvin)
                * salinity**0.5
                + (-0.1462507 + 0.0090226468 * root - 0.0001471361 * kelvin + 10.5425 / kelvin)
                * salinity**1.5
                + (0.004669309 - 0.0001691742 * root - 0.5677934 / kelvin) * salinity**2
                + (-2.354039e-5 + 0.009698623 / kelvin) * salinity**2.5
            )


def nh3_share(
    ph: Ph, t_c: float, salinity: float, formula: Formula = Formula.JOHANSSON_WEDBORG
) -> float:
    """Returns the share of total ammonia that is NH3, 0 to 1; the same by mass of N and by mole."""
    if not 5.0 <= ph.value <= 11.0:
        raise ValueError(f"A pH of {ph.value:g} is none of a tank with seawater.")
    return float(1.0 / (1.0 + 10.0 ** (pka(t_c, salinity, formula) - ph.on(formula.scale))))


def free_ammonia(
    total: Concentration,
    ph: Ph,
    t_c: float,
    salinity: float,
    formula: Formula = Formula.JOHANSSON_WEDBORG,
) -> float:
    """Returns how much NH3 there is, in mg of N a litre."""
    if total.species is not Species.AMMONIA:
        raise ValueError(f"The share of NH3 is one of ammonia, not of {total.species}.")
    return total.mg_n_per_l * nh3_share(ph, t_c, salinity, formula)


def words(
    total: Concentration, ph: Ph, t_c: float, salinity: float, units: System = System.METRIC
) -> str:
    """Returns a sentence or two for the person beside the tank: figure, formula, scale, and the
    caution."""
    share = nh3_share(ph, t_c, salinity)
    warm = show(t_c, Dimension.TEMPERATURE, units)
    text = (
        f"NH3 {total.mg_n_per_l * share:.3f} mg/L as N, {100 * share:.1f} % of the total ammonia "
        f"({total.mg_n_per_l:.2f} mg/L as N) at pH {ph.value:.1f} ({ph.scale} scale), {warm} "
        f"and salinity {salinity:.1f}, by {Formula.JOHANSSON_WEDBORG}; other published formulas "
        "lie up to 30 % off."
    )
    if total.mg_n_per_l > 0:
        text += " No animals go in while a test shows ammonia or nitrite (common practice)."
    return text
