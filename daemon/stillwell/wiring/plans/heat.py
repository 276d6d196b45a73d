"""Makes the plans of the heater's watch and the lamp's."""

from __future__ import annotations

from stillwell.estimate.heat import BandEdges, HeaterPlan
from stillwell.observe.lamp import LampPlan
from stillwell.settings import Settings


def heater_plan(settings: Settings) -> HeaterPlan | None:
    """Returns the plan of the heater's watch; None without a probe in the water. The probes that
    a band on the water names come first, in its order."""
    water = settings.water
    if not water:
        return None
    bands = {n: band for n, band in settings.band.items() if set(band.of) <= set(water)}
    named = [name for band in bands.values() for name in band.of]
    lamp = settings.tank.lamp
    return HeaterPlan(
        probes=tuple(dict.fromkeys((*named, *water))),
        room=settings.room,
        level=settings.gauge,
        bands=tuple(
            BandEdges(name, band.target - band.tolerance, band.target + band.tolerance)
            for name, band in bands.items()
        ),
        lamp=None if lamp is None or lamp.on == lamp.off else (lamp.on, lamp.off),
        zone=settings.tank.zone,
        units=settings.tank.units,
    )


def lamp_plan(settings: Settings) -> LampPlan | None:
    """Returns the plan of the lamp's watch; None without a lamp's hours, a probe in the water
    and one in the room."""
    heater, lamp = heater_plan(settings), settings.tank.lamp
    if heater is None or not heater.room or lamp is None or lamp.on == lamp.off:
        return None
    return LampPlan(heater.probes, heater.room, lamp.on, lamp.off, heater.zone)
