"""The worlds: each draws a home, a tank with its chamber and what its people do, by the seed.

Every kind of draw has a stream of random numbers of its own, so that a fault changes nothing but
what it changes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random

from tanks.households.draw import (
    RULER,
    Make,
    Tank,
    drawn_tank,
    seen_floats,
    seen_gauge,
    seen_top_up,
)
from tanks.households.instruments import Rod
from tanks.households.keepers import diary
from tanks.households.life import LOOKS_AT, Setup, live
from tanks.households.story import DOSED, Fault, Hidden, Household, Injected, Kind, Run, befalls
from tanks.households.top_up import fixed_doses, one_float
from tanks.households.water import Hole, Natatorium, Notches, Transfer, Weir
from tanks.households.weather import AIRPORTS, dampen, drawn_home, first_hour, outdoors_at
from tanks.rooms import Air, House, quick_room, smooth_room
from tanks.trace import DAY_S, Seed

Room = Callable[
    [Random, House, date, int, tuple[int, int] | None, list[float] | None],
    Air,
]
Stream = Callable[[str], Random]


@dataclass(frozen=True, slots=True)
class Simulated:
    """A way of simulating households."""

    name: str
    room: Room
    make: Make

    def run(
        self,
        seed: Seed,
        days: float,
        kind: Kind,
        fault: Fault = Fault.NONE,
        *,
        size: float | None = None,
        onset_s: int | None = None,
        lasts_s: int | None = None,
        contacts_min: int | None = None,
    ) -> Run:
        """Returns the life of the household that `seed` draws.

        The same seed, days and kind give the same tank, weather and people with any fault.

        Args:
            size: mL/h of a leak; drawn where it is not given.
            onset_s: when the fault begins; by default somewhat before the middle of the run.
            lasts_s: how long it lasts; by default three to four days.
            contacts_min: how often floats and switches are read; drawn where it is not given.

        Raises ValueError for a fault that such a household can't have, and for a run that is too
        short for it.
        """
        if kind not in befalls(fault):
            raise ValueError(f"A household of the kind '{kind}' can't have the fault '{fault}'.")
        stream: Stream = lambda what: Random(f"{self.name}/{seed}/{what}")  # noqa: E731
        minutes = int(days * 1_440) + 2
        tank = drawn_tank(stream, self.make, kind)
        tank.instruments.contacts_every = contacts_min or tank.instruments.contacts_every
        injected = _injected(stream("times"), days, fault, tank, size, onset_s, lasts_s)
        start = date(2026, 1, 1) + timedelta(days=stream("start").randrange(365))
        absent = _absent(stream("absent"), minutes)
        air = self._air(stream, start, minutes, absent)
        deeds = diary(stream("diary"), tank.manners, minutes, absent, tank.arm_ml, kind in DOSED)
        household = _household(stream("household"), kind, tank, start)
        setup = Setup(household, injected, tank, air, deeds, f"{self.name}/{seed}/life")
        return Run(household, injected, days, _hidden(tank), lambda: live(setup, days))

    def _air(
        self, stream: Stream, start: date, minutes: int, absent: tuple[int, int] | None
    ) -> Air:
        rng = stream("home")
        house, outside = drawn_home(rng), outdoors_at(rng.choice(AIRPORTS))
        first = first_hour(start)
        out = [outside.hour(first + hour)[0] for hour in range(minutes // 60 + 2)]
        air = self.room(rng, house, start, minutes, absent, out)
        dampen(stream("damp"), air, house, outside, start, absent)
        return air


def _injected(
    rng: Random,
    days: float,
    fault: Fault,
    tank: Tank,
    size: float | None,
    onset_s: int | None,
    lasts_s: int | None,
) -> Injected | None:
    early, lasts = rng.uniform(0.40, 0.48), rng.uniform(3.0, 4.0)
    leaks, up = 10.0 * 20.0 ** rng.random(), rng.choice((-1.0, 1.0))
    moves, creeps, grows = rng.uniform(4.0, 15.0), rng.uniform(2.0, 5.0), rng.uniform(1.5, 4.0)
    left_days = rng.uniform(0.2, 1.0)
    if fault is Fault.NONE:
        return None
    onset = int(early * days * DAY_S) // 60 * 60 if onset_s is None else onset_s
    end = onset + (int(lasts * DAY_S) // 60 * 60 if lasts_s is None else lasts_s)
    if end > days * DAY_S:
        raise ValueError(f"{days} days are too few for a fault that ends after {end / DAY_S:.1f}.")
    if fault is Fault.RESERVOIR_EMPTY and tank.reservoir is not None:
        a_day = (tank.reservoir.full_ml - tank.reservoir.dead_ml) / 2.0
        a_day /= max(1, tank.manners.refill_days)
        return Injected(fault, onset, end, left_days * a_day)
    sizes = {
        Fault.LEAK: leaks,
        Fault.LEAK_ABOVE: leaks,
        Fault.GAUGE_MOVED: up * moves,
        Fault.GAUGE_DRIFTS: up * creeps,
        Fault.FLOAT_HEAVY: grows,
    }
    drawn = sizes.get(fault, 0.0)
    return Injected(fault, onset, end, drawn if size is None or not drawn else size)


def _hidden(tank: Tank) -> Hidden:
    parts, area, stock = tank.instruments, tank.water.chamber_mm2 / 1_000.0, tank.reservoir
    in_stock = stock.area_mm2 / 1_000.0 if stock is not None else 0.0
    return Hidden(
        flaws=frozenset(n for n, each in parts.floats.items() if each.chatters or each.sticks),
        gauge_ml=_strays_mm(parts.gauge, parts.ripple_mm) * area,
        reservoir_ml=_strays_mm(parts.reservoir, 0.0) * in_stock,
        doses_ml=LOOKS_AT * parts.ripple_mm * area if tank.machine is not None else 0.0,
        reservoir_area=RULER,
    )


def _strays_mm(gauge: Rod | None, ripple_mm: float) -> float:
    """Returns the standard deviation of a reading; the step's own is its width over the root of
    12."""
    if gauge is None:
        return 0.0
    return float((gauge.noise_mm**2 + ripple_mm**2 + gauge.step_mm**2 / 12.0) ** 0.5)


def _absent(rng: Random, minutes: int) -> tuple[int, int] | None:
    """Returns a holiday of 4 to 12 days; one in ninety days on average, none in short runs."""
    away, lasts = rng.random() < minutes / 1_440 / 90.0, int(rng.uniform(4, 12) * 1_440)
    begins = int(rng.uniform(0.1, 0.9) * minutes) // 1_440 * 1_440 + 600
    return (begins, begins + lasts) if away and minutes > 10 * 1_440 else None


def _household(rng: Random, kind: Kind, tank: Tank, start: date) -> Household:
    water, heat = tank.water, tank.heat
    ruler, states = (rng.gauss(1.0, 0.025), rng.gauss(1.0, 0.025)), rng.random() < 0.5
    open_mm2 = water.tank_mm2 + water.chamber_mm2
    side = (open_mm2 * 1.6) ** 0.5
    heater_w = float(round(heat.heater_w / 5.0) * 5)
    safe = water.intake_mm + rng.uniform(14.0, 20.0)
    rise = water.edge_mm - water.over_mm * water.tank_mm2 / water.chamber_mm2
    return Household(
        kind=kind,
        volume_l=float(round(tank.volume_l)),
        length_mm=round(tank.length_mm * ruler[0]),
        width_mm=round(tank.width_mm * ruler[1]),
        surface_mm=(round(side), round(open_mm2 / side)) if states else None,
        lowest_safe_mm=min(-8.0, round(safe)),
        highest_safe_mm=max(5.0, round(0.8 * rise)),
        heater_w=heater_w,
        probes=tuple(tank.instruments.probes),
        room=tank.instruments.room is not None,
        humidity=tank.instruments.damp is not None,
        gauge=seen_gauge(rng, tank.instruments),
        floats=seen_floats(rng, tank.instruments),
        looks=tank.instruments.looks,
        contacts_every_s=60 * tank.instruments.contacts_every,
        top_up=seen_top_up(rng, tank),
        start=start,
    )


WEIR = Simulated(
    "weir",
    smooth_room,
    Make(
        edge=lambda rng, wall: Weir(wall * rng.uniform(0.5, 1.2) * rng.uniform(0.5, 1.0)),
        hole=lambda _rng: None,
        siphons=True,
        chamber_share=(0.07, 0.2),
        law=lambda rng: Natatorium(rng.uniform(0.4, 0.95)),
        machine=one_float,
    ),
)
"""A straight edge, a return pipe that drains the tank a little further, a float that tops up."""

NOTCHES = Simulated(
    "notches",
    quick_room,
    Make(
        edge=lambda rng, wall: Notches(round(wall / rng.uniform(9.0, 16.0))),
        hole=lambda rng: Hole(rng.uniform(4.0, 25.0), rng.uniform(2.0, 8.0)),
        siphons=False,
        chamber_share=(0.14, 0.3),
        law=lambda rng: Transfer(rng.uniform(0.6, 1.5)),
        machine=fixed_doses,
    ),
)
"""A comb of notches with a bypass hole below it, through which the tank goes on draining for a
while, and an optical eye that gives fixed doses."""

WORLDS = (WEIR, NOTCHES)
