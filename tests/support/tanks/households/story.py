"""What a household with a return chamber is handed over as: what its settings know, what its
instruments said minute by minute, what was written down, and the truth, which only judges may see.

Times are whole seconds from the midnight, local time, at which the run begins; levels are mm from
the fill mark, volumes mL.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from tanks.trace import HOUR_S, utc_ms

LEVEL, RESERVOIR, RESERVOIR_LOW, TOP_UP = "level", "reservoir", "reservoir-low", "top-up"
"""Names of the gauge in the chamber, the gauge in the reservoir (mm from where it is full), the
float in it, and the switch that is 1 while its pump runs."""
WATER, RETURN, ROOM, HUMIDITY = "water-a", "water-b", "room", "humidity"
"""Names of the probe in the tank, of the second one, in the chamber or beside the first, and of
those in the air."""


class Kind(StrEnum):
    """How water is added, and by what it is seen."""

    GAUGE = "gauge"
    GAUGE_WARM = "gauge with a temperature coefficient"
    LADDER = "ladder"
    TWO_FLOATS = "two floats"
    ONE_FLOAT = "one float"
    DOSED_GAUGE = "automatic, gauge"
    DOSED_RESERVOIR = "automatic, reservoir gauge"
    DOSED_SWITCH = "automatic, pump switch"
    DOSED_FLOAT = "automatic, reservoir float"


DOSED = frozenset(
    {Kind.DOSED_GAUGE, Kind.DOSED_RESERVOIR, Kind.DOSED_SWITCH, Kind.DOSED_FLOAT},
)
WITH_GAUGE = frozenset({Kind.GAUGE, Kind.GAUGE_WARM, Kind.DOSED_GAUGE})


class Fault(StrEnum):
    """What is wrong from `Injected.onset_s` until `Injected.end_s`."""

    NONE = "none"
    LEAK = "leak"
    """Out of the tank, at a rate that hardly changes."""
    LEAK_ABOVE = "leak above a height"
    """Out of the chamber, while its water stands above a seam."""
    PUMP_STOPPED = "pump stopped"
    MAINS_LOST = "mains lost"
    """Pump, heater, lamp, fan and top-up are without power; the logger runs on."""
    FLOAT_STUCK_UP = "float stuck up"
    FLOAT_STUCK_DOWN = "float stuck down"
    FLOAT_HEAVY = "float grows heavy"
    """It floats deeper day by day."""
    GAUGE_MOVED = "gauge moved"
    GAUGE_DRIFTS = "gauge drifts"
    TOP_UP_STUCK_ON = "top-up does not stop"
    TOP_UP_MISSING = "top-up does not come"
    """Its pump is switched on and brings nothing."""
    RESERVOIR_EMPTY = "reservoir empty"
    """From the onset on nobody fills it, and it holds what a day or so needs."""
    SIPHON = "siphon"
    """The reservoir runs into the chamber by itself."""


_FLOATS = frozenset({Kind.LADDER, Kind.TWO_FLOATS, Kind.ONE_FLOAT})


def befalls(fault: Fault) -> tuple[Kind, ...]:
    """Returns the kinds of household that can have a fault."""
    if fault in {Fault.FLOAT_STUCK_UP, Fault.FLOAT_STUCK_DOWN, Fault.FLOAT_HEAVY}:
        return tuple(kind for kind in Kind if kind in _FLOATS)
    if fault in {Fault.GAUGE_MOVED, Fault.GAUGE_DRIFTS}:
        return tuple(kind for kind in Kind if kind in WITH_GAUGE)
    if fault in {
        Fault.TOP_UP_STUCK_ON,
        Fault.TOP_UP_MISSING,
        Fault.RESERVOIR_EMPTY,
        Fault.SIPHON,
    }:
        return tuple(kind for kind in Kind if kind in DOSED)
    return tuple(Kind)


@dataclass(frozen=True, slots=True)
class Injected:
    """The fault of a run."""

    fault: Fault
    onset_s: int
    end_s: int
    """When it is mended, or over."""
    size: float = 0.0
    """mL/h of a leak, mm of a gauge that moved; else 0."""

    def holds(self, at_s: float) -> bool:
        """Says whether the fault is there at `at_s`."""
        return self.onset_s <= at_s < self.end_s


@dataclass(frozen=True, slots=True)
class FloatSeen:
    """A float as the settings know it."""

    name: str
    height_mm: float
    differential_mm: float | None
    """None: the keeper does not know it."""


@dataclass(frozen=True, slots=True)
class GaugeSeen:
    """The chamber's gauge as the settings know it."""

    noise_mm: float
    resolution_mm: float
    every_s: int


@dataclass(frozen=True, slots=True)
class TopUpSeen:
    """An automatic top-up as its keeper would state it."""

    reservoir_ml: float
    length_mm: float
    width_mm: float
    """The reservoir's inside, as its keeper has measured it."""
    gauge: str
    low_float: str
    switch: str
    """Channels that see it; each is empty where there is none."""
    gauge_noise_mm: float
    gauge_step_mm: float
    rate_ml_min: float
    """What its pump brings, as printed on it or measured once."""


@dataclass(frozen=True, slots=True)
class Household:
    """What the settings of a household would know. A watch may read all of this."""

    kind: Kind
    volume_l: float
    length_mm: float
    width_mm: float
    """The chamber as its keeper has measured it."""
    surface_mm: tuple[float, float] | None
    """All open water; None where it is not stated."""
    lowest_safe_mm: float
    highest_safe_mm: float
    heater_w: float
    probes: tuple[str, ...]
    room: bool
    humidity: bool
    gauge: GaugeSeen | None
    floats: tuple[FloatSeen, ...]
    looks: bool
    """Whether floats and switches are looked at every second, and a reading is a share."""
    contacts_every_s: int
    """How often floats and switches are read."""
    top_up: TopUpSeen | None
    start: date
    zone: str = "UTC"

    def hour(self, at_s: float) -> float:
        """Returns the local hour, 0 to 24."""
        return (at_s / HOUR_S) % 24.0

    def utc_ms(self, at_s: float) -> int:
        """Returns a time of the run as milliseconds since 1970, UTC."""
        return utc_ms(self.start, at_s)


@dataclass(frozen=True, slots=True)
class Note:
    """A line of the journal."""

    at_s: int
    """When the deed was done, as the keeper states it."""
    kind: str
    value: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Truth:
    """What is so at the end of a minute. Volumes that say "so far" count from the run's begin."""

    level_mm: float
    """Of the chamber's water, without ripple."""
    missing_ml: float
    """What would have to be poured to stand at the fill mark while the pump runs."""
    evaporated_ml: float
    """So far, from all surfaces."""
    leaked_ml: float
    """So far, onto the floor: leaks, and what spilled over the rim."""
    poured_ml: float
    """So far, by hand: fresh or salt water, less what was taken out."""
    dosed_ml: float
    """So far, out of the reservoir into the water."""
    swelled_ml: float
    """So far, because the water has become warmer."""
    stored_ml: float
    """All water in tank and chamber, above that of the first moment."""
    reservoir_ml: float
    pump_runs: bool
    water_c: float
    fault: bool
    """Whether the injected fault is there now."""
    shows: bool
    """Whether it alters now what an instrument could see: a float that hangs where it should be
    anyway shows nothing."""
    hands: bool
    """Whether somebody was at the tank in this minute."""


@dataclass(frozen=True, slots=True)
class Row:
    """One minute."""

    at_s: int
    values: Mapping[str, float | None]
    """By channel, those that were due. None: it was asked and did not answer."""
    notes: tuple[Note, ...]
    """What was written down in this minute."""
    truth: Truth


@dataclass(frozen=True, slots=True)
class Hidden:
    """What no keeper knows of the instruments. Standard deviations of one reading, as volumes; 0
    where there is no such instrument."""

    flaws: frozenset[str]
    """Floats that chatter or hang now and then all the time."""
    gauge_ml: float
    """Of the gauge in the chamber, ripple and steps included."""
    reservoir_ml: float
    """Of the gauge in the reservoir."""
    doses_ml: float
    """By how much what is there scatters from dose to dose, because the surface ripples where the
    machine looks."""
    reservoir_area: float
    """By which share the reservoir's area is stated wrongly; its spread, not its value."""


@dataclass(frozen=True, slots=True)
class Run:
    """The life of a household for some days. May be gone through more than once, always with the
    same rows."""

    household: Household
    injected: Injected | None
    """For judges only. None: nothing is injected."""
    days: float
    hidden: Hidden
    """For judges only."""
    rows: Callable[[], Iterator[Row]]

    def __iter__(self) -> Iterator[Row]:
        return self.rows()
