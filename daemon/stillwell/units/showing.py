"""Converts the float inside to what people read."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from stillwell.units.table import INSIDE, POUND, US_GALLON, Dimension, System

KEPT_IN = {
    "Cel": Dimension.TEMPERATURE,
    "mm": Dimension.LENGTH,
    "%RH": Dimension.HUMIDITY,
    "mS/cm": Dimension.CONDUCTIVITY,
}
"""The dimension of each unit in which the store keeps values."""


class _Face(NamedTuple):
    """How a value is shown: the unit, its size and zero in the inside unit, the digits after the
    point."""

    unit: str
    size: float
    digits: int
    zero: float = 0.0


_ML_PER_GALLON = float(US_GALLON)
_ML_PER_OUNCE = float(US_GALLON / 128)


_NOTHING = _Face("", 1.0, 2)

_FACES = {
    Dimension.TEMPERATURE: (_Face("°C", 1.0, 1), _Face("°F", 5 / 9, 1, 32.0)),
    Dimension.DIFFERENCE: (_Face("K", 1.0, 1), _Face("°F", 5 / 9, 1)),
    Dimension.TEMPERATURE_RATE: (_Face("K/h", 1.0, 1), _Face("°F/h", 5 / 9, 1)),
    Dimension.LENGTH: (_Face("mm", 1.0, 1), _Face("in", 25.4, 2)),
    Dimension.LEVEL_RATE: (_Face("mm/h", 1.0, 1), _Face("in/h", 25.4, 2)),
    Dimension.POWER: (_Face("W", 1.0, 0),) * 2,
    Dimension.RATIO: (_Face("%", 0.01, 0),) * 2,
    Dimension.SALINITY: (_Face("ppt", 1.0, 1),) * 2,
    Dimension.HUMIDITY: (_Face("%RH", 1.0, 0),) * 2,
    Dimension.CONDUCTIVITY: (_Face("mS/cm", 1.0, 1),) * 2,
}
"""How values are shown whose size makes no difference to it: metric, US."""


def _face(value: float, dimension: Dimension, us: bool) -> _Face:
    size = abs(value)
    if dimension in (Dimension.VOLUME, Dimension.FLOW):
        return _of_volume(size, "/h" if dimension is Dimension.FLOW else "", us)
    if dimension is not Dimension.MASS:
        return _FACES.get(dimension, (_NOTHING, _NOTHING))[us]
    if us:
        pound = float(POUND)
        return _Face("oz", pound / 16, 1) if size < pound else _Face("lb", pound, 2)
    return _Face("g", 1.0, 0) if size < 999.5 else _Face("kg", 1000.0, 2)


def _of_volume(size: float, per: str, us: bool) -> _Face:
    if us and size < 0.1 * _ML_PER_GALLON:
        return _Face("fl oz" + per, _ML_PER_OUNCE, 1)
    if us:
        return _Face("gal" + per, _ML_PER_GALLON, 2 if size < 10 * _ML_PER_GALLON else 1)
    # 999.5 mL rounds to 1000, which is better shown as 1.0 L.
    return _Face("mL" + per, 1.0, 0) if size < 999.5 else _Face("L" + per, 1000.0, 1)


def axis(
    largest: float, dimension: Dimension, system: System | str
) -> tuple[str, Callable[[float], float]]:
    """Returns the unit for an axis with values up to `largest`, and a function that converts a
    value from the inside unit to that unit."""
    face = _face(largest, dimension, system == System.US)
    return face.unit, lambda value: value / face.size + face.zero


_STEPS = ((86_400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s"))


def _duration(seconds: float) -> str:
    """The two largest parts of a duration that matter: ``45 s``, ``18 min``, ``2 h 10 min``, ``3 d
    4 h``."""
    sign, rest = ("-", -seconds) if seconds < 0 else ("", seconds)
    if rest < 1 and rest:
        return f"{sign}{rest * 1000:.0f} ms" if rest < 0.9995 else f"{sign}1 s"
    for large, large_name, small, small_name in _STEPS:
        # From ten minutes on, seconds mean nothing to a person: the minute is the smallest part.
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

    Volumes, flows and masses get a unit that suits their size; durations show their two largest
    parts. `digits` is the number of digits after the point in that unit (ignored for durations);
    without it, there are as many as a tank's instruments deserve. NaN and infinite values are shown
    as ``unknown``.
    """
    if not math.isfinite(value):
        return "unknown"
    if dimension is Dimension.DURATION:
        return _duration(value)
    face = _face(value, dimension, system == System.US)
    number = _fixed(value / face.size + face.zero, face.digits if digits is None else digits)
    return f"{number} {face.unit}".rstrip()


def write(value: float, dimension: Dimension) -> str:
    """Returns a text that `parse` turns back into `value`: in the inside unit, with every digit
    that is needed."""
    number = repr(float(value))
    if dimension is Dimension.DURATION:
        for size, name in ((86_400, "d"), (3600, "h"), (60, "min")):
            if value and value % size == 0:
                return f"{value / size:.0f} {name}"
    number = number.removesuffix(".0")
    return f"{number} {INSIDE[dimension]}".rstrip()


def show_kept(value: float | None, unit: str, system: System) -> str:
    """Returns a value as people read it, given the unit in which it is kept: ``25.3 °C``, or a
    dash."""
    if value is None:
        return "–"
    dimension = KEPT_IN.get(unit)
    return f"{value:.2f}" if dimension is None else show(value, dimension, system)
