"""What is measured, in which units people write it, and the size of those units.

This table is small on purpose: it holds what the configuration and the journal of a small tank
need, and importing it costs next to nothing.

Factors are exact by definition: the inch is 25.4 mm, the avoirdupois pound 0.453 592 37 kg
(international yard and pound agreement of 1959), the US liquid gallon 231 cubic inches, the
imperial gallon 4.546 09 L, degrees Fahrenheit t/°C = (t/°F - 32)/1.8. Source: NIST Special
Publication 811 (2008), appendix B. They are kept as fractions so that a value is rounded once, when
it becomes a float.
"""

from __future__ import annotations

import re
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple


class Dimension(StrEnum):
    """What is measured; the comment names the unit inside."""

    TEMPERATURE = "temperature"  # degC
    DIFFERENCE = "temperature difference"  # K
    LENGTH = "length"  # mm
    VOLUME = "volume"  # mL
    DURATION = "duration"  # s
    POWER = "power"  # W
    RATIO = "ratio"  # 1
    TEMPERATURE_RATE = "temperature rate"  # K/h
    LEVEL_RATE = "level rate"  # mm/h
    FLOW = "flow"  # mL/h
    SALINITY = "salinity"  # practical salinity (PSS-78), which instruments call ppt
    MASS = "mass"  # g
    HUMIDITY = "relative humidity"  # %RH
    CONDUCTIVITY = "conductivity"  # mS/cm
    PLAIN = "plain number"  # 1


class System(StrEnum):
    """The units in which a person sees numbers."""

    METRIC = "metric"
    US = "us"


class Scale(NamedTuple):
    """inside = (written - zero) * factor"""

    factor: Fraction
    zero: int = 0


def _table(**spellings_by_factor: tuple[str, Fraction | int]) -> dict[str, Scale]:
    """Returns one entry per spelling, from ``name=("spellings separated by blanks", factor)``."""
    return {
        spelling: Scale(Fraction(factor))
        for spellings, factor in spellings_by_factor.values()
        for spelling in spellings.split()
    }


_DEG_C = "degC °C ºC ℃ C deg_C celsius"
_DEG_F = "degF °F ºF ℉ F deg_F fahrenheit"
_INCH = Fraction(254, 10)
US_GALLON = 231 * _INCH**3 / 1000
POUND = Fraction("453.59237")
_PRACTICAL_PER_G_KG = 35 / Fraction("35.16504")
"""Reference composition of seawater (Millero et al., Deep-Sea Research I 55 (2008) 50)."""

_DIFFERENCE = _table(k=(f"K kelvin {_DEG_C}", 1), f=(_DEG_F, Fraction(5, 9)))
_LENGTH = _table(
    mm=("mm", 1),
    cm=("cm", 10),
    m=("m", 1000),
    inch=("in inch inches", _INCH),
    foot=("ft", 12 * _INCH),
)
_VOLUME = _table(
    ml=("mL millilitre millilitres milliliter milliliters", 1),
    l=("L litre litres liter liters", 1000),
    gallon=("gal gallon gallons usgal", US_GALLON),
    imperial=("impgal", Fraction("4546.09")),
    quart=("qt quart quarts", US_GALLON / 4),
    cup=("cup cups", US_GALLON / 16),
    ounce=("floz", US_GALLON / 128),
)
_DURATION = _table(
    ms=("ms", Fraction(1, 1000)),
    s=("s sec second seconds", 1),
    min=("min minute minutes", 60),
    h=("h hr hour hours", 3600),
    d=("d day days", 86_400),
    week=("week weeks", 604_800),
)


def _per(tops: dict[str, Scale], bottoms: dict[str, Scale], inside_s: int) -> dict[str, Scale]:
    """Returns the table of units "top per bottom", whose inside unit is one top in `inside_s`
    seconds."""
    return {
        f"{top}/{bottom}": Scale(a.factor / b.factor * inside_s)
        for top, a in tops.items()
        for bottom, b in bottoms.items()
    }


SCALES: dict[Dimension, dict[str, Scale]] = {
    Dimension.TEMPERATURE: {
        **_table(c=(_DEG_C, 1)),
        **{spelling: Scale(Fraction(5, 9), 32) for spelling in _DEG_F.split()},
    },
    Dimension.DIFFERENCE: _DIFFERENCE,
    Dimension.LENGTH: _LENGTH,
    Dimension.VOLUME: _VOLUME,
    Dimension.DURATION: _DURATION,
    Dimension.POWER: _table(w=("W watt watts", 1), kw=("kW", 1000)),
    Dimension.RATIO: _table(percent=("% percent", Fraction(1, 100))),
    Dimension.TEMPERATURE_RATE: _per(_DIFFERENCE, _DURATION, 3600),
    Dimension.LEVEL_RATE: _per(_LENGTH, _DURATION, 3600),
    Dimension.FLOW: _per(_VOLUME, _DURATION, 3600),
    Dimension.SALINITY: _table(practical=("ppt psu ‰", 1), absolute=("g/kg", _PRACTICAL_PER_G_KG)),
    Dimension.MASS: _table(
        g=("g gram grams", 1), kg=("kg", 1000), oz=("oz", POUND / 16), lb=("lb lbs", POUND)
    ),
    Dimension.HUMIDITY: _table(rh=("%RH %rH % percent", 1)),
    Dimension.CONDUCTIVITY: _table(
        ms=("mS/cm", 1), us=("µS/cm μS/cm uS/cm", Fraction(1, 1000)), s=("S/m", 10)
    ),
    Dimension.PLAIN: {},
}

EXAMPLE: dict[Dimension, tuple[str, ...]] = {
    Dimension.TEMPERATURE: ("25.3 degC", "77.5 degF"),
    Dimension.DIFFERENCE: ("0.5 K", "0.9 degF"),
    Dimension.LENGTH: ("18 mm", "1.8 cm", "0.7 in"),
    Dimension.VOLUME: ("68 L", "350 mL", "18 gal", "16 fl oz"),
    Dimension.DURATION: ("30 s", "5 min", "6 h", "90 d"),
    Dimension.POWER: ("75 W",),
    Dimension.RATIO: ("5 %",),
    Dimension.TEMPERATURE_RATE: ("1.5 K/h", "0.5 K/min", "2.5 degF/h"),
    Dimension.LEVEL_RATE: ("2 mm/min", "5 mm/h", "0.2 in/h"),
    Dimension.FLOW: ("40 mL/h", "1.2 L/d", "0.3 gal/d"),
    Dimension.SALINITY: ("35 ppt",),
    Dimension.MASS: ("350 g", "12 oz"),
    Dimension.HUMIDITY: ("48 %RH",),
    Dimension.CONDUCTIVITY: ("53 mS/cm",),
    Dimension.PLAIN: ("8.2",),
}
"""How a value of each dimension is written, the most usual way first. ``gal``, ``qt``, ``cup`` and
``fl oz`` are the US ones; the imperial gallon is ``imp gal``."""

_OF_US = re.compile(r"(?:degF|in|gal|fl oz|oz|lb)(?:/\w+)?")


def examples(dimension: Dimension, system: System, number: str = "") -> list[str]:
    """Returns how values of a dimension are written, those in the person's own system first; if
    `number` is given, each of them has that number."""
    split = [text.partition(" ") for text in EXAMPLE[dimension]]
    split.sort(key=lambda parts: bool(_OF_US.fullmatch(parts[2])) != (system == System.US))
    return [f"{number or own} {unit}".rstrip() for own, _, unit in split]


INSIDE: dict[Dimension, str] = {
    Dimension.TEMPERATURE: "degC",
    Dimension.DIFFERENCE: "K",
    Dimension.LENGTH: "mm",
    Dimension.VOLUME: "mL",
    Dimension.DURATION: "s",
    Dimension.POWER: "W",
    Dimension.RATIO: "",
    Dimension.TEMPERATURE_RATE: "K/h",
    Dimension.LEVEL_RATE: "mm/h",
    Dimension.FLOW: "mL/h",
    Dimension.SALINITY: "ppt",
    Dimension.MASS: "g",
    Dimension.HUMIDITY: "%RH",
    Dimension.CONDUCTIVITY: "mS/cm",
    Dimension.PLAIN: "",
}
