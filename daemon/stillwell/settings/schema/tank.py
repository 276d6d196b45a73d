"""``[tank]``: the water, the return chamber, the top-up, what warms and cools the water."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from annotated_types import Gt, Lt
from pydantic import BeforeValidator, Field, WithJsonSchema

from stillwell.settings.schema.values import Name, Part, TimeOfDay, Zone
from stillwell.settings.setting_error import SettingError
from stillwell.shown import shown
from stillwell.units import (
    Celsius,
    Dimension,
    Kelvin,
    Millilitres,
    Millimetres,
    Ratio,
    System,
    Watts,
    WithUnit,
)


class Chamber(Part):
    """The return chamber: the only place where the level moves."""

    length: Annotated[Millimetres, Gt(0)]
    width: Annotated[Millimetres, Gt(0)]
    uncertainty: Annotated[Ratio, Gt(0), Lt(1)] = 0.05
    """How far the area may be off, as a share of it (one standard deviation)."""
    lowest_safe: Millimetres | None = None
    """Level relative to the fill mark at which the pump begins to draw air."""
    highest_safe: Millimetres | None = None
    """Level relative to the fill mark above which the chamber overflows when the pump stops."""

    @property
    def area_mm2(self) -> float:
        """Water surface in the chamber, mm²."""
        return self.length * self.width


class HeaterKind(StrEnum):
    """How a heater is controlled."""

    THERMOSTAT = "thermostat"
    """It is on or off, by a dial of its own or a controller's setting."""
    PROPORTIONAL = "proportional"
    """A controller gives a share of its power, continuously or in pulses."""


_OTHERWISE = {
    "several": 'power = ["50 W", "50 W"]',
    "schedule": 'schedule = { from = "22:00", to = "07:00", by = "-1 K" }',
}
"""Words that say something else than how a heater is controlled, and where that is written."""


def _kind(value: Any) -> Any:
    if isinstance(value, str) and value in _OTHERWISE:
        what = f"{shown(value)} does not say how the heater is controlled."
        do = f'Write kind = "thermostat" or "proportional", and beside it {_OTHERWISE[value]}.'
        raise SettingError(what, do)
    return value


def _each(value: Any) -> Any:
    return value if isinstance(value, list | tuple) else [value]


_POWER = {"type": "string", "pattern": r"^\s*[+\-−]?[0-9.]", "examples": ["75 W"]}
Powers = Annotated[
    tuple[Annotated[Watts, Gt(0)], ...],
    BeforeValidator(_each),
    WithJsonSchema(
        {
            "anyOf": [_POWER, {"type": "array", "items": _POWER}],
            "description": "Of one heater, or a list with that of each.",
            "examples": ["75 W"],
        }
    ),
]


class Schedule(Part):
    """Hours, in the tank's zone, in which the heater is set otherwise than in the others."""

    from_: TimeOfDay = Field(alias="from")
    to: TimeOfDay
    by: Kelvin = Field(examples=["-1 K"])
    """By so much warmer; a cooler night is below 0."""


class Heater(Part):
    """The heaters in the tank; they are watched, never switched. Without this table, and without
    one of a chiller, there is no alarm about them."""

    kind: Annotated[HeaterKind, BeforeValidator(_kind)] | None = None
    """Found out from the water's temperature, and asked about, when it is not given."""
    power: Powers = ()
    """As printed on it; a list when there are several."""
    schedule: Schedule | None = None

    @property
    def watts(self) -> float:
        """All heaters together, W; 0 where nobody said."""
        return sum(self.power)


class Chiller(Part):
    """What cools the water by a thermostat: a chiller, or a fan that has one."""

    power: Annotated[Watts, Gt(0)] | None = None
    """The heat that it takes out, not what it draws from the mains."""
    setting: Celsius | None = None
    """What its dial says; needed beside a heater, to tell which of the two has switched."""


class Hours(Part):
    """Between which times of day something is on, in the tank's zone."""

    on: TimeOfDay
    off: TimeOfDay


class Lamp(Hours):
    """The photoperiod."""


class Fan(Hours):
    """A fan over the water that a timer switches. One with a thermostat is a chiller."""


class TopUp(Part):
    """How evaporated water is replaced: by hand, or by a machine that adds it in small doses."""

    kind: Literal["by hand", "automatic"] = "by hand"
    """By hand, or automatic: then the loss is found by what the machine has added."""
    reservoir: Annotated[Millilitres, Gt(0)] | None = None
    """The fresh water in the reservoir when it is full."""
    length: Annotated[Millimetres, Gt(0)] | None = None
    """Inner length of the reservoir; with its width, for a gauge in it."""
    width: Annotated[Millimetres, Gt(0)] | None = None
    """Inner width of the reservoir."""
    uncertainty: Annotated[Ratio, Gt(0), Lt(0.5)] = 0.05
    """How far the reservoir's area, or the rate of the pump, may be off (one standard
    deviation)."""
    gauge: Name | None = None
    """The channel of a gauge in the reservoir, in mm relative to where it is full."""
    low_float: Name | None = None
    """The channel of a float in the reservoir; open: it is nearly empty."""
    pump: Name | None = None
    """The channel of a switch that shows whether the top-up's pump runs."""
    rate: Annotated[float, WithUnit(Dimension.FLOW), Gt(0)] | None = None
    """How much that pump moves. Without it the rate is learned from the gauge in the chamber."""


class Surface(Part):
    """All open water, seen from above: what evaporation leaves from."""

    length: Annotated[Millimetres, Gt(0)]
    width: Annotated[Millimetres, Gt(0)]

    @property
    def area_mm2(self) -> float:
        """The area of the surface, mm²."""
        return self.length * self.width


class Tank(Part):
    """One body of water with its return chamber."""

    name: Name = Field(examples=["reading-room"])
    label: str = ""
    """What people call it."""
    zone: Zone
    volume: Annotated[Millilitres, Gt(0)]
    """All the water, chamber included."""
    units: Literal[System.METRIC, System.US] = System.METRIC
    """How people see numbers: metric or us."""
    surface: Surface | None = None
    """The surface of all open water; guessed from the volume when it is not given."""
    chamber: Chamber | None = None
    top_up: TopUp = TopUp()
    heater: Heater | None = None
    chiller: Chiller | None = None
    fan: Fan | None = None
    lamp: Lamp | None = None

    @property
    def time_zone(self) -> ZoneInfo:
        """The zone as an object."""
        return ZoneInfo(self.zone)
