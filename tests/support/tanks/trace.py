"""The form in which a simulated or a recorded tank is handed to whoever watches or judges its heat.

A run gives one row a time of reading: what the probes said, and beside it the truth, which only
judges may look at. Times are whole seconds from the midnight, local time, at which the run begins.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from typing import Literal, NewType, Protocol

DAY_S = 86_400
HOUR_S = 3_600

PROBES = ("probe-a", "probe-b", "probe-c", "probe-d")
"""Names of the channels in the water; a tank has the first one to four of them, in degC."""
ROOM = "room"
"""Name of the channel in the air of the room, in degC."""
LAMP = "lamp"
"""Name of the channel that says whether the lamp is switched on, 1.0 or 0.0."""

Seed = NewType("Seed", int)


def seeds(purpose: Literal["choose", "report"], count: int) -> tuple[Seed, ...]:
    """Returns the seeds of `count` tanks. What is chosen, tuned or looked at while a watch is made
    uses "choose" (even numbers); a figure that is reported uses "report" (odd numbers) only. No
    other function makes a seed."""
    first = {"choose": 0, "report": 1}[purpose]
    return tuple(Seed(first + 2 * index) for index in range(count))


class Heater(StrEnum):
    """What warms a tank."""

    THERMOSTAT = "thermostat"
    PROPORTIONAL = "proportional"
    """A controller that gives a share of the power, continuously or in pulses."""
    SEVERAL = "several"
    """Two or three thermostats, each with points of its own."""
    SCHEDULE = "schedule"
    """A thermostat with another setting at night."""
    NONE = "none"


class Fault(StrEnum):
    """What is wrong, or only unusual, from `Injected.onset_s` until `Injected.end_s`."""

    NONE = "none"
    HEATER_DEAD = "heater dead"
    """Every heater gives nothing."""
    HEATER_WEAK = "heater weak"
    """Every heater gives 0.3 to 0.7 of its power."""
    HEATER_STUCK_ON = "heater stuck on"
    """The first heater is on whatever its thermostat says."""
    RELAY_STICKS = "relay sticks"
    """The first heater fails to switch off now and then, for an hour or more."""
    DIAL_UP = "dial moved up"
    DIAL_DOWN = "dial moved down"
    ONE_DEAD = "one of several dead"
    """The first of several heaters gives nothing; the others go on."""
    CHILLER_DEAD = "chiller dead"
    CHILLER_STUCK_ON = "chiller stuck on"
    PUMP_STOPPED = "pump stopped"
    MAINS_LOST = "mains lost"
    """Heater, chiller, pump, lamp and fan are without power. On some tanks the logger too: then
    there are no rows."""
    PROBE_OUT = "probe out of the water"
    """The first probe hangs in the air."""
    PROBE_DRIFTS = "probe drifts"
    PROBE_STUCK = "probe stuck"
    PROBE_NOISY = "probe noisy"
    ROOM_COLD = "room cold"
    """A cold snap or a dead central heating: no fault of the tank's devices."""
    ROOM_HOT = "room hot"
    SUN_HOT = "sun hot"
    """More sun on the pane than ever before: no fault of the tank's devices."""
    LAMP_HOT = "lamp hot"
    """The lamp gives more heat than before: no fault of the heater."""


@dataclass(frozen=True, slots=True)
class Injected:
    """The fault of a run."""

    fault: Fault
    onset_s: int
    end_s: int
    """When it is mended, or over."""

    def holds(self, at_s: float) -> bool:
        """Says whether the fault is there at `at_s`."""
        return self.onset_s <= at_s < self.end_s


def utc_ms(start: date, at_s: float) -> int:
    """Returns a time of a run that began at the midnight of `start` as milliseconds since 1970."""
    midnight = datetime(start.year, start.month, start.day, tzinfo=UTC)
    return int((midnight + timedelta(seconds=at_s)).timestamp() * 1000)


@dataclass(frozen=True, slots=True)
class Household:
    """What the settings of a tank would know about it. A watch may read all of this."""

    volume_l: float
    """As the keeper states it; what is in it differs by some per cent."""
    heater: Heater
    powers_w: tuple[float, ...]
    """As printed on each heater; empty without a heater."""
    setting_c: float
    """As the dial of the heater says, which may be wrong by half a kelvin."""
    night: tuple[float, float, float] | None
    """With a schedule: from which local hour, until which, and the setting then in degC."""
    chiller_w: float | None
    """The heat that a chiller takes out, as printed on it. None: no chiller."""
    chiller_setting_c: float | None
    fan_hours: tuple[float, float] | None
    """Local hours between which a fan blows over the water. A fan with a thermostat of its own is
    not in here: the settings do not know it."""
    lamp_hours: tuple[float, float] | None
    """Local hours between which the lamp is on."""
    lamp_switch: bool
    """Whether the channel `LAMP` is read."""
    band_c: tuple[float, float]
    """The lowest and the highest temperature that the keeper accepts."""
    every_s: int
    """How often the probes are read."""
    probes: tuple[str, ...]
    """Names of the channels in the water, the one that stands for the tank first."""
    room_probe: bool
    """Whether the channel `ROOM` is read."""
    start: date
    """The local day at whose midnight a run begins."""
    zone: str = "UTC"

    def hour(self, at_s: float) -> float:
        """Returns the local hour, 0 to 24."""
        return (at_s / HOUR_S) % 24.0

    def utc_ms(self, at_s: float) -> int:
        """Returns the time of a row as milliseconds since 1970, UTC."""
        return utc_ms(self.start, at_s)


@dataclass(frozen=True, slots=True)
class Truth:
    """What happens in the tank, for judges only. Powers are means since the row before, in W."""

    water_c: float
    """The mean of all water, weighted by volume, now."""
    room_c: float
    """The air of the room, now."""
    heaters_w: tuple[float, ...]
    """What each heater gives to the water."""
    chiller_w: float
    """What the chiller takes out, 0 or more."""
    pump_w: float
    """What pumps give."""
    lamp_w: float
    """What the lamp gives to the tank."""
    sun_w: float
    evaporation_w: float
    """What evaporation takes out."""
    wrong_w: float
    """What heaters and chiller give less what they would give now, at this temperature of the
    water, if they were sound and set as before: below 0 for a dead heater from when it should come
    on, above 0 for one that is stuck on from when it should go off. 0 without a fault of theirs."""
    fault: bool
    """Whether the injected fault is there now."""
    pump_runs: bool
    disturbed: bool
    """Whether hands, pours, a pause of the pump or an open window were at work since the row
    before."""


@dataclass(frozen=True, slots=True)
class Row:
    """One time of reading."""

    at_s: int
    values: Mapping[str, float | None]
    """By channel name. None: the probe was asked and did not answer. Every channel of the household
    is in it."""
    truth: Truth


@dataclass(frozen=True, slots=True)
class Run:
    """A tank's life for some days. May be gone through more than once, always with the same rows;
    rows come in order of time, with a gap where the logger had no power."""

    household: Household
    injected: Injected | None
    """For judges only. None: nothing is injected."""
    days: float
    rows: Callable[[], Iterator[Row]]

    def __iter__(self) -> Iterator[Row]:
        return self.rows()


class World(Protocol):
    """A way of simulating tanks, whose sizes, devices, rooms and habits are drawn by the seed."""

    @property
    def name(self) -> str: ...

    def run(
        self,
        seed: Seed,
        days: float,
        fault: Fault = Fault.NONE,
        heater: Heater | None = None,
        *,
        onset_s: int | None = None,
        lasts_s: int | None = None,
        chiller: bool | None = None,
        every_s: int | None = None,
    ) -> Run:
        """Returns the life of the tank that `seed` draws.

        The same seed, days, heater and chiller give the same tank, weather and habits with any
        fault, so that a run without one is the twin of a run with one until its onset.

        Args:
            seed: from `seeds`.
            days: length of the run.
            fault: what is injected.
            heater: the kind of heater; None draws one that `fault` may befall.
            onset_s: when it begins; by default somewhat before the middle of the run.
            lasts_s: how long it lasts; by default three to four days.
            chiller: whether it has one; None draws that. A fault of chillers has it in any case.
            every_s: how often the probes are read; None draws it.

        Raises ValueError for a fault that this kind of heater can't have, and for a run that is too
        short for the fault and, where `lasts_s` is not given, two days after it.
        """
        ...


HEATED = (Heater.THERMOSTAT, Heater.PROPORTIONAL, Heater.SEVERAL, Heater.SCHEDULE)


def befalls(fault: Fault) -> tuple[Heater, ...]:
    """Returns the kinds of heater that can have a fault; all kinds where it is not the heater's. A
    tank that has the fault of a chiller has one, and one that has a lamp's has a lamp."""
    if fault in {Fault.HEATER_DEAD, Fault.HEATER_WEAK, Fault.HEATER_STUCK_ON}:
        return HEATED
    if fault in {Fault.DIAL_UP, Fault.DIAL_DOWN}:
        return HEATED
    if fault is Fault.RELAY_STICKS:
        return (Heater.THERMOSTAT, Heater.SEVERAL, Heater.SCHEDULE)
    if fault is Fault.ONE_DEAD:
        return (Heater.SEVERAL,)
    return tuple(Heater)
