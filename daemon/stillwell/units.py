"""Quantities as people write them, ``"77.5 degF"``, to plain floats and back.

Inside, every number is a float in one fixed unit for its dimension (see `Dimension`). This table is
small on purpose: it holds what the configuration of a small tank needs, and importing it costs next
to nothing, pydantic included, which is only reached when a model is built.

Factors are exact by definition: the inch is 25.4 mm, the avoirdupois pound 0.453 592 37 kg
(international yard and pound agreement of 1959), the US liquid gallon 231 cubic inches, the
imperial gallon 4.546 09 L, degrees Fahrenheit t/°C = (t/°F - 32)/1.8. Source: NIST Special
Publication 811 (2008), appendix B. They are kept as fractions so that a value is rounded once, when
it becomes a float.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

from stillwell.shown import looks_secret, shown

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
    from pydantic_core import CoreSchema


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
    """In which units a person sees numbers."""

    METRIC = "metric"
    US = "us"
    BOTH = "both"
    """For texts that are read by several people: each figure stands in them twice, see `read_in`.
    No person sees this one."""


class UnitError(ValueError):
    """A text that is no value of the dimension asked for.

    Args:
        what: what is wrong, in a sentence.
        do: what to write instead, in a sentence.
    """

    def __init__(self, what: str, do: str) -> None:
        super().__init__(f"{what} {do}")
        self.what = what
        self.do = do


class _Scale(NamedTuple):
    """inside = (written - zero) * factor"""

    factor: Fraction
    zero: int = 0


def _table(**spellings_by_factor: tuple[str, Fraction | int]) -> dict[str, _Scale]:
    """One entry a spelling, from ``name=("spellings separated by blanks", factor)``."""
    return {
        spelling: _Scale(Fraction(factor))
        for spellings, factor in spellings_by_factor.values()
        for spelling in spellings.split()
    }


_DEG_C = "degC °C ºC ℃ C deg_C celsius"
_DEG_F = "degF °F ºF ℉ F deg_F fahrenheit"
_INCH = Fraction(254, 10)
_US_GALLON = 231 * _INCH**3 / 1000
_POUND = Fraction("453.59237")
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
    gallon=("gal gallon gallons usgal", _US_GALLON),
    imperial=("impgal", Fraction("4546.09")),
    ounce=("floz", _US_GALLON / 128),
)
_DURATION = _table(
    ms=("ms", Fraction(1, 1000)),
    s=("s sec second seconds", 1),
    min=("min minute minutes", 60),
    h=("h hr hour hours", 3600),
    d=("d day days", 86_400),
    week=("week weeks", 604_800),
)


def _per(tops: dict[str, _Scale], bottoms: dict[str, _Scale], inside_s: int) -> dict[str, _Scale]:
    """The table of tops by bottoms, where the inside unit is one top in `inside_s` seconds."""
    return {
        f"{top}/{bottom}": _Scale(a.factor / b.factor * inside_s)
        for top, a in tops.items()
        for bottom, b in bottoms.items()
    }


_SCALES: dict[Dimension, dict[str, _Scale]] = {
    Dimension.TEMPERATURE: {
        **_table(c=(_DEG_C, 1)),
        **{spelling: _Scale(Fraction(5, 9), 32) for spelling in _DEG_F.split()},
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
        g=("g gram grams", 1), kg=("kg", 1000), oz=("oz", _POUND / 16), lb=("lb lbs", _POUND)
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
    Dimension.VOLUME: ("68 L", "350 mL", "18 gal"),
    Dimension.DURATION: ("30 s", "5 min", "6 h", "90 d"),
    Dimension.POWER: ("75 W",),
    Dimension.RATIO: ("5 %",),
    Dimension.TEMPERATURE_RATE: ("1.5 K/h", "0.5 K/min"),
    Dimension.LEVEL_RATE: ("2 mm/min", "5 mm/h"),
    Dimension.FLOW: ("40 mL/h", "1.2 L/d"),
    Dimension.SALINITY: ("35 ppt",),
    Dimension.MASS: ("350 g", "12 oz"),
    Dimension.HUMIDITY: ("48 %RH",),
    Dimension.CONDUCTIVITY: ("53 mS/cm",),
    Dimension.PLAIN: ("8.2",),
}
"""How a value of each dimension is written, the most usual way first. ``gal`` and ``fl oz`` are the
US ones; the imperial gallon is ``imp gal``."""

_NUMBER = r"[+-]?(?:[0-9]{1,15}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})(?:[eE][+-]?[0-9]{1,3})?"
_ONE = re.compile(rf"({_NUMBER})(.*)", re.DOTALL)
_PARTS = re.compile(rf"({_NUMBER})([A-Za-z]+)")
_COMMA = re.compile(r"[+-]?[0-9]{1,15},[0-9]{1,20}")
_LONGEST = 60


def _or(texts: tuple[str, ...] | list[str]) -> str:
    quoted = [f'"{text}"' for text in texts]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} or {quoted[-1]}"


def _as_in(dimension: Dimension) -> str:
    return f"Write it as in {_or(EXAMPLE[dimension])}."


def _comma(text: str, number: str) -> UnitError:
    whole, part = number.split(",")
    choices = [text.replace(number, f"{whole}.{part}")]
    if len(part) == 3:
        choices.append(text.replace(number, whole + part))
    do = "Write a decimal point." if looks_secret(text) else f"Write {_or(choices)}."
    return UnitError(f"{shown(text)} has a comma in its number.", do)


def _scale(text: str, spelling: str, dimension: Dimension) -> _Scale:
    scales = _SCALES[dimension]
    if spelling in scales:
        return scales[spelling]
    folded = {known.casefold(): scale for known, scale in scales.items()}
    if spelling.casefold() in folded:
        return folded[spelling.casefold()]
    if dimension is Dimension.TEMPERATURE and spelling in ("K", "kelvin"):
        what = f"{shown(text)} is a difference, and a temperature is needed here."
    elif dimension is Dimension.DURATION and spelling == "m":
        raise UnitError(f"{shown(text)} could mean minutes or months.", 'Write "min" for minutes.')
    elif any(spelling in others for others in _SCALES.values()):
        other = next(d for d, others in _SCALES.items() if spelling in others)
        what = f"{shown(text)} is a {other}, and a {dimension} is needed here."
    else:
        what = f"{shown(spelling)} is no unit of {dimension} that is known here."
        near = difflib.get_close_matches(spelling, scales, n=1)
        if near:
            raise UnitError(what, f'Did you mean "{near[0]}"? {_as_in(dimension)}')
    raise UnitError(what, _as_in(dimension))


def _finite(value: float, text: object, dimension: Dimension) -> float:
    if not math.isfinite(value):
        raise UnitError(f"{shown(text)} is no finite number.", _as_in(dimension))
    return value


def _bare(number: str | float, dimension: Dimension) -> float:
    value = _finite(float(number), number, dimension)
    if dimension is Dimension.PLAIN:
        return value
    if dimension is Dimension.RATIO:
        if -1 <= value <= 1:
            return value
        raise UnitError(
            f'"{number}" as a share of one is more than everything.',
            f'Write "{number} %" for per cent.',
        )
    unit = EXAMPLE[dimension][0].split()[-1]
    raise UnitError(
        f"{number} has no unit, and a {dimension} needs one.",
        f'Write the unit with it, in quotes: "{number} {unit}" if that is what you mean '
        f"(other ways: {_or(EXAMPLE[dimension])}).",
    )


def parse(text: str | int | float, dimension: Dimension) -> float:
    """Returns the value of `text` in the unit that `dimension` has inside.

    Blanks between number and unit are free, upper and lower case too; a duration may have several
    parts (``"1 h 30 min"``); a ratio may be a bare number from -1 to 1, a plain number is always
    bare. Raises `UnitError` for everything else: a missing, unknown or foreign unit, a decimal
    comma, no finite number, a temperature below absolute zero, a duration below zero.
    """
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise UnitError(f"{shown(text)} is no {dimension}.", _as_in(dimension))
    if not isinstance(text, str):
        try:
            return _bare(text, dimension)
        except OverflowError:
            raise UnitError("The number is too large.", _as_in(dimension)) from None
    neat = " ".join(text.split())
    if len(neat) > _LONGEST:
        raise UnitError(f"{shown(neat)} is too long for a {dimension}.", _as_in(dimension))
    packed = neat.replace(" ", "").replace("−", "-")
    comma = _COMMA.match(packed)
    if comma:
        raise _comma(neat, comma[0])
    one = _ONE.fullmatch(packed)
    if one is None:
        raise UnitError(f"{shown(neat)} does not begin with a number.", _as_in(dimension))
    number, spelling = one[1], one[2]
    if not spelling:
        return _bare(number, dimension)
    if dimension is Dimension.PLAIN:
        raise UnitError(f"{shown(neat)} must be a number without a unit.", f'Write "{number}".')
    if dimension is Dimension.DURATION:
        parts = _PARTS.findall(packed)
        if len(parts) > 1 and "".join(n + s for n, s in parts) == packed:
            return sum(parse(n + s, dimension) for n, s in parts)
    scale = _scale(neat, spelling, dimension)
    exact = (Fraction(number) - scale.zero) * scale.factor
    try:
        value = float(exact)
    except OverflowError:
        raise UnitError(f"{shown(neat)} is too large.", _as_in(dimension)) from None
    if dimension is Dimension.TEMPERATURE and value < -273.15:
        raise UnitError(f"{shown(neat)} is below absolute zero.", _as_in(dimension))
    if dimension is Dimension.DURATION and value < 0:
        raise UnitError(f"{shown(neat)} is a duration below zero.", _as_in(dimension))
    return value


class _Face(NamedTuple):
    """How a value is shown: the unit, the divisor and zero that lead to it, the digits after the
    point."""

    unit: str
    size: float
    digits: int
    zero: float = 0.0


_ML_PER_GALLON = float(_US_GALLON)
_ML_PER_OUNCE = float(_US_GALLON / 128)


def _face(value: float, dimension: Dimension, us: bool) -> _Face:
    size = abs(value)
    match dimension:
        case Dimension.TEMPERATURE:
            return _Face("°F", 5 / 9, 1, 32.0) if us else _Face("°C", 1.0, 1)
        case Dimension.DIFFERENCE:
            return _Face("°F", 5 / 9, 1) if us else _Face("K", 1.0, 1)
        case Dimension.TEMPERATURE_RATE:
            return _Face("°F/h", 5 / 9, 1) if us else _Face("K/h", 1.0, 1)
        case Dimension.LENGTH:
            return _Face("in", 25.4, 2) if us else _Face("mm", 1.0, 1)
        case Dimension.LEVEL_RATE:
            return _Face("in/h", 25.4, 2) if us else _Face("mm/h", 1.0, 1)
        case Dimension.VOLUME | Dimension.FLOW:
            per = "/h" if dimension is Dimension.FLOW else ""
            if us and size < 0.1 * _ML_PER_GALLON:
                return _Face("fl oz" + per, _ML_PER_OUNCE, 1)
            if us:
                return _Face("gal" + per, _ML_PER_GALLON, 2 if size < 10 * _ML_PER_GALLON else 1)
            # 999.5 mL rounds to 1000, which is better read as 1.0 L.
            return _Face("mL" + per, 1.0, 0) if size < 999.5 else _Face("L" + per, 1000.0, 1)
        case Dimension.MASS:
            if us:
                pound = float(_POUND)
                return _Face("oz", pound / 16, 1) if size < pound else _Face("lb", pound, 2)
            return _Face("g", 1.0, 0) if size < 999.5 else _Face("kg", 1000.0, 2)
        case Dimension.POWER:
            return _Face("W", 1.0, 0)
        case Dimension.RATIO:
            return _Face("%", 0.01, 0)
        case Dimension.SALINITY:
            return _Face("ppt", 1.0, 1)
        case Dimension.HUMIDITY:
            return _Face("%RH", 1.0, 0)
        case Dimension.CONDUCTIVITY:
            return _Face("mS/cm", 1.0, 1)
        case _:
            return _Face("", 1.0, 2)


_STEPS = ((86_400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s"))


def _duration(seconds: float) -> str:
    """The two largest parts that matter: ``45 s``, ``18 min``, ``2 h 10 min``, ``3 d 4 h``."""
    sign, rest = ("-", -seconds) if seconds < 0 else ("", seconds)
    if rest < 1 and rest:
        return f"{sign}{rest * 1000:.0f} ms" if rest < 0.9995 else f"{sign}1 s"
    for large, large_name, small, small_name in _STEPS:
        # From ten minutes on, seconds say nothing to a person: the minute is the smallest part.
        grain = 60 if large == 60 and rest >= 600 else small
        whole = math.floor(rest / grain + 0.5) * grain
        if whole >= large:
            big, left = divmod(whole, large)
            tail = f" {left // small} {small_name}" if left else ""
            return f"{sign}{big} {large_name}{tail}"
    return f"{sign}{math.floor(rest + 0.5)} s" if rest else "0 s"


def _fixed(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text[1:] if text.startswith("-") and not float(text) else text  # no "-0.0"


def show(
    value: float,
    dimension: Dimension,
    system: System | str = System.METRIC,
    digits: int | None = None,
) -> str:
    """Returns `value` (in the inside unit) as a person reads it, with its unit: ``25.3 °C``, ``77.5
    °F``.

    Volumes, flows and masses choose a unit that suits their size; durations show their two largest
    parts. `digits` after the point are those of the unit chosen (ignored for durations); without
    it, as many as a tank's instruments deserve. What is no number is shown as ``unknown``.
    """
    if not math.isfinite(value):
        return "unknown"
    if dimension is Dimension.DURATION:
        return _duration(value)
    if system == System.BOTH:
        metric = show(value, dimension, System.METRIC, digits)
        other = show(value, dimension, System.US, digits)
        return either(metric, other)
    face = _face(value, dimension, system == System.US)
    number = _fixed(value / face.size + face.zero, face.digits if digits is None else digits)
    return f"{number} {face.unit}".rstrip()


# Unicode's own signs for a text with another one beside it (interlinear annotation, Unicode
# Standard, section 23.8): no blanks, nothing that anybody types.
_BEGINS, _OR_ELSE, _ENDS = "\ufff9", "\ufffa", "\ufffb"
_FIGURE = re.compile(f"{_BEGINS}([^{_OR_ELSE}{_ENDS}]*){_OR_ELSE}([^{_ENDS}]*){_ENDS}")


def either(metric: str, us: str) -> str:
    """Returns a text that `read_in` reads as the one or as the other."""
    return metric if metric == us else f"{_BEGINS}{metric}{_OR_ELSE}{us}{_ENDS}"


def read_in(text: str, system: System | str) -> str:
    """Returns a text that was made with `System.BOTH` as it is for a reader of `system`, metric or
    us; any other text as it is."""
    return _FIGURE.sub(r"\2" if system == System.US else r"\1", text) if _BEGINS in text else text


def differ(one: str, other: str) -> bool:
    """Whether two figures that `show` made are told apart in every system that they stand in."""
    return all(read_in(one, s) != read_in(other, s) for s in (System.METRIC, System.US))


def write(value: float, dimension: Dimension) -> str:
    """Returns a text that `parse` turns into `value` again: the inside unit, every digit that is
    needed."""
    number = repr(float(value))
    if dimension is Dimension.DURATION:
        for size, name in ((86_400, "d"), (3600, "h"), (60, "min")):
            if value and value % size == 0:
                return f"{value / size:.0f} {name}"
    number = number.removesuffix(".0")
    return f"{number} {_INSIDE[dimension]}".rstrip()


_INSIDE: dict[Dimension, str] = {
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


@dataclass(frozen=True, slots=True)
class Written:
    """Marks a float field of a pydantic model as written with a unit: ``Annotated[float,
    Written(...)]``.

    After validation the field holds the value in the inside unit, divided by `per`; in JSON it is
    the text that gives the same value again. Pydantic asks for the two methods by name.
    """

    dimension: Dimension
    per: int = 1

    def read(self, text: Any) -> float:
        return parse(text, self.dimension) / self.per

    def text(self, value: float) -> str:
        return write(value * self.per, self.dimension)

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        from pydantic_core import PydanticCustomError, core_schema

        def read(text: Any) -> float:
            try:
                return self.read(text)
            except UnitError as error:
                # Not a template for pydantic to fill in: braces of the text must survive.
                raise PydanticCustomError(
                    "unit", "{what} {do}", {"what": error.what, "do": error.do}
                ) from None

        return core_schema.no_info_before_validator_function(
            read,
            handler(source),
            serialization=core_schema.plain_serializer_function_ser_schema(
                self.text, return_schema=core_schema.str_schema(), when_used="json"
            ),
        )

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        text = {
            "type": "string",
            "description": f"A {self.dimension} with its unit, as {_or(EXAMPLE[self.dimension])}.",
            "examples": list(EXAMPLE[self.dimension]),
            "pattern": r"^\s*[+\-−]?[0-9.]",
        }
        if self.dimension is Dimension.RATIO:
            return {"anyOf": [text, {"type": "number", "minimum": -1, "maximum": 1}]}
        return text


Celsius = Annotated[float, Written(Dimension.TEMPERATURE)]
Kelvin = Annotated[float, Written(Dimension.DIFFERENCE)]
Millimetres = Annotated[float, Written(Dimension.LENGTH)]
Millilitres = Annotated[float, Written(Dimension.VOLUME)]
Seconds = Annotated[float, Written(Dimension.DURATION)]
Watts = Annotated[float, Written(Dimension.POWER)]
Ratio = Annotated[float, Written(Dimension.RATIO)]
KelvinPerHour = Annotated[float, Written(Dimension.TEMPERATURE_RATE)]
KelvinPerSecond = Annotated[float, Written(Dimension.TEMPERATURE_RATE, per=3600)]
MillilitresPerHour = Annotated[float, Written(Dimension.FLOW)]
Grams = Annotated[float, Written(Dimension.MASS)]
RelativeHumidity = Annotated[float, Written(Dimension.HUMIDITY)]
