"""The state's coordinates, and everything about chamber and sensors that does not change."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry, Habits
from stillwell.estimate.level.ripple import Occupancy, occupancy

H, M, D, C, S, K, G, R, F = range(9)
"""Places in the state; see `bank`. From F on there is one for each float."""
_GRID = 0.1
"""Spacing of log-ripples at which a float's law is worked out; the law is stretched between
them."""


@dataclass(frozen=True, slots=True)
class Physics:
    """Everything about a chamber that the bank needs, computed once."""

    geometry: Geometry
    floats: tuple[FloatSpec, ...]
    gauge: GaugeSpec | None
    habits: Habits
    kinds: tuple[float, ...]
    """The standard deviations of D that the members assume, as shares of the expected rate."""
    places: dict[str, int]
    ripple_log_sd: float
    """Prior standard deviation of R."""
    ripple_share: tuple[float, ...]
    """For each float, how strongly its log-ripple follows R."""

    @classmethod
    def of(
        cls,
        geometry: Geometry,
        floats: tuple[FloatSpec, ...],
        gauge: GaugeSpec | None,
        habits: Habits,
    ) -> Physics:
        if gauge is not None or len(floats) < 2:
            # a gauge sees the day's course by itself, and a single float never sees it
            habits = replace(habits, daily_rel_sd=0.0, course_trend=0.0)
        sd = max((f.ripple_log_sd for f in floats), default=0.0)
        share = tuple(f.ripple_log_sd / sd if sd > 0 else 0.0 for f in floats)
        places = {f.name: i for i, f in enumerate(floats)}
        return cls(geometry, floats, gauge, habits, habits.wander, places, sd, share)

    def law(self, place: int, log_ripple: float) -> Occupancy:
        """Returns a float's law where the ripple is exp(`log_ripple`) times the stated one."""
        spec = self.floats[place]
        ripple = spec.ripple_mm * math.exp(_GRID * round(log_ripple / _GRID))
        return occupancy(spec.differential_mm, ripple, spec.ripple_tau_s)

    def middle_mm(self, place: int) -> float:
        """Returns the stated middle between a float's two thresholds."""
        spec = self.floats[place]
        return spec.height_mm - 0.5 * spec.differential_mm

    @property
    def base_odds(self) -> float:
        return math.log(self.habits.sensor_fault)
