"""Makes the plan of the watch and that of the repeats of unanswered alarms."""

from __future__ import annotations

from stillwell.alarm.annunciate.escalation import EscalationPlan
from stillwell.alarm.plan import Agreement, Band, ChannelWatch, Discrepancy, WatchPlan
from stillwell.alarm.row import Part
from stillwell.reading import Quantity
from stillwell.settings import FloatChannel, Settings
from stillwell.wiring.plans.channels import limits_of
from stillwell.wiring.plans.heat import heat_parts, heat_plan
from stillwell.wiring.plans.level import flow_plan, gauge_plan, level_plan


def watch_plan(settings: Settings) -> WatchPlan:
    """Returns what is watched, from the settings."""
    level, heat, gauge = level_plan(settings), heat_plan(settings), gauge_plan(settings)
    parts = {
        Part.FLOW: flow_plan(settings, heat),
        Part.LEVEL: level,
        Part.GAUGE: gauge,
        Part.TOP_UP: level.top_up if level else None,
    }
    return WatchPlan(
        channels=_channels(settings),
        bands=_bands(settings),
        discrepancies=_discrepancies(settings),
        agreements=_agreements(settings),
        zone=settings.tank.zone,
        units=settings.tank.units,
        sinks=tuple(settings.sink),
        parts=heat_parts(settings) | {part for part, plan in parts.items() if plan is not None},
        probes=heat.probes if heat else (),
        room=heat.room if heat else "",
        floats=tuple(channel.spec.name for channel in level.floats) if level else (),
        gauge=gauge.channel if gauge else "",
    )


def _channels(settings: Settings) -> tuple[ChannelWatch, ...]:
    return tuple(
        ChannelWatch(
            name=name,
            source=settings.source_of(name).name,
            quantity=Quantity(channel.quantity),
            gap_s=limits_of(settings, name).gap_s,
            label=channel.label,
        )
        for name, channel in settings.channel.items()
    )


def _bands(settings: Settings) -> tuple[Band, ...]:
    return tuple(
        Band(
            name=name,
            channels=band.of,
            low=band.target - band.tolerance,
            high=band.target + band.tolerance,
            target=band.target,
            deadband=band.deadband,
            on_delay_s=band.on_delay,
            off_delay_s=band.off_delay,
            priority=band.priority,
            latching=band.latching,
            rate_per_h=getattr(band, "rate", None),
            of_water=all(map(settings.in_water, band.of)),
        )
        for name, band in settings.band.items()
    )


def _discrepancies(settings: Settings) -> tuple[Discrepancy, ...]:
    in_chamber = {
        name
        for name, channel in settings.channel.items()
        if isinstance(channel, FloatChannel) and channel.height is not None
    }
    return tuple(
        Discrepancy(
            name=name,
            channel=state.of,
            wrong_above=state.wrong in ("above", "on"),
            on_delay_s=state.on_delay,
            off_delay_s=state.off_delay,
            priority=state.priority,
            says=state.says,
            in_chamber=state.of in in_chamber,
        )
        for name, state in settings.state.items()
    )


def _agreements(settings: Settings) -> tuple[Agreement, ...]:
    water = set(settings.water)
    return tuple(
        Agreement(name, agreement.of, agreement.within, of_water_probes=set(agreement.of) <= water)
        for name, agreement in settings.agreement.items()
    )


def escalation_plan(settings: Settings) -> EscalationPlan:
    """Returns how unanswered alarms are repeated, with as many turns as the recipients have."""
    turns = (getattr(sink.settings, "turn", 1) for sink in settings.sink.values())
    said = settings.unanswered
    return EscalationPlan(
        repeat_after_s=said.repeat_after,
        pass_on_after_s=said.pass_on_after,
        turns=max((1, *turns)),
        then_every_s=said.then_every or None,
    )
