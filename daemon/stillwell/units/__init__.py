"""Converts quantities as people write them, ``"77.5 degF"``, to plain floats and back.

Inside, every number is a float in one fixed unit for its dimension (see `Dimension`). Importing
this costs next to nothing: even pydantic is only loaded when a model is built.
"""

from __future__ import annotations

from stillwell.units.parsing import UnitError, any_of, parse, with_point
from stillwell.units.showing import KEPT_IN, axis, show, show_kept, write
from stillwell.units.table import EXAMPLE, Dimension, System
from stillwell.units.with_unit import (
    Celsius,
    Kelvin,
    KelvinPerHour,
    KelvinPerSecond,
    Millilitres,
    Millimetres,
    Ratio,
    RelativeHumidity,
    Seconds,
    Watts,
    WithUnit,
)
