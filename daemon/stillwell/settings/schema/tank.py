"""``[tank]``: the water, the return chamber, the top-up, the heater, the lamp."""

from __future__ import annotations

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from annotated_types import Gt, Lt
from pydantic import Field

from stillwell.settings.schema.values import Name, Part, TimeOfDay, Zone
from stillwell.units import (
    Dimension,
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


class Heater(Part):
    """The heater in the tank; it is watched, never switched."""

    power: Annotated[Watts, Gt(0)]


class Lamp(Part):
    """The photoperiod, in the tank's zone."""

    on: TimeOfDay
    off: TimeOfDay


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
    lamp: Lamp | None = None

    @property
    def time_zone(self) -> ZoneInfo:
        """The zone as an object."""
        return ZoneInfo(self.zone)
