"""Makes the plans of the level's watch and the gauge's."""

from __future__ import annotations

from stillwell.estimate.level import FloatSpec, GaugeSpec
from stillwell.keeper.room import geometry
from stillwell.observe.chamber.gauge_watch import GaugePlan
from stillwell.observe.chamber.plan import FloatChannel as LevelFloat
from stillwell.observe.chamber.plan import GaugeChannel, LevelPlan
from stillwell.reading import Quantity
from stillwell.settings import FloatChannel, LevelChannel, Settings


def level_plan(settings: Settings) -> LevelPlan | None:
    """Returns the plan of the level watch; None without a chamber, or without a sensor in it."""
    chamber = settings.tank.chamber
    if chamber is None:
        return None
    floats, gauge = [], None
    for name, channel in settings.channel.items():
        if isinstance(channel, FloatChannel) and channel.height is not None:
            source = settings.source_of(name)
            usual = FloatSpec(name, channel.height)
            spec = FloatSpec(name, channel.height, channel.differential or usual.differential_mm)
            floats.append(LevelFloat(spec, channel.label, source.every, source.look))
        elif isinstance(channel, LevelChannel) and gauge is None:
            gauge = GaugeChannel(name, GaugeSpec(channel.noise, channel.resolution), channel.label)
    if gauge is None and not floats:
        return None
    damp = settings.that_measure(Quantity.HUMIDITY)
    return LevelPlan(
        geometry=geometry(chamber),
        floats=tuple(floats),
        gauge=gauge,
        water=settings.water,
        room=settings.room or None,
        humidity=damp[0] if damp else None,
        volume_ml=settings.tank.volume,
        surface_mm2=settings.tank.surface.area_mm2 if settings.tank.surface else None,
        zone=settings.tank.zone,
        units=settings.tank.units,
        night_from=settings.night.from_,
        night_to=settings.night.to,
    )


def gauge_plan(settings: Settings) -> GaugePlan | None:
    """Returns the plan of the gauge's watch; None without a gauge."""
    for name in settings.that_measure(Quantity.LEVEL):
        return GaugePlan(name, settings.channel[name].label)
    return None
