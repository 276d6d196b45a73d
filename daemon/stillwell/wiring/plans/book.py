"""Makes the plan of the keeper's book."""

from __future__ import annotations

import datetime as dt

from stillwell.keeper.room import geometry
from stillwell.observe.plan import BookPlan
from stillwell.settings import Settings
from stillwell.wiring.plans.heat import heat_plan


def book_plan(settings: Settings) -> BookPlan:
    """Returns the plan of the keeper's book."""
    tank, book = settings.tank, settings.book
    heat = heat_plan(settings)
    of_water = heat.bands if heat else ()
    lamp = tank.lamp
    return BookPlan(
        tank_ml=tank.volume,
        zone=tank.zone,
        units=tank.units,
        target_c=(of_water[0].low + of_water[0].high) / 2 if of_water else BookPlan(0.0).target_c,
        salinity_low=book.salinity[0],
        salinity_high=book.salinity[1],
        remind=book.remind,
        remind_at=book.remind_at,
        change_share=book.water_change,
        change_every_d=_days(book.water_change_every),
        salinity_every_d=_days(book.measure_salinity_every),
        refractometer_every_d=_days(book.calibrate_refractometer_every),
        lamp_h=None if lamp is None else _hours_between(lamp.on, lamp.off),
        lamp=settings.lamp_switch or None,
        water=heat.probes if heat else (),
        room=heat.room or None if heat else None,
        chamber=geometry(tank.chamber) if tank.chamber else None,
    )


def _days(seconds: float) -> int:
    return max(1, round(seconds / 86_400))


def _hours_between(on: dt.time, off: dt.time) -> float:
    minutes = (off.hour * 60 + off.minute) - (on.hour * 60 + on.minute)
    return (minutes % 1440 or 1440) / 60
