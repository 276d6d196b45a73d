"""What the heater's watch is told about its tank: frozen, made from the settings by others."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time

from stillwell.units import System


@dataclass(frozen=True, slots=True)
class BandEdges:
    """A configured band on the water, °C: what a forecast asks about first."""

    name: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class HeaterPlan:
    """One tank as its heater's watch sees it.

    Everything but the probes may be missing: with one probe and nothing else, not heating and
    heating without end are still found.
    """

    probes: tuple[str, ...]
    """Channels in the water, the best placed first: beside the heater's current, behind the
    pump."""
    room: str = ""
    """Channel of the air around the tank; empty where there is none."""
    level: str = ""
    """Channel of a continuous level gauge in the return chamber, mm; empty where there is none."""
    bands: tuple[BandEdges, ...] = ()
    lamp: tuple[time, time] | None = None
    """Local hours at which the lamp is lit and put out; None where nobody said."""
    zone: str = "UTC"
    units: System | str = System.METRIC
    cold_c: float = 23.0
    """Where animals of a warm tank begin to suffer; common practice."""
    hot_c: float = 28.0
    """As `cold_c`; common practice."""
    drain_back_mm: float = 8.0
    """The chamber's rise that is taken for a pump that stands: well above ripple and daily pours,
    below what runs back out of any tank worth the name (an assumption)."""

    def __post_init__(self) -> None:
        if not self.probes:
            raise ValueError("The heater can only be watched through a probe in the water.")
