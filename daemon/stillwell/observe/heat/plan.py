"""What the observer of heat is told about its tank: frozen, made from the settings by others."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time

from stillwell.estimate.heat_balance.devices import Devices

NONE = Devices(heater=None)


@dataclass(frozen=True, slots=True)
class BandEdges:
    """A configured band on the water, °C: what a forecast asks about first."""

    name: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class HeatPlan:
    """One tank as the observer of its heat sees it. Everything but the probes may be missing."""

    probes: tuple[str, ...]
    """Channels in the water, the best placed first: beside the heater's current, behind the
    pump."""
    room: str = ""
    """Channel of the air around the tank; empty where there is none."""
    bands: tuple[BandEdges, ...] = ()
    devices: Devices = NONE
    """Without any no alarm about them is raised; the probes and the mains are judged all the
    same."""
    lamp: tuple[time, time] | None = None
    """Local hours at which the lamp is lit and put out; None where nobody said."""
    fan: tuple[time, time] | None = None
    """As `lamp`, of a fan over the water that a timer switches."""
    lamp_switch: str = ""
    """Channel of the lamp's switch; empty where there is none."""
    zone: str = "UTC"
    cold_c: float = 23.0
    """Where animals of a warm tank begin to suffer; common practice."""
    hot_c: float = 28.0
    """As `cold_c`; common practice."""

    def __post_init__(self) -> None:
        if not self.probes:
            raise ValueError("Heat can only be watched through a probe in the water.")

    @property
    def sees_lamp(self) -> bool:
        """Returns whether it can be told if the lamp keeps its hours: the balance needs a device
        to learn from, and without the room a warm afternoon looks the same as a lamp."""
        return self.lamp is not None and bool(self.room) and self.devices.any

    @property
    def edges(self) -> tuple[float, float]:
        """Returns between which temperatures all bands are kept, °C."""
        low = max((band.low for band in self.bands), default=self.cold_c)
        return low, min((band.high for band in self.bands), default=self.hot_c)
