"""Ammonia, nitrite, nitrate: units that must not be confused, and how much of the ammonia is NH3.

Test kits measure total ammonia, NH3 and NH4+ together. The part that harms animals is NH3, and it
grows with pH and temperature. Published formulas for it lie 30 % apart where the scale on which pH
is measured is left out, and within 10 % where it isn't: so a formula here always names its scale,
and a pH comes with one.
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
SYMBOL = {Species.AMMONIA: "NH3", Species.NITRITE: "NO2", Species.NITRATE: "NO3"}


@dataclass(frozen=True, slots=True)
class Concentration:
    """The concentration of one species, in mg of nitrogen per litre. Made by `measured`: a kit's
    number alone is no concentration."""

    species: Species
    mg_n_per_l: float


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
        unit: ``mg/L N`` (also ``mg/L NO2-N``) or ``mg/L NH3``, ``mg/L NH4``, ``mg/L NO2``, ``mg/L
            NO3``; ``ppm`` for ``mg/L``. Raises ValueError for ``mg/L`` alone: N and the ion differ
            by a factor of 1.2 to 4.4, and the kit's leaflet says which it is.
    """
    if not (math.isfinite(value) and value >= 0):
        raise ValueError(f"{species.capitalize()} is 0 or more, not {value:g}.")
    words = unit.replace("-", " ").replace("−", " ").replace("+", " ").split()
    if not words or words[0].casefold() not in ("mg/l", "ppm"):
        raise ValueError(
            f'"{unit}" is no unit of {species} that is known here.'
            if words
            else f"{value:g} has no unit, and {species} needs one."
        )
    tail = [word.upper() for word in words[1:]]
    if not tail:
        ion = SYMBOL[species]
        raise ValueError(
            f'"{unit}" of {species} can be counted as N or as {ion}, which differ by a factor of '
            f"{_molar(species, ion) / _N:.2g}: which it is, stands in the kit's leaflet."
        )
    # "NO2-N" is the nitrogen in nitrite; but nitrate's symbol on a nitrite test is a mistake.
    for word in tail:
        _molar(species, word)
    substance = "N" if tail[-1] == "N" else tail[-1]
    return Concentration(species, value * _N / _molar(species, substance))


class PhScale(StrEnum):
    """The scale of a pH: decided by the buffers that the probe was calibrated with."""

    NBS = "NBS"
    """The buffers of the trade (pH 4.01, 7.00, 9.18 …), used for every hobby probe and
    colour kit."""
    TOTAL = "total"
    """Buffers made of artificial seawater (tris), used in laboratories."""


def nbs_over_total(t_c: float, salinity: float) -> float:
    """Returns by how much a pH on NBS buffers is above the same pH on the total scale.

    The activity coefficient is that of Takahashi et al., GEOSECS Pacific Expedition 3 (1982) 80;
    the step from the seawater scale to the total one is taken as 0.009. Within 0.003 of PyCO2SYS
    from 15 to 30 degC and salinities of 20 to 42: 0.10 to 0.16. A single electrode may differ by
    some hundredths more (from memory).
    """
    kelvin = t_c + 273.15
    activity = 1.2948 - 0.002036 * kelvin + (0.0004607 - 0.000001475 * kelvin) * salinity**2
    return -math.log10(activity) - 0.009


class Formula(StrEnum):
    """The source of the pKa of ammonium in seawater."""

    JOHANSSON_WEDBORG = "Johansson & Wedborg 1980"
    """pKa = 10.0423 - 0.0315536 t + 0.003071 S, measured from 5 to 25 degC and 5 to 40 per mille
    (J. Solution Chem. 9 (1980) 37, abstract) and extrapolated beyond; as quoted by Bell, Johnson,
    Jickells & Liss, Environmental Chemistry 4 (2007) 183. Taken with a pH on NBS buffers, as the
    tables of the trade are."""
    CLEGG_WHITFIELD = "Clegg & Whitfield 1995"
    """S. L. Clegg & M. Whitfield, Geochim. Cosmochim. Acta 59 (1995) 2403, equation 18: -2 to 40
    degC and 0 to 40 ppt, the constant within 5 % (abstract). Total scale; it is given for a kg of
    water and made one for a kg of seawater by (1 - 0.001005 S), as PyCO2SYS does."""

    @property
    def scale(self) -> PhScale:
        """Returns the scale on which the pH must stand."""
        return PhScale.TOTAL if self is Formula.CLEGG_WHITFIELD else PhScale.NBS


WARMEST_MEASURED_C = 25.0
"""The upper end of Johansson & Wedborg's measurements: a tank is often warmer."""
_CLEGG_WHITFIELD_IS_WITHIN = 0.05


@dataclass(frozen=True, slots=True)
class Ph:
    """A pH and its scale."""

    value: float
    scale: PhScale = PhScale.NBS

    def on(self, scale: PhScale, t_c: float, salinity: float) -> float:
        """Returns the pH on another scale, in water of that temperature and salinity."""
        if scale is self.scale:
            return self.value
        above = nbs_over_total(t_c, salinity)
        return self.value + (above if scale is PhScale.NBS else -above)


def pka(t_c: float, salinity: float, formula: Formula = Formula.JOHANSSON_WEDBORG) -> float:
    """Returns the pKa of ammonium on the formula's own scale, at the surface.

    Args:
        t_c: 0 to 40 degC; see `Formula` for where each was measured.
        salinity: practical salinity, 0 to 45; beyond 40 both are extrapolated.
        formula: the source to use.
    """
    if not (0.0 <= t_c <= 40.0 and 0.0 <= salinity <= 45.0):
        raise ValueError(
            f"The share of NH3 is known from 0 to 40 °C and for salinities of 0 to 45, not at "
            f"{t_c:g} °C and {salinity:g}."
        )
    if formula is Formula.JOHANSSON_WEDBORG:
        return 10.0423 - 0.0315536 * t_c + 0.003071 * salinity
    kelvin = t_c + 273.15
    root = math.sqrt(kelvin)
    return float(
        9.244605
        - 2729.33 * (1.0 / 298.15 - 1.0 / kelvin)
        + (0.04203362 - 11.24742 / kelvin) * salinity**0.25
        + (-13.6416 + 1.176949 * root - 0.02860785 * kelvin + 545.4834 / kelvin) * salinity**0.5
        + (-0.1462507 + 0.0090226468 * root - 0.0001471361 * kelvin + 10.5425 / kelvin)
        * salinity**1.5
        + (0.004669309 - 0.0001691742 * root - 0.5677934 / kelvin) * salinity**2
        + (-2.354039e-5 + 0.009698623 / kelvin) * salinity**2.5
        - math.log10(1.0 - 0.001005 * salinity)
    )


def nh3_share(
    ph: Ph, t_c: float, salinity: float, formula: Formula = Formula.JOHANSSON_WEDBORG
) -> float:
    """Returns the share of total ammonia that is NH3, 0 to 1; the same by mass of N and by mole."""
    if not 5.0 <= ph.value <= 11.0:
        raise ValueError(f"A pH of {ph.value:g} is none of a tank with seawater.")
    above = pka(t_c, salinity, formula) - ph.on(formula.scale, t_c, salinity)
    return float(1.0 / (1.0 + 10.0**above))


def nh3_between(ph: Ph, t_c: float, salinity: float) -> tuple[float, float]:
    """Returns the lowest and the highest share of NH3 if the pH was read right: Johansson &
    Wedborg's, and Clegg & Whitfield's with the error that they state."""
    one = nh3_share(ph, t_c, salinity)
    other = nh3_share(ph, t_c, salinity, Formula.CLEGG_WHITFIELD)
    least, most = (other * (1 + sign * _CLEGG_WHITFIELD_IS_WITHIN) for sign in (-1, 1))
    return min(one, least), max(one, most)


def words(
    total: Concentration, ph: Ph, t_c: float, salinity: float, units: System = System.METRIC
) -> str:
    """Returns a sentence or two for the person beside the tank: figure, interval, formula, scale,
    and the caution."""
    try:
        text = _share_in_words(total, ph, t_c, salinity, units)
    except ValueError as unknown:
        text = str(unknown)
    if total.mg_n_per_l > 0:
        text += " No animals go in while a test shows ammonia or nitrite (common practice)."
    return text


def _share_in_words(
    total: Concentration, ph: Ph, t_c: float, salinity: float, units: System
) -> str:
    share = nh3_share(ph, t_c, salinity)
    low, high = (total.mg_n_per_l * edge for edge in nh3_between(ph, t_c, salinity))
    text = (
        f"NH3 {total.mg_n_per_l * share:.3f} mg/L as N ({low:.3f} to {high:.3f}), "
        f"{100 * share:.1f} % of the total ammonia ({total.mg_n_per_l:.2f} mg/L as N) at pH "
        f"{ph.value:.1f} ({ph.scale} scale), {show(t_c, Dimension.TEMPERATURE, units)} and "
        f"salinity {salinity:.1f}, by {Formula.JOHANSSON_WEDBORG}"
    )
    if t_c > WARMEST_MEASURED_C:
        limit = show(WARMEST_MEASURED_C, Dimension.TEMPERATURE, units)
        text += f" (measured up to {limit}, extrapolated here)"
    return text + ". A pH that is 0.1 higher makes it a quarter more."
