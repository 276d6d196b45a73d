"""Makes the plan of the observer of heat."""

from __future__ import annotations

import datetime as dt

from stillwell.alarm.row import Part
from stillwell.estimate.heat_balance.devices import Control, Devices, Night
from stillwell.observe.heat.plan import BandEdges, HeatPlan
from stillwell.settings import Settings


def heat_plan(settings: Settings) -> HeatPlan | None:
    """Returns the plan of the observer of heat; None without a probe in the water. The probes that
    a band on the water names come first, in its order."""
    water = settings.water
    if not water:
        return None
    bands = {n: band for n, band in settings.band.items() if set(band.of) <= set(water)}
    named = [name for band in bands.values() for name in band.of]
    lamp, fan = settings.tank.lamp, settings.tank.fan
    target_c = next((band.target for band in bands.values()), None)
    return HeatPlan(
        probes=tuple(dict.fromkeys((*named, *water))),
        room=settings.room,
        bands=tuple(
            BandEdges(name, band.target - band.tolerance, band.target + band.tolerance)
            for name, band in bands.items()
        ),
        devices=_devices(settings, target_c),
        lamp=None if lamp is None else (lamp.on, lamp.off),
        fan=None if fan is None else (fan.on, fan.off),
        lamp_switch=settings.lamp_switch,
        zone=settings.tank.zone,
    )


def _devices(settings: Settings, target_c: float | None) -> Devices:
    heater, chiller = settings.tank.heater, settings.tank.chiller
    schedule = heater.schedule if heater else None
    dial_c = chiller.setting if chiller else None
    both = heater is not None and dial_c is not None and target_c is not None
    return Devices(
        heater=None if heater is None else Control(heater.kind or Control.UNKNOWN),
        heaters_w=heater.power if heater else (),
        chiller=chiller is not None,
        chiller_w=chiller.power if chiller else None,
        volume_l=settings.tank.volume / 1000,
        night=Night(_hour(schedule.from_), _hour(schedule.to), schedule.by) if schedule else None,
        between_c=((target_c or 0.0) + (dial_c or 0.0)) / 2 if both else None,
    )


def _hour(at: dt.time) -> float:
    return at.hour + at.minute / 60


def heat_parts(settings: Settings) -> frozenset[Part]:
    """Returns the parts of the tank that are watched by their heat."""
    plan = heat_plan(settings)
    if plan is None:
        return frozenset()
    has = {
        Part.HEAT: True,
        Part.HEATER: plan.devices.heater is not None,
        Part.CHILLER: plan.devices.chiller,
        Part.LAMP: plan.sees_lamp,
    }
    return frozenset(part for part, there in has.items() if there)
