"""The worlds: each draws a house, a tank and its devices by the seed, and lives it.

Every kind of draw has a stream of random numbers of its own, so that a fault changes nothing but
what it changes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random

from tanks import nodes, slab
from tanks.body import Body
from tanks.controls import Control
from tanks.draw import WATTS_A_LITRE, Tank, drawn_night, drawn_powers, drawn_tank
from tanks.habits import befall, habits
from tanks.life import Devices, Setup, live, misdeeds
from tanks.probes import in_air, in_water
from tanks.rooms import Air, House, bend, drawn_house, quick_room, smooth_room
from tanks.trace import (
    DAY_S,
    PROBES,
    Fault,
    Heater,
    Household,
    Injected,
    Run,
    Seed,
    World,
    befalls,
)

_OF_CHILLERS = {Fault.CHILLER_DEAD, Fault.CHILLER_STUCK_ON}
_KINDS = {
    Heater.THERMOSTAT: 4,
    Heater.PROPORTIONAL: 2,
    Heater.SEVERAL: 2,
    Heater.SCHEDULE: 2,
    Heater.NONE: 1,
}
"""How often each kind is drawn where none is asked for."""

Room = Callable[[Random, House, date, int, tuple[int, int] | None], Air]


@dataclass(frozen=True, slots=True)
class Simulated:
    """A world made of a model of the room, of the water, and of the controls."""

    name: str
    room: Room
    body: Callable[[Random, Tank, int], Body]
    control: Callable[[Random, Heater, int, bool], Control]

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
        """Returns the life of the tank that `seed` draws; see `trace.World`."""
        stream = _streams(self.name, seed)
        kind = _kind(stream("kind"), fault, heater)
        injected = _injected(stream("times"), days, fault, onset_s, lasts_s)
        chilled = True if fault in _OF_CHILLERS else chiller
        tank = drawn_tank(stream("tank"))
        tank.every_s = every_s or tank.every_s
        setup = self._setup(stream, tank, kind, days, injected, chilled)
        return Run(setup.household, injected, days, lambda: live(setup, days))

    def _setup(
        self,
        stream: Callable[[str], Random],
        tank: Tank,
        kind: Heater,
        days: float,
        injected: Injected | None,
        chiller: bool | None,
    ) -> Setup:
        minutes = int(days * 1_440) + 2
        body = self.body(stream("body"), tank, 3)
        air, start, absent, needed = self._home(stream("home"), tank, body, kind, minutes, chiller)
        climate = _climate(air)
        rng = stream("devices")
        tank.setting_c = round(_setting(rng, kind, body, tank, climate), 1)
        chills_at, chills_w = _chiller(rng, body, tank, kind, climate, chiller)
        tank.night = drawn_night(rng, kind, tank.setting_c)
        powers = drawn_powers(rng, kind, tank.stated_l, needed(tank.setting_c))
        watts = tuple(power * rng.uniform(0.92, 1.03) for power in powers)
        kept = habits(stream("habits"), tank, minutes, absent)
        befall(kept, injected, tank, stream("befalls"))
        bend(air, injected, stream("bends"))
        makes = stream("controls")
        cooler = self.control(makes, kind, 0, False)
        devices = Devices(
            [self.control(makes, kind, index, True) for index in range(len(powers))],
            cooler if chills_at is not None else None,
        )
        body.settle(tank.setting_c)
        warmest = 0.0 if chills_at else _rest_c(body, tank, climate[2], climate[3])
        errs_c = max((heater.error_c for heater in devices.heaters), default=0.0)
        household = _household(
            rng, tank, kind, powers, (chills_at, chills_w), start, warmest, errs_c
        )
        return Setup(
            household=household,
            injected=injected,
            tank=tank,
            body=body,
            air=air,
            habits=kept,
            devices=devices,
            watts=watts,
            chills_w=(chills_w or 0.0) * rng.uniform(0.85, 1.05),
            chills_less=rng.uniform(0.005, 0.025),
            probes=tuple(
                in_water(stream(name), _place(stream(name + "/place"))) for name in household.probes
            ),
            room_probe=in_air(stream("room probe")),
            near_tank=stream("near").choice((0.0, 0.05, 0.2)),
            misdeeds=misdeeds(stream("misdeeds")),
        )

    def _home(
        self,
        rng: Random,
        tank: Tank,
        body: Body,
        kind: Heater,
        minutes: int,
        chiller: bool | None,
    ) -> tuple[Air, date, tuple[int, int] | None, Callable[[float], float]]:
        """Returns a house in which such a tank is kept: one that its heater, of at most the usual
        power, can keep warm, and a warm one where a chiller is asked for; with what is needed in
        its cold hours to hold a setting."""
        for _ in range(12):
            house = drawn_house(rng)
            start = date(2026, 1, 1) + timedelta(days=rng.randrange(365))
            absent = _absent(rng, minutes)
            air = self.room(Random(rng.random()), house, start, minutes, absent)
            cold, mean, _, vapour = _climate(air)

            def needed(t_c: float, cold: float = cold, vapour: float = vapour) -> float:
                return body.loss_w(t_c, cold, 0.8 * vapour, 0.05) - tank.pump_w

            warm = not chiller or _rest_c(body, tank, mean, vapour) > 22.0
            held = kind is Heater.NONE or 1.3 * needed(25.5) < WATTS_A_LITRE[1] * tank.stated_l
            if warm and held:
                break
        return air, start, absent, needed


def _streams(name: str, seed: Seed) -> Callable[[str], Random]:
    return lambda what: Random(f"{name}/{seed}/{what}")


def _kind(rng: Random, fault: Fault, heater: Heater | None) -> Heater:
    may = befalls(fault)
    drawn = rng.choices(may, [_KINDS[kind] for kind in may])[0]
    if heater is None:
        return drawn
    if heater not in may:
        raise ValueError(f"A tank with the heater '{heater}' can't have the fault '{fault}'.")
    return heater


def _injected(
    rng: Random, days: float, fault: Fault, onset_s: int | None, lasts_s: int | None
) -> Injected | None:
    early, lasts = rng.uniform(0.40, 0.48), rng.uniform(3.0, 4.0)
    if fault is Fault.NONE:
        return None
    onset = int(early * days * DAY_S) if onset_s is None else onset_s
    end = onset + (int(lasts * DAY_S) if lasts_s is None else lasts_s)
    after = 0 if lasts_s is not None else 2 * DAY_S
    if end + after > days * DAY_S:
        raise ValueError(f"{days} days are too few for a fault that ends after {end / DAY_S:.1f}.")
    return Injected(fault, onset, end)


def _absent(rng: Random, minutes: int) -> tuple[int, int] | None:
    away, lasts = rng.random() < 0.2, int(rng.uniform(2, 5) * 1_440)
    begins = int(rng.random() * minutes)
    return (begins, begins + lasts) if away else None


def _climate(air: Air) -> tuple[float, float, float, float]:
    """Returns the room in its cold hours, in the mean, in its warm hours, and its mean vapour."""
    ordered = sorted(air.room_c)
    count = len(ordered)
    return (
        ordered[count // 50],
        sum(ordered) / count,
        ordered[-1 - count // 50],
        sum(air.vapour_pa) / count,
    )


def _rest_c(body: Body, tank: Tank, room_c: float, vapour_pa: float) -> float:
    """Returns where the water comes to rest without heater and chiller, by bisection."""
    lamp = tank.lamp_w * (tank.lamp_hours[1] - tank.lamp_hours[0]) / 24 if tank.lamp_hours else 0.0
    low, high = room_c - 10.0, room_c + 20.0
    for _ in range(20):
        middle = 0.5 * (low + high)
        if body.loss_w(middle, room_c, vapour_pa, 0.05) < tank.pump_w + lamp:
            low = middle
        else:
            high = middle
    return low


def _setting(
    rng: Random,
    kind: Heater,
    body: Body,
    tank: Tank,
    climate: tuple[float, float, float, float],
) -> float:
    """Returns 24 to 26.5 degC, for one heated tank in five 19 to 22 where the room allows it;
    without a heater where the water rests by itself."""
    setting, cool = rng.uniform(24.0, 26.5), rng.uniform(19.0, 22.0)
    cool_one = rng.random() < 0.2
    rest = _rest_c(body, tank, climate[1], climate[3])
    if kind is Heater.NONE:
        return rest
    return cool if cool_one and rest < cool else setting


def _chiller(
    rng: Random,
    body: Body,
    tank: Tank,
    kind: Heater,
    climate: tuple[float, float, float, float],
    asked: bool | None,
) -> tuple[float | None, float | None]:
    """Returns a chiller's setting and power: on most tanks that would grow too warm, on few others,
    at 1 to 4 W/L."""
    _, mean, warm, vapour = climate
    hot = _rest_c(body, tank, warm, vapour) > tank.setting_c + 1.0
    has = rng.random() < (0.6 if hot else 0.08)
    above, spare, least = rng.uniform(0.9, 2.2), rng.uniform(1.3, 2.5), rng.uniform(1.0, 2.5)
    below = rng.uniform(0.3, 2.5)
    if not (has if asked is None else asked):
        return None, None
    at = tank.setting_c + above
    if asked or kind is Heater.NONE:  # It has work to do: the tank is kept cooler than it rests.
        at = min(at, _rest_c(body, tank, mean, vapour) - below)
        tank.setting_c = round(at if kind is Heater.NONE else at - above, 1)
    lamp = tank.lamp_w if tank.lamp_hours else 0.0
    gains = tank.pump_w + lamp + 0.5 * tank.sun_w - body.loss_w(at, warm, vapour, 0.05)
    watts = min(4.0 * tank.stated_l, max(least * tank.stated_l, spare * gains))
    return round(at, 1), float(round(watts / 5) * 5)


def _household(
    rng: Random,
    tank: Tank,
    kind: Heater,
    powers: tuple[float, ...],
    chiller: tuple[float | None, float | None],
    start: date,
    warmest_c: float,
    errs_c: float,
) -> Household:
    """Returns what the settings know. Keepers have seen on a thermometer where the water is kept,
    and most have learned how warm it grows in their room: the band has room for both; a few have
    not learned the second."""
    chills_at, chills_w = chiller
    lowest = min(tank.setting_c, tank.night[2] if tank.night else tank.setting_c)
    highest = max(tank.setting_c, chills_at or tank.setting_c)
    wide = 1.0 if kind is not Heater.NONE else 2.0
    band = (
        lowest + min(0.0, errs_c) - wide * rng.uniform(0.9, 2.0),
        highest + max(0.0, errs_c) + wide * rng.uniform(0.9, 2.0),
    )
    if rng.random() < 0.85:
        band = (band[0], max(band[1], warmest_c + rng.uniform(0.5, 1.5)))
    return Household(
        volume_l=tank.stated_l,
        heater=kind,
        powers_w=powers,
        setting_c=tank.setting_c,
        night=tank.night,
        chiller_w=chills_w,
        chiller_setting_c=chills_at,
        fan_hours=tank.fan_hours,
        lamp_hours=tank.lamp_hours,
        lamp_switch=tank.lamp_switch,
        band_c=(round(band[0], 1), round(band[1], 1)),
        every_s=tank.every_s,
        probes=PROBES[: tank.probes],
        room_probe=tank.room_probe,
        start=start,
    )


def _place(rng: Random) -> int:
    return 1 if rng.random() < 0.35 else 0


NODES = Simulated("nodes", smooth_room, nodes.nodes, nodes.control)
SLAB = Simulated("slab", quick_room, slab.slab, slab.control)

WORLDS: tuple[World, ...] = (NODES, SLAB)
