"""The life of one tank, row by row: controls decide, faults change what they decide, the body
moves on, and the probes are read. The world decides which body, room and controls it has."""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from random import Random

from tanks.body import Body
from tanks.controls import Control
from tanks.draw import Tank
from tanks.habits import Habits
from tanks.probes import Probe
from tanks.rooms import Air
from tanks.trace import LAMP, ROOM, Fault, Household, Injected, Row, Truth

_LONGEST_S = 30.0
_ALL_DEAD = {Fault.HEATER_DEAD, Fault.MAINS_LOST}
_OF_DEVICES = {
    Fault.HEATER_DEAD,
    Fault.HEATER_WEAK,
    Fault.HEATER_STUCK_ON,
    Fault.RELAY_STICKS,
    Fault.DIAL_UP,
    Fault.DIAL_DOWN,
    Fault.ONE_DEAD,
    Fault.CHILLER_DEAD,
    Fault.CHILLER_STUCK_ON,
    Fault.MAINS_LOST,
}
_OF_PROBES = {Fault.PROBE_OUT, Fault.PROBE_DRIFTS, Fault.PROBE_STUCK, Fault.PROBE_NOISY}


@dataclass(slots=True)
class Devices:
    """The controls of a tank, and their state in the last step."""

    heaters: list[Control]
    chiller: Control | None
    shares: list[float] = field(default_factory=list)
    cools: float = 0.0

    def __post_init__(self) -> None:
        self.shares = [0.0] * len(self.heaters)


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything that a run begins with."""

    household: Household
    injected: Injected | None
    tank: Tank
    body: Body
    air: Air
    habits: Habits
    devices: Devices
    watts: tuple[float, ...]
    """The true power of each heater."""
    chills_w: float
    chills_less: float
    """The share by which a chiller is weaker for each K of the room above 25 degC."""
    probes: tuple[Probe, ...]
    room_probe: Probe
    near_tank: float
    """The share of the water's warmth that a probe in the air feels."""
    misdeeds: Misdeeds


@dataclass(slots=True)
class Misdeeds:
    """How bad a fault is, drawn whether it comes or not."""

    rng: Random
    weak: float
    dial_k: float
    sticks: float
    """The chance that a relay does not open."""
    logger_too: bool
    """Whether the logger loses its power with the tank."""
    until_s: float = -1.0
    was_on: bool = False


def misdeeds(rng: Random) -> Misdeeds:
    """Returns a weak share of 0.3 to 0.7, a dial moved by 1 to 3 K, a relay that sticks at 5 to 30
    in 100 of its openings."""
    return Misdeeds(
        rng,
        rng.uniform(0.3, 0.7),
        rng.uniform(1.0, 3.0),
        rng.uniform(0.05, 0.3),
        rng.random() < 1 / 3,
    )


class _Life:
    """One run of a `Setup`."""

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._body = deepcopy(setup.body)
        self._devices = deepcopy(setup.devices)
        self._sound: Devices | None = None
        """The state that sound devices would have, kept from the onset to the end of a fault."""
        self._probes = deepcopy(setup.probes)
        self._room_probe = deepcopy(setup.room_probe)
        self._misdeeds = deepcopy(setup.misdeeds)
        self._blowing = False
        self._sums = [0.0] * (len(setup.watts) + 6)
        self._disturbed = False
        self._pumping = True

    def rows(self, days: float) -> Iterator[Row]:
        """Yields the rows of `days`."""
        household = self._setup.household
        every = household.every_s
        parts = max(1, round(every / _LONGEST_S))
        dt = every / parts
        yield self._row(0, 0.0, every)
        for at in range(every, int(days * 86_400), every):
            for part in range(parts):
                self._step(at - every + part * dt, dt)
            fault = self._fault(at)
            mute = fault is Fault.MAINS_LOST and self._misdeeds.logger_too
            row = self._row(at, 1.0 / every, every)
            if self._setup.habits.powered[at // 60] and not mute:
                yield row

    def _fault(self, at_s: float) -> Fault:
        injected = self._setup.injected
        return injected.fault if injected is not None and injected.holds(at_s) else Fault.NONE

    def _step(self, at_s: float, dt: float) -> None:
        setup, body = self._setup, self._body
        habits, air = setup.habits, setup.air
        minute = int(at_s) // 60
        fault = self._fault(at_s)
        if fault in _OF_DEVICES and self._sound is None:
            self._sound = deepcopy(self._devices)
        elif fault not in _OF_DEVICES and self._sound is not None:
            self._devices, self._sound = self._sound, None
        mains = habits.powered[minute] == 1
        live = mains and fault is not Fault.MAINS_LOST
        room_c = air.room_c[minute]
        setting = setup.tank.setting_c + habits.night_k[minute]
        chills = setup.chills_w * max(0.3, 1.0 - setup.chills_less * max(0.0, room_c - 25.0))
        plugged = mains and habits.plugged[minute] == 1
        heats, cools = self._decide(at_s, dt, setting, fault, plugged, live, chills)
        pumping = habits.pumping[minute] == 1 and live
        lamp = habits.lamp_w[minute] if live else 0.0
        sun = habits.sun_w[minute]
        pump = setup.tank.pump_w if pumping else 0.0
        speed = air.speed_m_s[minute] + (self._fan(minute) if live else 0.0)
        pour = habits.pours.get(minute) if at_s - 60.0 * minute < dt else None
        if pour is not None:
            body.pour(pour[0], room_c if pour[1] is None else pour[1])
        body.step(
            dt,
            room_c,
            air.vapour_pa[minute],
            speed,
            habits.covered[minute] == 1,
            heats,
            cools,
            lamp,
            sun,
            pump,
            pumping,
        )
        sums = self._sums
        for index, power in enumerate(heats, 6):
            sums[index] += power * dt
        sums[0] += cools * dt
        sums[1] += pump * dt
        sums[2] += lamp * dt
        sums[3] += sun * dt
        sums[4] += body.evaporation_w * dt
        self._pumping = pumping
        if habits.disturbed[minute] or air.window[minute]:
            self._disturbed = True

    def _decide(
        self,
        at_s: float,
        dt: float,
        setting: float,
        fault: Fault,
        plugged: bool,
        live: bool,
        chills: float,
    ) -> tuple[list[float], float]:
        """Returns what each heater gives and what the chiller takes, W, and books what is wrong."""
        setup, devices = self._setup, self._devices
        body = self._body
        seen = [body.seen_by_heater(index, share) for index, share in enumerate(devices.shares)]
        if self._sound is None:
            wants, cools = self._wanted(devices, dt, seen, setting)
            heats = [w * p if plugged else 0.0 for w, p in zip(wants, setup.watts, strict=True)]
            return heats, cools * chills if live else 0.0
        dial = self._misdeeds.dial_k
        moved = {Fault.DIAL_UP: dial, Fault.DIAL_DOWN: -dial}.get(fault, 0.0)
        wants, cools = self._wanted(devices, dt, seen, setting + moved)
        meant, meant_cools = self._wanted(self._sound, dt, seen, setting)
        wants = self._bent(fault, wants, at_s)
        devices.shares = wants
        if fault is Fault.CHILLER_DEAD or not live:
            cools = 0.0
        elif fault is Fault.CHILLER_STUCK_ON:
            cools = 1.0
        heats = [w * p if plugged else 0.0 for w, p in zip(wants, setup.watts, strict=True)]
        sound = sum(w * p if plugged else 0.0 for w, p in zip(meant, setup.watts, strict=True))
        wrong = sum(heats) - sound - (cools - meant_cools) * chills
        self._sums[5] += wrong * dt
        return heats, cools * chills

    def _wanted(
        self, devices: Devices, dt: float, seen: list[float], setting: float
    ) -> tuple[list[float], float]:
        devices.shares = [
            heater.share(each, setting, dt)
            for heater, each in zip(devices.heaters, seen, strict=True)
        ]
        chills_at = self._setup.household.chiller_setting_c
        if devices.chiller is not None and chills_at is not None:
            devices.cools = devices.chiller.share(-self._body.water_c, -chills_at, dt)
        return devices.shares, devices.cools

    def _bent(self, fault: Fault, wants: list[float], at_s: float) -> list[float]:
        bad = self._misdeeds
        if fault in _ALL_DEAD:
            return [0.0] * len(wants)
        if fault is Fault.HEATER_WEAK:
            return [want * bad.weak for want in wants]
        if not wants:
            return wants
        if fault is Fault.ONE_DEAD:
            return [0.0, *wants[1:]]
        if fault is Fault.HEATER_STUCK_ON:
            return [1.0, *wants[1:]]
        if fault is Fault.RELAY_STICKS:
            opens = bad.was_on and wants[0] == 0.0
            bad.was_on = wants[0] > 0.0
            if opens and at_s >= bad.until_s and bad.rng.random() < bad.sticks:
                bad.until_s = at_s + bad.rng.uniform(3_600.0, 14_400.0)
            if at_s < bad.until_s:
                return [1.0, *wants[1:]]
        return wants

    def _fan(self, minute: int) -> float:
        tank = self._setup.tank
        if tank.fan_own_k is None:
            return self._setup.habits.fan_m_s[minute]
        above = self._body.water_c - tank.setting_c - tank.fan_own_k
        self._blowing = above > (-0.3 if self._blowing else 0.0)
        return tank.fan_m_s if self._blowing else self._setup.habits.fan_m_s[minute]

    def _row(self, at: int, per_s: float, every: int) -> Row:
        setup, body = self._setup, self._body
        room_c = setup.air.room_c[at // 60]
        fault = self._fault(at)
        since = at - setup.injected.onset_s if setup.injected is not None else 0.0
        beside = room_c + setup.near_tank * (body.water_c - room_c)
        values: dict[str, float | None] = {}
        for index, (name, probe) in enumerate(
            zip(setup.household.probes, self._probes, strict=True)
        ):
            befallen = fault if index == 0 and fault in _OF_PROBES else Fault.NONE
            seen = body.seen_by_probe(probe.place)
            values[name] = probe.read(seen, at, every, befallen, beside, since)
        if setup.household.room_probe:
            values[ROOM] = self._room_probe.read(beside, at, every, Fault.NONE, room_c, 0.0)
        if setup.household.lamp_switch:
            values[LAMP] = 1.0 if setup.habits.lamp_w[at // 60] > 0.0 else 0.0
        sums, self._sums = self._sums, [0.0] * len(self._sums)
        disturbed, self._disturbed = self._disturbed, False
        truth = Truth(
            water_c=body.water_c,
            room_c=room_c,
            heaters_w=tuple(each * per_s for each in sums[6:]),
            chiller_w=sums[0] * per_s,
            pump_w=sums[1] * per_s,
            lamp_w=sums[2] * per_s,
            sun_w=sums[3] * per_s,
            evaporation_w=sums[4] * per_s,
            wrong_w=sums[5] * per_s,
            fault=fault is not Fault.NONE,
            pump_runs=self._pumping,
            disturbed=disturbed,
        )
        return Row(at, values, truth)


def live(setup: Setup, days: float) -> Iterator[Row]:
    """Yields the rows of a tank's life; the setup itself stays as it is."""
    return _Life(setup).rows(days)
