"""What can go wrong in a simulated tank, by name, and what merely happens in one.

A `Fault` is something that an alarm should name; an `Event` is something for which a calm daemon
should raise none. Both have a start, an optional end and an optional size; times count from the
first moment of the simulated tank.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Generic, TypeVar


class FaultName(StrEnum):
    """The faults of a simulated tank. `FAULTS` says what each one does."""

    NOT_HEATING = "not-heating"
    HEATER_STUCK_ON = "heater-stuck-on"
    SETTING_MOVED = "setting-moved"
    HEATER_TOO_WEAK = "heater-too-weak"
    ROOM_TOO_WARM = "room-too-warm"
    ROOM_COOLING = "room-cooling"
    COLD_DRAUGHT = "cold-draught"
    LEAK = "leak"
    MISSED_TOP_UP = "missed-top-up"
    OVERFILLED = "overfilled"
    PUMP_STOPPED = "pump-stopped"
    MAINS_LOST = "mains-lost"
    SALT_TOP_UP = "salt-top-up"
    LAMP_NOT_ON = "lamp-not-on"
    LAMP_NOT_OFF = "lamp-not-off"
    PROBE_GONE = "probe-gone"
    PROBE_CRC = "probe-crc"
    PROBE_POWER_ON = "probe-power-on"
    PROBE_STALE = "probe-stale"
    PROBE_STUCK = "probe-stuck"
    PROBE_DRIFT = "probe-drift"
    PROBE_OUT_OF_WATER = "probe-out-of-water"
    PROBES_SWAPPED = "probes-swapped"
    PROBE_NOISY = "probe-noisy"
    FLOAT_STUCK_UP = "float-stuck-up"
    FLOAT_STUCK_DOWN = "float-stuck-down"
    FLOAT_CHATTER = "float-chatter"
    GAUGE_OFFSET = "gauge-offset"
    GAUGE_DEAD = "gauge-dead"
    GAUGE_OUTLIERS = "gauge-outliers"
    BUS_STALLED = "bus-stalled"


class Part(StrEnum):
    """Where a fault is: in the water and its machines, or in a sensor."""

    WATER = "water"
    PROBE = "probe"
    FLOAT = "float"
    GAUGE = "gauge"
    BUS = "bus"


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One line of the table of faults."""

    part: Part
    says: str
    """What the fault does, in one sentence for a person."""
    size: float | None = None
    """The size if none is given; None if the fault has no size or works out its own."""
    size_is: str = ""
    """What the size means, with its unit; empty if the fault has none."""


FAULTS: dict[FaultName, FaultKind] = {
    FaultName.NOT_HEATING: FaultKind(
        Part.WATER, "The heater stays cold: the water falls towards the room."
    ),
    FaultName.HEATER_STUCK_ON: FaultKind(
        Part.WATER, "The thermostat's contact has welded: the heater never switches off."
    ),
    FaultName.SETTING_MOVED: FaultKind(
        Part.WATER, "Somebody has bumped the heater's dial.", -1.5, "K, by how much it moved"
    ),
    FaultName.HEATER_TOO_WEAK: FaultKind(
        Part.WATER,
        "The heater gives only a share of its power, runs all the time and still does not hold.",
        None,
        "share of its power that is left; without one, 85 % of what the tank needs at the start",
    ),
    FaultName.ROOM_TOO_WARM: FaultKind(
        Part.WATER,
        "The room is warmer than the heater's setting: the water follows with the heater off.",
        3.0,
        "K, by how much the room passes the setting",
    ),
    FaultName.ROOM_COOLING: FaultKind(
        Part.WATER,
        "The room's heating has failed: the room grows colder and colder over the hours.",
        8.0,
        "K, by how much in the end",
    ),
    FaultName.COLD_DRAUGHT: FaultKind(
        Part.WATER,
        "A cold draught blows over the tank: it loses heat and evaporates faster.",
        8.0,
        "K, by how much the air is colder",
    ),
    FaultName.LEAK: FaultKind(
        Part.WATER, "Salt water leaves the tank by another way than the air.", 40.0, "mL/h"
    ),
    FaultName.MISSED_TOP_UP: FaultKind(
        Part.WATER, "Nobody pours: the level goes on falling past the daily hour."
    ),
    FaultName.OVERFILLED: FaultKind(
        Part.WATER, "Too much fresh water has been poured in at once.", 500.0, "mL above the mark"
    ),
    FaultName.PUMP_STOPPED: FaultKind(
        Part.WATER, "The pump stands: water drains back and the chamber rises and is not stirred."
    ),
    FaultName.MAINS_LOST: FaultKind(
        Part.WATER, "Pump, heater and lamp stop together; the daemon runs on a battery."
    ),
    FaultName.SALT_TOP_UP: FaultKind(
        Part.WATER, "The daily pour is salt water by mistake: the salinity creeps up."
    ),
    FaultName.LAMP_NOT_ON: FaultKind(Part.WATER, "The lamp stays dark in its hours."),
    FaultName.LAMP_NOT_OFF: FaultKind(Part.WATER, "The lamp burns outside its hours."),
    FaultName.PROBE_GONE: FaultKind(Part.PROBE, "The probe does not answer."),
    FaultName.PROBE_CRC: FaultKind(
        Part.PROBE,
        "The check word does not match: the bytes were damaged on the cable.",
        1.0,
        "share of the readings that are damaged",
    ),
    FaultName.PROBE_POWER_ON: FaultKind(
        Part.PROBE,
        "The probe answers 85 °C, the value that it holds before its first conversion.",
        1.0,
        "share of the readings",
    ),
    FaultName.PROBE_STALE: FaultKind(
        Part.PROBE, "The convert command is lost: the earlier conversion comes again, marked stale."
    ),
    FaultName.PROBE_STUCK: FaultKind(
        Part.PROBE, "The probe says the same value for ever, and nothing marks it."
    ),
    FaultName.PROBE_DRIFT: FaultKind(
        Part.PROBE, "The probe drifts away from the truth.", 0.15, "K a day"
    ),
    FaultName.PROBE_OUT_OF_WATER: FaultKind(
        Part.PROBE, "The probe hangs in the air and follows the room."
    ),
    FaultName.PROBES_SWAPPED: FaultKind(
        Part.PROBE, "Two probes have changed places; target names both as water-a/room."
    ),
    FaultName.PROBE_NOISY: FaultKind(
        Part.PROBE, "The probe's noise has grown.", 10.0, "times its own noise"
    ),
    FaultName.FLOAT_STUCK_UP: FaultKind(Part.FLOAT, "The float is jammed in its upper place."),
    FaultName.FLOAT_STUCK_DOWN: FaultKind(Part.FLOAT, "The float is jammed in its lower place."),
    FaultName.FLOAT_CHATTER: FaultKind(
        Part.FLOAT, "The contact opens and closes at random, wherever the water is."
    ),
    FaultName.GAUGE_OFFSET: FaultKind(
        Part.GAUGE, "The gauge has been moved: all its values jump by one amount.", 8.0, "mm"
    ),
    FaultName.GAUGE_DEAD: FaultKind(Part.GAUGE, "The gauge says nothing."),
    FaultName.GAUGE_OUTLIERS: FaultKind(
        Part.GAUGE, "Some of the gauge's values are far off.", 0.1, "share of the readings"
    ),
    FaultName.BUS_STALLED: FaultKind(
        Part.BUS, "A read hangs and does not come back until the source is closed."
    ),
}
"""Every fault with what it does. The command line prints this table."""


class EventName(StrEnum):
    """What happens to a healthy tank. `EVENTS` says what each one does."""

    HEAT_WAVE = "heat-wave"
    WINDOW_OPEN = "window-open"
    LAMP_HOURS_MOVED = "lamp-hours-moved"
    PUMP_CLEANING = "pump-cleaning"
    PROBE_REPLACED = "probe-replaced"


@dataclass(frozen=True, slots=True)
class EventKind:
    """One line of the table of events."""

    says: str
    size: float | None = None
    size_is: str = ""


EVENTS: dict[EventName, EventKind] = {
    EventName.HEAT_WAVE: EventKind(
        "The room grows warm within hours and stays so.", 4.0, "K, by how much"
    ),
    EventName.WINDOW_OPEN: EventKind(
        "A window is left open: cooler air that moves.", 4.0, "K, by how much the room is cooler"
    ),
    EventName.LAMP_HOURS_MOVED: EventKind("The lamp's hours are moved.", 2.0, "h later"),
    EventName.PUMP_CLEANING: EventKind("The pump is taken out and cleaned: it stands."),
    EventName.PROBE_REPLACED: EventKind(
        "A probe is replaced by a new one with another offset.", 0.25, "K, the offset's change"
    ),
}
"""Every event with what it does."""


N = TypeVar("N", FaultName, EventName)


@dataclass(frozen=True, slots=True)
class _Happening(Generic[N]):
    """What happens to one simulated tank. Raises ValueError when the end is not after the start.

    Args:
        name: what.
        start_s: seconds after the tank's first moment.
        end_s: seconds after the tank's first moment; None for never.
        size: see `FaultKind.size_is`; None for the usual one.
        target: the channel of a sensor; empty for the first one that fits.
    """

    name: N
    start_s: float
    end_s: float | None = None
    size: float | None = None
    target: str = ""

    def __post_init__(self) -> None:
        if not math.isfinite(self.start_s):
            raise ValueError(f"{self.name}: the start {self.start_s} is no number of seconds.")
        if self.end_s is not None and not self.end_s > self.start_s:
            raise ValueError(
                f"{self.name}: the end {self.end_s} s is not after the start {self.start_s} s."
            )
        if self.size is not None and not math.isfinite(self.size):
            raise ValueError(f"{self.name}: the size {self.size} is no number.")

    def active(self, at_s: float) -> bool:
        """Whether it is present `at_s` seconds after the tank's first moment."""
        return self.start_s <= at_s and (self.end_s is None or at_s < self.end_s)

    @property
    def amount(self) -> float:
        """The size, or the usual one; 0.0 if it has neither."""
        name = self.name
        usual = FAULTS[name].size if isinstance(name, FaultName) else EVENTS[name].size
        return (usual if self.size is None else self.size) or 0.0


class Fault(_Happening[FaultName]):
    """One fault of one simulated tank."""

    __slots__ = ()


class Event(_Happening[EventName]):
    """One event of one simulated tank."""

    __slots__ = ()
