"""The tank's data for the level watch."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from enum import StrEnum
from math import hypot
from zoneinfo import ZoneInfo

from stillwell.calendar import Night, last_nights
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry
from stillwell.units import System
from stillwell.water.evaporation import RELATIVE_SD

_TANK_REL_SD = 0.35
"""By how much a tank differs from a pool of the same surface: rims, lids, lamps, draughts (our own
choice)."""


@dataclass(frozen=True, slots=True)
class Surface:
    """All open water of a tank."""

    mm2: float
    physics_rel_sd: float
    """The relative uncertainty of the amount that physics predicts of a pool: that of the
    literature, more where the surface was guessed."""

    @classmethod
    def of(cls, stated_mm2: float | None, volume_ml: float) -> Surface:
        """A tank is about as deep as it is wide (common practice), so where nothing is stated the
        guess is the volume to the power of two thirds."""
        guess = (volume_ml * 1000.0) ** (2 / 3)
        return cls(stated_mm2 or guess, RELATIVE_SD if stated_mm2 else 0.4)

    @property
    def tank_rel_sd(self) -> float:
        """The same of a tank, whose own past is not known yet."""
        return hypot(self.physics_rel_sd, _TANK_REL_SD)


@dataclass(frozen=True, slots=True)
class FloatChannel:
    """A float's channel."""

    spec: FloatSpec
    """The float; its name is the channel's."""
    label: str = ""
    every_s: float = 30.0
    """The interval, in s, between readings of the share of looks."""
    look_s: float | None = None
    """The interval, in s, between looks at the contact; None: one look a reading."""

    @property
    def looks(self) -> int:
        """Returns the looks in one interval when none is missed, for a reading that does not say
        how many."""
        return max(1, round(self.every_s / self.look_s)) if self.look_s else 1


@dataclass(frozen=True, slots=True)
class GaugeChannel:
    """The gauge's channel."""

    name: str
    spec: GaugeSpec
    label: str = ""


class AddedBy(StrEnum):
    """What shows how much an automatic top-up has added, the best first."""

    RESERVOIR = "reservoir"
    """The gauge in its reservoir."""
    PUMP = "pump"
    """How long its pump has run."""
    DOSES = "doses"
    """The rises of the chamber's own gauge."""
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class TopUpPlan:
    """An automatic top-up."""

    reservoir_ml: float | None = None
    """What is in the reservoir when it is full."""
    area_mm2: float | None = None
    uncertainty: float = 0.05
    """Relative standard deviation of the area, or of the pump's rate."""
    gauge: GaugeChannel | None = None
    """The gauge in the reservoir, in mm relative to full."""
    low_float: str = ""
    pump: str = ""
    """The channel of the switch that shows its pump."""
    pump_every_s: float = 0.0
    ml_per_h: float | None = None
    """What the pump moves; None: it is learned."""

    def added_by(self, chamber: GaugeChannel | None) -> AddedBy:
        """Returns what shows the water that was added, with this gauge in the chamber."""
        if self.gauge is not None and self.area_mm2 is not None:
            return AddedBy.RESERVOIR
        if self.pump and (self.ml_per_h is not None or chamber is not None):
            return AddedBy.PUMP
        return AddedBy.DOSES if chamber is not None else AddedBy.NOTHING


@dataclass(frozen=True, slots=True)
class LevelPlan:
    """One tank's chamber, its sensors, and the night that the review is about."""

    geometry: Geometry
    floats: tuple[FloatChannel, ...] = ()
    gauge: GaugeChannel | None = None
    water: tuple[str, ...] = ()
    """Channels of the water's temperature; their median counts."""
    room: str | None = None
    humidity: str | None = None
    volume_ml: float = 68_000.0
    """All the water of the tank, which swells and shrinks with the temperature; the chamber
    shows it."""
    surface_mm2: float | None = None
    """The surface of all open water; None: guessed from the volume."""
    zone: str = "UTC"
    units: System = System.METRIC
    night_from: dt.time = field(default=dt.time(22))
    night_to: dt.time = field(default=dt.time(8))
    top_up: TopUpPlan | None = None
    """None: water is added by hand."""

    @property
    def surface(self) -> Surface:
        """The open water."""
        return Surface.of(self.surface_mm2, self.volume_ml)

    @property
    def lone(self) -> FloatChannel | None:
        """Returns the only float, if nothing else in the chamber could contradict it; else None."""
        return self.floats[0] if len(self.floats) == 1 and self.gauge is None else None

    def night_before(self, utc_ms: int) -> Night:
        """Returns the last night that has ended by a time."""
        return last_nights(utc_ms, 1, ZoneInfo(self.zone), self.night_from, self.night_to)[0]

    def alarms(self) -> tuple[str, ...]:
        """Returns the names of the alarms that are not under ``level.``."""
        return tuple(
            f"{channel.spec.name}.{kind}"
            for channel in self.floats
            for kind in ("stuck-up", "stuck-down", "chattering")
        )
