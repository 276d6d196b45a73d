"""``[tank]``: the water, the return chamber, the heater, the lamp."""

from __future__ import annotations

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from annotated_types import Gt, Lt
from pydantic import Field

from stillwell.settings.schema.values import Name, Part, TimeOfDay, Zone
from stillwell.units import Millilitres, Millimetres, Ratio, System, Watts


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
    heater: Heater | None = None
    lamp: Lamp | None = None

    @property
    def time_zone(self) -> ZoneInfo:
        """The zone as an object."""
        return ZoneInfo(self.zone)
