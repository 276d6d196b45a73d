"""Tanks as households have them, drawn from stated spreads. Where a spread has no source it is
common practice of the trade."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from tanks.trace import Heater

LITRES = (20.0, 400.0)
WATTS_A_LITRE = (0.5, 3.0)
EVERY_S = (10, 15, 30, 30, 30, 60, 60, 120, 300)
"""Times between readings, each as likely as the others."""


@dataclass(slots=True)
class Tank:
    """What is drawn before the world's own physics. Hours are local, 0 to 24."""

    volume_l: float
    """The volume of the water in it."""
    stated_l: float
    top_m2: float
    side_m2: float
    height_m: float
    pump_w: float
    """What pumps give to the water, and while they are off they do not."""
    lamp_w: float
    lamp_hours: tuple[float, float] | None
    lamp_ramp_min: float
    lamp_switch: bool
    sun_w: float
    """The peak on the clearest day; 0: no window."""
    sun_hour: float
    sun_half_h: float
    fan_hours: tuple[float, float] | None
    fan_m_s: float
    fan_own_k: float | None
    """A fan with a thermostat of its own blows from this far above the setting."""
    lid: bool
    pump_rests: tuple[float, float] | None
    feeding_pause: bool
    feeds_hour: float
    pour_l: float
    """The volume poured by hand on a usual day."""
    refills: bool
    """Whether a machine replaces evaporated water at once, with water at the room's temperature."""
    change_days: int
    """The interval between water changes; 0: never."""
    change_share: float
    change_cold: bool
    unplugs: bool
    every_s: int
    probes: int
    room_probe: bool
    setting_c: float = 25.0
    night: tuple[float, float, float] | None = None


def drawn_tank(rng: Random) -> Tank:
    """Returns a tank without heater and chiller, whose setting is still to be chosen."""
    litres = LITRES[0] * (LITRES[1] / LITRES[0]) ** rng.random()
    edge = (litres / 1_000.0 / 1.6) ** (1.0 / 3.0) * rng.uniform(0.92, 1.08)
    top = litres / 1_000.0 / edge
    begins = rng.uniform(7.0, 12.0)
    blows = rng.uniform(10.0, 14.0)
    tank = Tank(
        volume_l=litres * max(0.85, min(1.1, rng.gauss(0.97, 0.04))),
        stated_l=round(litres),
        top_m2=top,
        side_m2=3.3 * top**0.5 * edge * 1.25,
        height_m=edge,
        pump_w=litres * rng.uniform(0.03, 0.2),
        lamp_w=max(5.0, min(60.0, litres * 0.05 * 8.0 ** rng.random())),
        lamp_hours=(begins, begins + rng.uniform(6.0, 12.0)) if rng.random() < 0.85 else None,
        lamp_ramp_min=rng.choice((0.0, 0.0, 30.0, 60.0)),
        lamp_switch=rng.random() < 0.3,
        sun_w=litres * rng.uniform(0.2, 1.2) if rng.random() < 0.4 else 0.0,
        sun_hour=rng.uniform(8.0, 17.5),
        sun_half_h=rng.uniform(0.5, 1.2),
        fan_hours=(blows, blows + rng.uniform(3.0, 8.0)) if rng.random() < 0.12 else None,
        fan_m_s=rng.uniform(0.5, 2.0),
        fan_own_k=rng.uniform(0.7, 1.8) if rng.random() < 0.12 else None,
        lid=rng.random() < 0.2,
        pump_rests=(rng.uniform(22.0, 23.9), rng.uniform(5.0, 7.5))
        if rng.random() < 0.12
        else None,
        feeding_pause=rng.random() < 0.3,
        feeds_hour=rng.uniform(11.0, 20.0),
        pour_l=0.0,
        refills=rng.random() < 0.4,
        change_days=rng.choice((0, 7, 7, 7, 14)),
        change_share=rng.uniform(0.08, 0.25),
        change_cold=rng.random() < 0.4,
        unplugs=rng.random() < 0.5,
        every_s=rng.choice(EVERY_S),
        probes=rng.choices((1, 2, 3, 4), (5, 3, 1, 1))[0],
        room_probe=rng.random() < 0.6,
    )
    if not tank.refills:
        tank.pour_l = litres * rng.uniform(0.004, 0.015)
    return tank


def drawn_night(rng: Random, kind: Heater, setting_c: float) -> tuple[float, float, float] | None:
    """Returns the night of a schedule: from, until, and the setting then, 0.7 to 2 K lower."""
    night = (rng.uniform(20.5, 23.5), rng.uniform(5.0, 8.5), setting_c - rng.uniform(0.7, 2.0))
    return night if kind is Heater.SCHEDULE else None


def drawn_powers(rng: Random, kind: Heater, stated_l: float, needed_w: float) -> tuple[float, ...]:
    """Returns the power on each heater's label, W: `WATTS_A_LITRE`, though never less than 1.25
    times what holds the setting in the coldest usual room."""
    low, high = WATTS_A_LITRE
    watts = stated_l * low * (high / low) ** rng.random()
    spare, parts, first = rng.uniform(1.25, 1.8), rng.choice((2, 2, 3)), rng.uniform(0.3, 0.6)
    if kind is Heater.NONE:
        return ()
    watts = max(watts, needed_w * spare, 10.0)
    if kind is not Heater.SEVERAL:
        return (float(-(-watts // 5) * 5),)
    shares = (first, 1.0 - first) if parts == 2 else (0.4, 0.35, 0.25)
    return tuple(float(max(2, -(-watts * share // 5)) * 5) for share in shares)
