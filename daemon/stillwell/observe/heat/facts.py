"""What the heater's watch finds, as facts: where the water is and goes, what the thermostat has
done before, what is known of its power."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from stillwell.alarm.rules.forecast import Forecast
from stillwell.estimate.heat.standing import Condition
from stillwell.notice import Facts


class Kind(StrEnum):
    """How a condition is told."""

    PLAIN = "plain"
    HOLDS = "holds"
    """The heater is at its limit, and the water holds still."""
    SUPPOSED = "supposed"
    """The dial has been turned, by one switching point alone."""


@dataclass(frozen=True, slots=True)
class WaterSeen:
    """The water by the probe that speaks."""

    value_c: float
    per_h: float
    """K/h."""
    at_ms: int
    """When, UTC."""
    harms: Forecast | None
    """When animals suffer, going on like this."""
    leaves: Forecast | None
    """When it leaves its band, going on like this."""


@dataclass(frozen=True, slots=True)
class Bears:
    """How cold a room the heater can bear, °C: value, low, high."""

    room_c: tuple[float, float, float]
    now_c: float | None
    """How cold it is; None where that is not measured."""
    measured: bool
    """By how it heats now; else by what it has done."""


@dataclass(frozen=True, slots=True)
class OfHeat(Facts):
    """What is told of everything about heat."""

    water: WaterSeen | None


@dataclass(frozen=True, slots=True)
class NotHeating(OfHeat):
    """The water has passed the point at which the heater comes on."""

    on_c: float
    """Where it came on before."""
    times: int
    """So often."""


@dataclass(frozen=True, slots=True)
class StuckOn(OfHeat):
    """The water has passed the point at which the heater goes off."""

    off_c: float
    times: int


@dataclass(frozen=True, slots=True)
class TooWeak(OfHeat):
    """The heater is on without a pause, and the water does not rise."""

    share: tuple[float, float, float] | None
    """Of the usual heat, what comes: value, low, high; None where none is known to be missing."""
    bears: Bears | None


@dataclass(frozen=True, slots=True)
class AtItsLimit(OfHeat):
    """The heater is on almost without a pause, and the water holds."""

    on: float
    """Share of the time."""
    over_s: float
    bears: Bears | None


@dataclass(frozen=True, slots=True)
class SettingMoved(OfHeat):
    """Both switching points have moved together."""

    on_c: float
    off_c: float
    by_k: float


@dataclass(frozen=True, slots=True)
class SettingSupposed(OfHeat):
    """The heater went on past where it always went off, and has gone off after all."""

    off_c: float
    by_k: float


@dataclass(frozen=True, slots=True)
class RoomTooWarm(OfHeat):
    """The water rises slowly with the heater off."""

    off_c: float


@dataclass(frozen=True, slots=True)
class MainsLost(OfHeat):
    """Pump and heater have stopped together."""


@dataclass(frozen=True, slots=True)
class PumpStopped(Facts):
    """The chamber has risen, and its water no longer mixes with the tank."""

    probes: tuple[str, str]
    parted_k: float


@dataclass(frozen=True, slots=True)
class HeatOver(OfHeat):
    """A condition of heat has ended."""

    condition: Condition
    told: Kind
    dial_k: float
    """By how much the dial has turned out to be turned; 0.0: not at all."""
