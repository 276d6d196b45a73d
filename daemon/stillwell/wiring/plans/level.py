"""Makes the plans of the level's watch, the gauge's and the pump's."""

from __future__ import annotations

from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec
from stillwell.keeper.room import geometry
from stillwell.observe.chamber.gauge_watch import GaugePlan
from stillwell.observe.chamber.plan import FloatChannel as LevelFloat
from stillwell.observe.chamber.plan import GaugeChannel, LevelPlan, Surface, TopUpPlan
from stillwell.observe.flow import FlowPlan
from stillwell.observe.heat.plan import HeatPlan
from stillwell.reading import Quantity
from stillwell.settings import FloatChannel, LevelChannel, Settings


def level_plan(settings: Settings) -> LevelPlan | None:
    """Returns the plan of the level watch; None without a chamber, or without a sensor in it."""
    chamber = settings.tank.chamber
    if chamber is None:
        return None
    said = settings.tank.top_up
    floats, gauge = [], None
    for name, channel in settings.channel.items():
        if isinstance(channel, FloatChannel) and channel.height is not None:
            if name == said.low_float:
                continue
            source = settings.source_of(name)
            usual = FloatSpec(name, channel.height)
            spec = FloatSpec(name, channel.height, channel.differential or usual.differential_mm)
            floats.append(LevelFloat(spec, channel.label, source.every, source.look))
        elif isinstance(channel, LevelChannel) and name == settings.gauge:
            gauge = _gauge(name, channel)
    machine = _top_up(settings) if said.kind == "automatic" else None
    if gauge is None and not floats and (machine is None or machine.gauge is None):
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
        top_up=machine,
    )


def open_surface(settings: Settings) -> Surface:
    """Returns the open water of a tank."""
    tank = settings.tank
    return Surface.of(tank.surface.area_mm2 if tank.surface else None, tank.volume)


def _gauge(name: str, channel: LevelChannel) -> GaugeChannel:
    return GaugeChannel(name, GaugeSpec(channel.noise, channel.resolution), channel.label)


def _top_up(settings: Settings) -> TopUpPlan:
    said = settings.tank.top_up
    gauge = settings.channel[said.gauge] if said.gauge else None
    return TopUpPlan(
        reservoir_ml=said.reservoir,
        area_mm2=said.length * said.width if said.length and said.width else None,
        uncertainty=said.uncertainty,
        gauge=_gauge(said.gauge or "", gauge) if isinstance(gauge, LevelChannel) else None,
        low_float=said.low_float or "",
        pump=said.pump or "",
        pump_every_s=settings.source_of(said.pump).every if said.pump else 0.0,
        ml_per_h=said.rate,
    )


def flow_plan(settings: Settings, heat: HeatPlan | None) -> FlowPlan | None:
    """Returns the plan of the pump's watch; None where nothing sees the chamber."""
    level, gauge = level_plan(settings), settings.channel.get(settings.gauge)
    floats = level.floats if level else ()
    if not floats and gauge is None:
        return None
    return FlowPlan(
        gauge=settings.gauge,
        spec=_gauge("", gauge).spec if isinstance(gauge, LevelChannel) else GaugeSpec(),
        floats=tuple(channel.spec for channel in floats),
        labels={channel.spec.name: channel.label for channel in floats},
        probes=heat.probes if heat else (),
        by_hand=level is None or level.top_up is None,
    )


def gauge_plan(settings: Settings) -> GaugePlan | None:
    """Returns the plan of the gauge's watch; None without a gauge."""
    name = settings.gauge
    return GaugePlan(name, settings.channel[name].label) if name else None
