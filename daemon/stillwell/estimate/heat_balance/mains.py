"""What the heat says of a chamber whose pump has stopped: whether its heater still heats. One that
has lost its current with the pump gives none."""

from __future__ import annotations

import math
from dataclasses import dataclass

HOT_S = 900.0
"""Ten times the lag of a heater's body (an assumption)."""
_WARMED_K = 0.25
_SMOOTH_S, _SMOOTH_SHARE = 180.0, 0.2
_COLD_K, _COLD_FOR_S = 0.05, 900.0


@dataclass(slots=True)
class ChamberHeat:
    """Times are seconds of the watch, temperatures °C, differences K."""

    since_s: float | None = None
    """Since when the chamber is up."""
    warmed: bool = False
    """Whether the chamber has grown warmer against the tank again since, later than a heater that
    was just switched off gives its own heat: then it heats, and the mains are there."""
    newest: float = math.nan
    """What the chamber's probe read last."""
    gap_k: float | None = None
    """By how much that reads more than the tank's, smoothed…"""
    gap_s: float = -math.inf
    """… at this time."""
    least_k: float = math.inf
    """The smallest gap since the heater is no longer hot."""
    chamber: float | None = None
    """The chamber's water since it is up, smoothed."""
    cold_s: float | None = None
    """Since when it has been colder than where the heater comes on."""

    def rises(self, since_s: float | None) -> None:
        """Takes since when the chamber is up; None: it is not."""
        if (since_s is None) is not (self.since_s is None):
            self.warmed, self.least_k = False, math.inf
            self.chamber = self.cold_s = None
        self.since_s = since_s

    def see_chamber(self, t_s: float, value: float, comes_on_c: float | None) -> None:
        """Takes a believed reading of the probe beside the heater, and where that comes on; None
        where that is not known."""
        self.newest = value
        if self.since_s is None or comes_on_c is None:
            return
        old = value if self.chamber is None else self.chamber
        self.chamber = old + _SMOOTH_SHARE * (value - old)
        if self.chamber > comes_on_c - _COLD_K:
            self.cold_s = None
        elif self.cold_s is None:
            self.cold_s = t_s

    def see_tank(self, t_s: float, value: float) -> None:
        """Takes a believed reading of the probe in the tank, while both are heard."""
        if math.isnan(self.newest):
            return
        gap, dt_s, self.gap_s = self.newest - value, min(600.0, t_s - self.gap_s), t_s
        old = gap if self.gap_k is None else self.gap_k
        self.gap_k = old + min(1.0, dt_s / _SMOOTH_S) * (gap - old)
        if self.since_s is not None and t_s - self.since_s > HOT_S:
            self.least_k = min(self.least_k, self.gap_k)
            self.warmed |= self.gap_k - self.least_k > _WARMED_K

    def silent(self, t_s: float) -> bool:
        """Whether the heater gives no heat to a chamber that is up and colder than where it comes
        on: there it would show within minutes."""
        return not self.warmed and self.cold_s is not None and t_s - self.cold_s >= _COLD_FOR_S
