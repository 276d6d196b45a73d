"""What the observer of heat finds, as facts: where the water is and goes, what the devices did
before, what may be so now."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.alarm.rules.forecast import Forecast
from stillwell.notice import Facts

MAINS_LOST = "mains.lost"
"""The alarm that `MainsLost` is told with."""


@dataclass(frozen=True, slots=True)
class WaterSeen:
    """The water by the probe that speaks."""

    value_c: float
    per_h: float
    """K/h, by the balance of heat."""
    at_ms: int
    """When, UTC."""
    rests_c: float
    """Where it comes to rest, going on like this, °C."""
    harms: Forecast | None
    """When animals suffer, going on like this."""
    leaves: Forecast | None
    """When it leaves its band, going on like this."""


@dataclass(frozen=True, slots=True)
class Chances:
    """How probable each cause is of those that would look like this, 0 to 1."""

    broken: float
    """The device gives nothing, or does not stop."""
    weak: float
    """It gives a part of its heat."""
    dial: float
    """Its dial was moved."""


@dataclass(frozen=True, slots=True)
class Bears:
    """How cold a room the heater can bear, °C: value, low, high."""

    room_c: tuple[float, float, float]
    now_c: float | None
    """How cold it is; None where that is not measured."""


@dataclass(frozen=True, slots=True)
class OfHeat(Facts):
    """What is told of everything about heat."""

    water: WaterSeen | None


@dataclass(frozen=True, slots=True)
class Misses(OfHeat):
    """The water has passed the point at which a device always switched."""

    at_c: float
    times: int
    """So often it switched there; 0: it holds the water there without switching."""
    chances: Chances


@dataclass(frozen=True, slots=True)
class NotHeating(Misses):
    """Heat is missing where it always came."""


@dataclass(frozen=True, slots=True)
class StuckOn(Misses):
    """Heat goes on where it always ended."""


@dataclass(frozen=True, slots=True)
class NotCooling(Misses):
    """The chiller does not come on."""


@dataclass(frozen=True, slots=True)
class ChillerStuck(Misses):
    """The chiller does not go off."""


@dataclass(frozen=True, slots=True)
class TooWeak(OfHeat):
    """The heater is on without a pause, and the water does not rise."""

    share: float | None
    """Of the usual heat, what comes; None where none is known to be missing."""
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
    """The device switches, or holds the water, at another temperature than before."""

    at_c: tuple[float, ...]
    """Where, °C: on and off; one where it holds the water there."""
    by_k: float


@dataclass(frozen=True, slots=True)
class RoomTooWarm(OfHeat):
    """The water is warmer than where the heater goes off, without its heat."""

    off_c: float


@dataclass(frozen=True, slots=True)
class MainsLost(OfHeat):
    """Pump and heater have stopped together."""


@dataclass(frozen=True, slots=True)
class HeatOver(OfHeat):
    """A condition of heat has ended."""

    alarm: str
    dial_k: float
    """By how much the dial has turned out to be turned; 0.0: not at all."""
    limit: bool = False
    """The heater was only at its limit."""
