"""The tank's and its keeper's data, as the journal's observers and screens use them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from stillwell.estimate.level.geometry import Geometry
from stillwell.estimate.salt.told import SaltParameters
from stillwell.form import Form
from stillwell.units import System

BOOK_KEY = "book plan"
"""The key under which the plan is kept in the store, so that whoever looks at it later does not
need the configuration."""


@dataclass(frozen=True, slots=True)
class BookPlan:
    """One tank, and how often each task by hand is due. Intervals are common practice."""

    tank_ml: float
    zone: str = "UTC"
    units: System = System.METRIC
    target_c: float = 25.3
    salinity_low: float = 34.0
    salinity_high: float = 36.0
    remind: bool = True
    remind_at: dt.time = dt.time(9)
    change_share: float = 0.15
    """The share of the tank's volume in a water change."""
    change_every_d: int = 7
    salinity_every_d: int = 7
    refractometer_every_d: int = 30
    drill_every_d: int = 30
    lamp_h: float | None = None
    """Hours of light that the settings ask for; None without a lamp."""
    lamp: str | None = None
    """The channel of the lamp's switch."""
    water: tuple[str, ...] = ()
    """The channels of the water's temperature."""
    room: str | None = None
    """The channel of the room's temperature."""
    chamber: Geometry | None = None
    """The chamber where poured water collects; None where its shape isn't known."""

    @property
    def salinity_target(self) -> float:
        """Returns the middle of the salinity limits."""
        return (self.salinity_low + self.salinity_high) / 2

    @property
    def change_ml(self) -> float:
        """Returns the volume of a water change, mL, rounded to half litres."""
        return max(500.0, round(self.change_share * self.tank_ml / 500.0) * 500.0)

    @property
    def salt(self) -> SaltParameters:
        """Returns the parameters of the salt balance."""
        return SaltParameters(
            self.tank_ml,
            low=self.salinity_low,
            high=self.salinity_high,
            check_every_d=self.salinity_every_d,
        )


BOOK = Form(BookPlan, 2)
