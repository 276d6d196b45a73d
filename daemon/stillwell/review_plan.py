"""What a review needs to know about its tank: kept in the store, so that whoever looks at it later
need not have the configuration."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from stillwell.calendar import Night, last_nights, night_of
from stillwell.form import Form
from stillwell.reading import Quantity
from stillwell.review import BandPlan
from stillwell.units import System

PLAN_KEY = "review plan"
"""The key under which the store keeps the plan."""


@dataclass(frozen=True, slots=True)
class Unmeasured:
    """A tank whose level nothing measures: what physics and noted pours say of its water."""

    water: tuple[str, ...]
    room: str
    humidity: str
    """Channels; each is empty where there is none."""
    surface_mm2: float
    expected_rel_sd: float
    mark_sd_ml: float
    """How well the mark is met, standard deviation."""


@dataclass(frozen=True, slots=True)
class ReviewPlan:
    """What a review looks at, and for whom."""

    tank: str
    zone: str
    units: System
    night_from: dt.time
    night_to: dt.time
    bands: tuple[BandPlan, ...]
    channels: Mapping[str, Quantity]
    heater: str | None = None
    """How the settings say that the heater is controlled; empty where they leave that to be found
    out, None where they name no heater."""
    chiller: bool = False
    elsewhere: tuple[str, ...] = ()
    """Gauges that are not in the chamber."""
    unmeasured: Unmeasured | None = None
    """None: something measures the level, or a machine adds the water."""

    def last(self, now_utc_ms: int, count: int = 1) -> list[Night]:
        """Returns the last nights that have ended, the oldest first."""
        return last_nights(now_utc_ms, count, ZoneInfo(self.zone), self.night_from, self.night_to)

    def within(self, start_ms: int, end_ms: int) -> list[Night]:
        """Returns the nights at least half of which lies within a span; if there are none, the one
        that lies in it the most. For stores and traces that nobody writes any more."""
        count = (end_ms - start_ms) // 86_400_000 + 3
        nights = self.last(end_ms + 2 * 86_400_000, count)

        def seen(night: Night) -> float:
            start, end = night.start_utc_ms, night.end_utc_ms
            return max(0, min(end, end_ms) - max(start, start_ms)) / (end - start)

        found = [night for night in nights if seen(night) >= 0.5]
        most = max(nights, key=seen)
        return found or ([most] if seen(most) > 0 else [])

    def of(self, evening: dt.date) -> Night:
        """Returns the night that began on the evening of a local date."""
        return night_of(evening, ZoneInfo(self.zone), self.night_from, self.night_to)


PLAN = Form(ReviewPlan, 2)
