"""Tanks with return chambers as households have them, drawn from stated spreads. Where a spread has
no source it is common practice of the trade."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from tanks.draw import LITRES
from tanks.households.instruments import Rod, Switch, reservoir_rod, rod, switch
from tanks.households.keepers import Manners, drawn_manners
from tanks.households.story import (
    DOSED,
    RESERVOIR,
    RESERVOIR_LOW,
    RETURN,
    ROOM,
    TOP_UP,
    WATER,
    WITH_GAUGE,
    FloatSeen,
    GaugeSeen,
    Kind,
    TopUpSeen,
)
from tanks.households.top_up import Machine
from tanks.households.water import Edge, Evaporates, Hole, Water
from tanks.probes import Probe, in_air, in_water

MM_PER_K = -0.25
"""The temperature coefficient that is published for small ultrasonic and pressure gauges, mm/K."""
RULER = 0.03
"""How well the reservoir's area is measured: the standard deviation, as a share."""
_MM2 = 1e6
_FLOATS = ("float-low", "float-mid", "float-high", "float-top")
"""Names of the floats in the chamber, the lowest first."""


@dataclass(frozen=True, slots=True)
class Make:
    """What is particular to a world."""

    edge: Callable[[Random, float], Edge]
    """From the length of the tank's wall, mm."""
    hole: Callable[[Random], Hole | None]
    siphons: bool
    """Whether the return pipe drains the tank below its edge."""
    chamber_share: tuple[float, float]
    """Of all open water."""
    law: Callable[[Random], Evaporates]
    machine: Callable[[Random, float], Machine]


@dataclass(slots=True)
class Reservoir:
    """Fresh water that waits."""

    full_ml: float
    area_mm2: float
    dead_ml: float
    """What its pump cannot reach."""
    ml: float

    @property
    def mm(self) -> float:
        """The height of its water."""
        return self.ml * 1_000.0 / self.area_mm2

    @property
    def full_mm(self) -> float:
        """The same when it is full."""
        return self.full_ml * 1_000.0 / self.area_mm2


@dataclass(slots=True)
class Air:
    """What happens above the water."""

    law: Evaporates
    fan_m_s: float
    fan_hours: tuple[float, float] | None
    fan_own_k: float | None
    """It blows from this far above the heater's setting."""
    lid: float
    """What still evaporates under a lid, as a share."""


@dataclass(slots=True)
class Heat:
    """Two stirred bodies: tank and chamber."""

    tank_j_k: float
    chamber_j_k: float
    tank_w_k: float
    chamber_w_k: float
    """To the room."""
    setting_c: float
    hysteresis_k: float
    heater_w: float
    in_chamber: bool
    """Whether the heater is there."""
    pump_w: float
    lamp_w: float
    lamp_hours: tuple[float, float]
    tank_c: float = 25.0
    chamber_c: float = 25.0
    on: bool = False


@dataclass(slots=True)
class Instruments:
    """What looks, by the name of its channel."""

    gauge: Rod | None
    gauge_every: int
    """Minutes."""
    floats: dict[str, Switch]
    looks: bool
    contacts_every: int
    """Minutes between readings of floats and switches."""
    reservoir: Rod | None
    reservoir_low: Switch | None
    switch: bool
    probes: dict[str, Probe]
    """Place 0 is in the tank, 1 in the chamber."""
    room: Probe | None
    damp: tuple[float, float] | None
    """The error and the noise of a humidity sensor, percent."""
    ripple_mm: float


@dataclass(slots=True)
class Tank:
    """Everything that is drawn."""

    volume_l: float
    length_mm: float
    width_mm: float
    """The chamber's."""
    water: Water
    air: Air
    heat: Heat
    manners: Manners
    reservoir: Reservoir | None
    machine: Machine | None
    instruments: Instruments
    fades_day: float
    """The share of its flow that the pump loses in a day, until it is cleaned."""
    arm_ml: float
    seam_mm: float
    """Where a leak of the chamber would be."""


def drawn_tank(stream: Callable[[str], Random], make: Make, kind: Kind) -> Tank:
    """Returns the tank of a seed. What the kind of household changes has streams of its own."""
    rng = stream("tank")
    litres = LITRES[0] * (LITRES[1] / LITRES[0]) ** rng.random()
    deep_m = (litres / 1_000.0 / 1.6) ** (1.0 / 3.0) * rng.uniform(0.92, 1.08)
    open_mm2 = litres / 1_000.0 / deep_m * _MM2
    share = rng.uniform(*make.chamber_share)
    chamber_mm2 = share * open_mm2
    water = _water(rng, make, litres, (1.0 - share) * open_mm2, chamber_mm2)
    ways = drawn_manners(stream("manners"), litres, chamber_mm2, kind in DOSED)
    air = _air(stream("air"), make)
    usual_ml_day = air.law.mm_s(25.0, 1_250.0, 0.05) * 86.4 * open_mm2
    reservoir, machine = _dosed(stream("top-up"), make, kind, water, ways, usual_ml_day)
    wide = rng.uniform(1.2, 3.0) ** 0.5
    return Tank(
        volume_l=litres,
        length_mm=chamber_mm2**0.5 * wide,
        width_mm=chamber_mm2**0.5 / wide,
        water=water,
        air=air,
        heat=_heat(stream("heat"), litres, deep_m, share),
        manners=ways,
        reservoir=reservoir,
        machine=machine,
        instruments=_instruments(stream, kind, water, machine, reservoir),
        fades_day=rng.uniform(0.0, 0.008),
        arm_ml=rng.uniform(300.0, 700.0) * min(1.0, litres / 60.0),
        seam_mm=-rng.uniform(5.0, 25.0),
    )


def _water(rng: Random, make: Make, litres: float, tank_mm2: float, chamber_mm2: float) -> Water:
    flow = litres * 1_000.0 * rng.uniform(4.0, 11.0) / 3_600.0
    lift = rng.uniform(100.0, 400.0)
    shut = lift + rng.uniform(800.0, 2_500.0)
    hole = make.hole(rng)
    siphon = rng.choice((0.0, rng.uniform(0.5, 3.0))) if make.siphons else 0.0
    edge = make.edge(rng, (open_mm2 := tank_mm2 + chamber_mm2) ** 0.5)
    water = Water(
        tank_mm2,
        chamber_mm2,
        edge,
        hole,
        siphon,
        edge_mm=0.0,
        rim_mm=0.0,
        intake_mm=-rng.uniform(35.0, 90.0) * min(1.0, (open_mm2 / 1e5) ** 0.5),
        lift_mm=lift,
        shut_mm=shut,
        free_ml_s=flow / (1.0 - lift / shut),
    )
    over = water.steady_over_mm(flow)
    rise = (over + max(siphon, hole.below_mm if hole else 0.0)) * tank_mm2 / chamber_mm2
    water.edge_mm = rise + rng.uniform(8.0, 40.0)
    water.rim_mm = water.edge_mm + over + rng.uniform(15.0, 40.0)
    water.tank_ml = over * tank_mm2 / 1_000.0
    return water


def _air(rng: Random, make: Make) -> Air:
    begins = rng.uniform(9.0, 14.0)
    fan = rng.choices(("", "hours", "own"), (6, 2, 2))[0]
    return Air(
        law=make.law(rng),
        fan_m_s=rng.uniform(0.4, 2.0),
        fan_hours=(begins, begins + rng.uniform(3.0, 8.0)) if fan == "hours" else None,
        fan_own_k=rng.uniform(0.3, 1.2) if fan == "own" else None,
        lid=rng.uniform(0.15, 0.5),
    )


def _heat(rng: Random, litres: float, deep_m: float, share: float) -> Heat:
    side_m2 = 3.3 * (litres / 1_000.0 / deep_m) ** 0.5 * deep_m * 1.25
    begins = rng.uniform(7.0, 12.0)
    setting = rng.uniform(24.0, 26.5)
    return Heat(
        tank_j_k=litres * 4_090.0 * (1.0 - 0.7 * share),
        chamber_j_k=litres * 4_090.0 * 0.7 * share,
        tank_w_k=side_m2 * 6.0 * (1.0 - share),
        chamber_w_k=side_m2 * 6.0 * share + 0.3,
        setting_c=setting,
        hysteresis_k=rng.uniform(0.2, 0.8),
        heater_w=litres * rng.uniform(1.5, 3.0) + 20.0,
        in_chamber=rng.random() < 0.6,
        pump_w=litres * rng.uniform(0.03, 0.15),
        lamp_w=litres * rng.uniform(0.05, 0.25),
        lamp_hours=(begins, begins + rng.uniform(7.0, 11.0)),
        tank_c=setting,
        chamber_c=setting,
    )


def _dosed(
    rng: Random,
    make: Make,
    kind: Kind,
    water: Water,
    ways: Manners,
    usual_ml_day: float,
) -> tuple[Reservoir | None, Machine | None]:
    machine = make.machine(rng, 1_000.0 / water.chamber_mm2)
    full = usual_ml_day * max(1, ways.refill_days) * rng.uniform(1.5, 2.8)
    high = rng.uniform(200.0, 350.0)
    if kind not in DOSED:
        return None, None
    area = full * 1_000.0 / high
    return Reservoir(full, area, rng.uniform(4.0, 12.0) * area / 1_000.0, full), machine


def _instruments(
    stream: Callable[[str], Random],
    kind: Kind,
    water: Water,
    machine: Machine | None,
    reservoir: Reservoir | None,
) -> Instruments:
    rng = stream("instruments")
    every = rng.choice((1, 1, 2, 5))
    gauge = rod(rng, MM_PER_K if kind is Kind.GAUGE_WARM else 0.0)
    heights = _heights(stream("floats"), kind, water)
    second = rng.random() < 0.5
    place = 1 if rng.random() < 0.6 else 0
    probes = {WATER: in_water(stream("a"), 0)}
    if second:
        probes[RETURN] = in_water(stream("b"), place)
    low = rng.random() < 0.5 if kind is Kind.DOSED_GAUGE else kind is Kind.DOSED_FLOAT
    low_mm = (
        rng.uniform(0.1, 0.25) * reservoir.full_ml * 1_000.0 / reservoir.area_mm2
        if (reservoir)
        else 0.0
    )
    return Instruments(
        gauge=gauge if kind in WITH_GAUGE else None,
        gauge_every=every,
        floats={
            name: switch(stream(name), height)
            for name, height in zip(_FLOATS, heights, strict=False)
        },
        looks=rng.random() < 0.7 or kind is Kind.DOSED_SWITCH,
        contacts_every=rng.choice((1, 2, 5)),
        reservoir=reservoir_rod(stream(RESERVOIR)) if kind is Kind.DOSED_RESERVOIR else None,
        reservoir_low=switch(stream(RESERVOIR_LOW), low_mm) if low and reservoir else None,
        switch=kind is Kind.DOSED_SWITCH,
        probes=probes,
        room=in_air(stream(ROOM)) if rng.random() < 0.75 else None,
        damp=(rng.gauss(0.0, 3.0), rng.uniform(0.3, 1.5)) if rng.random() < 0.6 else None,
        ripple_mm=rng.uniform(0.3, 1.4),
    )


def _heights(rng: Random, kind: Kind, water: Water) -> list[float]:
    """Returns where the chamber's floats are, the lowest first."""
    lowest = 0.75 * water.intake_mm
    if kind is Kind.LADDER:
        step = min(rng.uniform(4.0, 9.0), -lowest / 4.0)
        top = -rng.uniform(2.0, 5.0)
        count = rng.choice((3, 4))
        return [top - step * (count - 1 - index) for index in range(count)]
    line = max(-rng.uniform(6.0, 20.0), 0.5 * lowest)
    if kind is Kind.TWO_FLOATS:
        return [line, rng.uniform(5.0, 14.0)]
    if kind is Kind.ONE_FLOAT:
        return [line]
    if kind in DOSED and kind is not Kind.DOSED_GAUGE:
        return [min(line, 0.6 * lowest, -12.0), rng.uniform(6.0, 14.0)][: rng.choice((1, 2))]
    return []


def seen_floats(rng: Random, instruments: Instruments) -> tuple[FloatSeen, ...]:
    """Returns the floats as their keeper knows them: heights within a mm, differentials on half of
    the tanks."""
    knows = rng.random() < 0.5
    return tuple(
        FloatSeen(
            name,
            round(each.height_mm + rng.gauss(0.0, 0.7), 1),
            round(each.differential_mm * rng.uniform(0.7, 1.4), 1) if knows else None,
        )
        for name, each in instruments.floats.items()
    )


def seen_gauge(rng: Random, instruments: Instruments) -> GaugeSeen | None:
    """Returns the gauge as its keeper knows it."""
    gauge = instruments.gauge
    strays = rng.uniform(0.8, 1.3)
    if gauge is None:
        return None
    noise = (gauge.noise_mm**2 + instruments.ripple_mm**2) ** 0.5
    return GaugeSeen(round(strays * noise, 1) or 0.1, gauge.step_mm, instruments.gauge_every * 60)


def seen_top_up(rng: Random, tank: Tank) -> TopUpSeen | None:
    """Returns the automatic top-up as its keeper would state it."""
    stock, machine, parts = tank.reservoir, tank.machine, tank.instruments
    off = rng.gauss(1.0, 0.03), rng.gauss(1.0, 0.05), rng.gauss(1.0, RULER)
    wide = rng.uniform(1.0, 2.0) ** 0.5
    if stock is None or machine is None:
        return None
    low, gauge = parts.reservoir_low, parts.reservoir
    return TopUpSeen(
        reservoir_ml=round(stock.full_ml * off[0], -2),
        length_mm=round(stock.area_mm2**0.5 * wide * off[2]),
        width_mm=round(stock.area_mm2**0.5 / wide),
        gauge=RESERVOIR if parts.reservoir else "",
        low_float=RESERVOIR_LOW if low else "",
        switch=TOP_UP if parts.switch else "",
        gauge_noise_mm=round(gauge.noise_mm, 1) if gauge else 0.0,
        gauge_step_mm=gauge.step_mm if gauge else 0.0,
        rate_ml_min=round(machine.rate_ml_min * off[1]),
    )
