"""Converts what people write to the float inside."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable
from fractions import Fraction

from stillwell.shown import looks_secret, shown
from stillwell.units.table import SCALES, Dimension, Scale, System, examples


class UnitError(ValueError):
    """A text is no value of the dimension that is needed.

    Args:
        what: what is wrong, in a sentence.
        do: what to write instead, in a sentence.
        us: the same for whoever sees numbers in US units.
    """

    def __init__(self, what: str, do: str, us: str = "") -> None:
        super().__init__(f"{what} {do}")
        self.what = what
        self.do = do
        self.us = us or do

    def do_in(self, system: System | str) -> str:
        """Returns what to write instead, in the units of `system` first."""
        return self.us if system == System.US else self.do


_NUMBER = r"[+-]?(?:[0-9]{1,15}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})(?:[eE][+-]?[0-9]{1,3})?"
_ONE = re.compile(rf"({_NUMBER})(.*)", re.DOTALL)
_PARTS = re.compile(rf"({_NUMBER})([A-Za-z]+)")
_COMMA = re.compile(r"[+-]?[0-9. ]*,[0-9., ]*[0-9]")
_LONGEST = 60


def any_of(texts: Iterable[str]) -> str:
    """Returns ``"18 mm", "1.8 cm" or "0.7 in"``."""
    *most, last = (f'"{text}"' for text in texts)
    return f"{', '.join(most)} or {last}" if most else last


def _refused(what: str, dimension: Dimension, number: str = "") -> UnitError:
    """Makes the error; the number is given as it was typed if it is known what it was meant
    to be."""
    metric, us = (any_of(examples(dimension, s, number)) for s in (System.METRIC, System.US))
    word = "Write" if number else "Write it as in"
    return UnitError(what, f"{word} {metric}.", f"{word} {us}.")


def with_point(text: str) -> str:
    """Returns a text that begins with a number, such as ``1,2 L``, with its decimal comma turned
    into a point.

    Raises `UnitError` where the comma may separate thousands, as in ``1,200``.
    """
    found = _COMMA.match(text)
    if found is None:
        return text
    number = found[0].replace(" ", "")
    whole, _, part = number.replace(",", ".").rpartition(".")
    if number.count(",") == 1 and "." not in number and (len(part) != 3 or not whole.strip("+-0")):
        return f"{whole}.{part}{text[found.end() :]}"
    plain = whole.replace(".", "")
    choices = [] if number.count(",") > 1 and "." not in number else [f"{plain}.{part}"]
    if "." not in number:
        choices.append(plain + part)
    do = any_of(f"{choice}{text[found.end() :]}" for choice in choices)
    raise UnitError(
        f"{shown(text)} has a comma in its number.",
        "Write a decimal point." if looks_secret(text) else f"Write {do}.",
    )


def _scale(text: str, number: str, spelling: str, dimension: Dimension) -> Scale:
    scales = SCALES[dimension]
    if spelling in scales:
        return scales[spelling]
    folded = {known.casefold(): scale for known, scale in scales.items()}
    if spelling.casefold() in folded:
        return folded[spelling.casefold()]
    if dimension is Dimension.TEMPERATURE and spelling in ("K", "kelvin"):
        what = f"{shown(text)} is a difference, and a temperature is needed here."
        raise _refused(what, dimension, number)
    if dimension is Dimension.DURATION and spelling == "m":
        what = f"{shown(text)} could mean minutes or months."
        raise UnitError(what, f'Write "{number} min" for minutes.')
    if dimension is Dimension.VOLUME and spelling.casefold() in ("oz", "ounce", "ounces"):
        what = f"{shown(text)} is a mass, and a volume is needed here."
        raise UnitError(what, f'Write "{number} fl oz" for fluid ounces.')
    if any(spelling in others for others in SCALES.values()):
        other = next(d for d, others in SCALES.items() if spelling in others)
        raise _refused(f"{shown(text)} is a {other}, and a {dimension} is needed here.", dimension)
    what = f"{shown(spelling)} is no unit of {dimension} that is known here."
    refused = _refused(what, dimension, number)
    near = difflib.get_close_matches(spelling, scales, n=1)
    if near:
        unit = near[0].replace("floz", "fl oz").replace("impgal", "imp gal")
        hint = f'Did you mean "{number} {unit}"?'
        raise UnitError(what, f"{hint} {refused.do}", f"{hint} {refused.us}")
    raise refused


def _bare(number: str, dimension: Dimension) -> float:
    value = float(number)
    if not math.isfinite(value):
        raise _refused(f"{shown(number)} is no finite number.", dimension)
    if dimension is Dimension.PLAIN:
        return value
    if dimension is Dimension.RATIO:
        if -1 <= value <= 1:
            return value
        raise UnitError(
            f'"{number}" as a share of one is more than everything.',
            f'Write "{number} %" for per cent.',
        )
    raise _refused(f"{number} has no unit, and a {dimension} needs one.", dimension, number)


def parse(text: str | int | float, dimension: Dimension) -> float:
    """Returns the value of `text` in the inside unit of `dimension`.

    Blanks between number and unit don't matter, nor do upper and lower case; a comma is a decimal
    comma if it can be nothing else; a duration may have several parts (``"1 h 30 min"``); a ratio
    may be a bare number from -1 to 1; a plain number has no unit. Raises `UnitError` for everything
    else: a missing, unknown or wrong unit, a comma that may separate thousands, no finite number, a
    temperature below absolute zero, a duration below zero.
    """
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise _refused(f"{shown(text)} is no {dimension}.", dimension)
    if not isinstance(text, str):
        try:
            float(text)
        except OverflowError:
            raise _refused("The number is too large.", dimension) from None
        return _bare(str(text), dimension)
    neat = " ".join(text.split())
    if len(neat) > _LONGEST:
        raise _refused(f"{shown(neat)} is too long for a {dimension}.", dimension)
    neat = with_point(neat.replace("−", "-"))
    packed = neat.replace(" ", "")
    one = _ONE.fullmatch(packed)
    if one is None:
        raise _refused(f"{shown(neat)} does not begin with a number.", dimension)
    number, spelling = one[1], one[2]
    if not spelling:
        return _bare(number, dimension)
    if dimension is Dimension.PLAIN:
        raise UnitError(f"{shown(neat)} must be a number without a unit.", f'Write "{number}".')
    if dimension is Dimension.DURATION:
        parts = _PARTS.findall(packed)
        if len(parts) > 1 and "".join(n + s for n, s in parts) == packed:
            return sum(parse(n + s, dimension) for n, s in parts)
    scale = _scale(neat, number, spelling, dimension)
    exact = (Fraction(number) - scale.zero) * scale.factor
    try:
        value = float(exact)
    except OverflowError:
        raise _refused(f"{shown(neat)} is too large.", dimension) from None
    if dimension is Dimension.TEMPERATURE and value < -273.15:
        raise _refused(f"{shown(neat)} is below absolute zero.", dimension)
    if dimension is Dimension.DURATION and value < 0:
        what = f"{shown(neat)} is a duration below zero."
        raise _refused(what, dimension, number.lstrip("-"))
    return value
