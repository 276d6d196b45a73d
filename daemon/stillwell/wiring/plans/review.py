"""Makes the plan of a review of the night."""

from __future__ import annotations

from stillwell.estimate.level.week import mark_sd_ml
from stillwell.reading import UNIT, Quantity
from stillwell.review import BandPlan
from stillwell.review_plan import ReviewPlan, Unmeasured
from stillwell.settings import Settings
from stillwell.wiring.plans.channels import limits_of, quantities
from stillwell.wiring.plans.level import level_plan, open_surface
from stillwell.wiring.plans.watch import watch_plan


def review_plan(settings: Settings) -> ReviewPlan:
    """Returns what a review looks at, and for whom."""
    measured = quantities(settings)
    heater = settings.tank.heater
    return ReviewPlan(
        tank=settings.tank.label or settings.tank.name,
        zone=settings.tank.zone,
        units=settings.tank.units,
        night_from=settings.night.from_,
        night_to=settings.night.to,
        bands=tuple(
            BandPlan(
                name=band.name,
                channels=band.channels,
                low=band.low,
                high=band.high,
                unit=UNIT[measured[band.channels[0]]],
                stale_ms=round(
                    1000 * max(limits_of(settings, channel).gap_s for channel in band.channels)
                ),
                of_water=band.of_water,
            )
            for band in watch_plan(settings).bands
        ),
        channels=measured,
        heater=None if heater is None else str(heater.kind or ""),
        chiller=settings.tank.chiller is not None,
        elsewhere=tuple(filter(None, (settings.tank.top_up.gauge,))),
        unmeasured=_unmeasured(settings),
    )


def _unmeasured(settings: Settings) -> Unmeasured | None:
    """Returns what is known of the water of a tank whose level nothing measures."""
    tank = settings.tank
    if level_plan(settings) is not None or tank.top_up.kind == "automatic":
        return None
    surface = open_surface(settings)
    damp = settings.that_measure(Quantity.HUMIDITY)
    return Unmeasured(
        water=settings.water,
        room=settings.room or "",
        humidity=damp[0] if damp else "",
        surface_mm2=surface.mm2,
        expected_rel_sd=surface.tank_rel_sd,
        mark_sd_ml=mark_sd_ml(tank.chamber.area_mm2 if tank.chamber else None, surface.mm2),
    )
