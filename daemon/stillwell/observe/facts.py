"""What the smaller observers find: about the pump, the lamp, a gauge, the tests of the cycle."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.notice import Facts
from stillwell.water.ammonia import PhScale

PUMP_STOPPED = "pump.stopped"
"""The alarm that `PumpStopped` is told with."""


@dataclass(frozen=True, slots=True)
class PumpStopped(Facts):
    """The pump has stopped: the chamber has risen by what runs back."""

    rise_mm: float | None
    """None where only floats saw it."""
    usual_mm: float | None
    """By how much it rises when the pump rests, by its pauses; None before one was seen."""
    floats: tuple[str, ...]
    """Those that closed with it, where no gauge saw it."""
    parted_k: float | None
    """By how much the chamber's probe and the tank's have parted, where they have."""


@dataclass(frozen=True, slots=True)
class LampOdd(Facts):
    """The lamp's heat is missing while it should be on, or comes while it should be off."""

    warms_k_per_h: float
    hours: str
    """For example ``12:00 to 22:00``, by the tank's clock."""


@dataclass(frozen=True, slots=True)
class LampAsNow(Facts):
    """The lamp's present heat counts as usual again."""


@dataclass(frozen=True, slots=True)
class GaugeMoved(Facts):
    """A gauge jumped by itself, and the next pour ended off the mark by as much."""

    called: str
    by_mm: float
    jumped_ms: int
    """UTC, as is `ended_ms`."""
    ended_ms: int


@dataclass(frozen=True, slots=True)
class GaugeWell(Facts):
    """On a gauge, pours end where they have always ended."""

    called: str


@dataclass(frozen=True, slots=True)
class TestShows(Facts):
    """A test shows ammonia or nitrite in a tank with animals."""

    kind: str
    mg_per_l: float
    """As nitrogen."""
    ph: float
    ph_scale: PhScale
    target_c: float
    salinity: float


@dataclass(frozen=True, slots=True)
class ObserverFailed(Facts):
    """An observer has failed and is set aside."""

    name: str
