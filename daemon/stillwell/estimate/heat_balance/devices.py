"""What acts on a tank's heat, as its settings say it: frozen, made from the settings by others."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

SEAWATER_WH_PER_L_K = 1.0233 * 3.999 / 3.6
"""Heat capacity of a litre of seawater, 35 g/kg, 25 °C: density times specific heat, TEOS-10."""
GLASS_AND_ROCK = 1.05
"""By so much glass, rock and sand raise the heat capacity of the water alone. An assumption."""


class Control(StrEnum):
    """How a heater is controlled."""

    THERMOSTAT = "thermostat"
    PROPORTIONAL = "proportional"
    UNKNOWN = "unknown"
    """It is found out."""


@dataclass(frozen=True, slots=True)
class Night:
    """Local hours, 0 to 24, in which a heater is set otherwise than by day."""

    start_h: float
    end_h: float
    by_k: float = 0.0
    """By so much its setting is higher then; below 0 for a cooler night."""

    def holds(self, hour: float) -> bool:
        if self.start_h <= self.end_h:
            return self.start_h <= hour < self.end_h
        return hour >= self.start_h or hour < self.end_h


@dataclass(frozen=True, slots=True)
class Devices:
    """Powers in W, the volume in L; None where nobody said."""

    heater: Control | None = Control.UNKNOWN
    """None: no heater."""
    heaters_w: tuple[float, ...] = ()
    """Of each heater; empty where nobody said."""
    chiller: bool = False
    chiller_w: float | None = None
    volume_l: float | None = None
    night: Night | None = None
    between_c: float | None = None
    """With heater and chiller: midway between their dials. What switches below is the heater."""

    @property
    def any(self) -> bool:
        return self.heater is not None or self.chiller

    def lift(self, watts: float) -> float | None:
        """Returns by how much so many watts warm the water, K/h; None without a volume."""
        if self.volume_l is None:
            return None
        return watts / (self.volume_l * SEAWATER_WH_PER_L_K * GLASS_AND_ROCK)

    @property
    def heater_lift(self) -> float | None:
        """Of all heaters together, K/h; None where powers or volume are not known."""
        return self.lift(sum(self.heaters_w)) if self.heaters_w else None

    @property
    def chiller_lift(self) -> float | None:
        """As `heater_lift`; a positive number."""
        return None if self.chiller_w is None else self.lift(self.chiller_w)

    @property
    def several(self) -> bool:
        return len(self.heaters_w) > 1

    @property
    def together(self) -> float | None:
        """As `heater_lift`, of several heaters; None with a single one, 0.0 where nobody said."""
        return (self.heater_lift or 0.0) if self.several else None

    @property
    def switching_lift(self) -> float | None:
        """As `heater_lift`, of one of several: nobody knows which of them is set highest."""
        return self.lift(sum(self.heaters_w) / len(self.heaters_w)) if self.heaters_w else None
