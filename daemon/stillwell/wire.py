"""Puts the parts together from the settings: the one place that knows all of them.

Everything here translates; nothing here decides.
"""

from __future__ import annotations

import datetime as dt
import logging
import threading
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from stillwell import __version__
from stillwell.acquire.bus import Bus
from stillwell.acquire.clock import FastClock
from stillwell.acquire.source import Deliver, Source
from stillwell.alarm.annunciate.escalation import Escalation, EscalationPlan
from stillwell.alarm.plan import Agreement, Band, ChannelWatch, Discrepancy, WatchPlan
from stillwell.alarm.row import Part
from stillwell.alarm.rules.rate import FASTEST_WATER_K_PER_S
from stillwell.alarm.watch import Watch
from stillwell.deliver.checked import Abilities, MistakeError, abilities_of, checked_request
from stillwell.deliver.links import KeyFileError, Links, kept_key, key_file
from stillwell.deliver.outbox import Outbox, OutboxThread, ahead_name
from stillwell.estimate.answer import Estimate
from stillwell.estimate.heat import BandEdges, HeaterPlan
from stillwell.estimate.level import FloatSpec, GaugeSpec
from stillwell.foreign import Aside, FailedError, Hand, HangsError, Patience, a, plain, within
from stillwell.keeper.note_taker import NoteTaker
from stillwell.keeper.room import geometry
from stillwell.notice import Priority, Transition
from stillwell.observe.chamber.gauge_watch import GaugePlan, GaugeWatch
from stillwell.observe.chamber.plan import FloatChannel as LevelFloat
from stillwell.observe.chamber.plan import GaugeChannel, LevelPlan
from stillwell.observe.chamber.watch import LevelWatch
from stillwell.observe.cycle import CycleWatch
from stillwell.observe.heat.watch import HeaterWatch
from stillwell.observe.lamp import LampPlan, LampWatch
from stillwell.observe.observing import Observer, OnlyBelieved
from stillwell.observe.plan import BOOK_KEY, BookPlan
from stillwell.observe.salt.watch import SaltWatch
from stillwell.pipeline import Pipeline
from stillwell.ports import (
    AttachesPictures,
    CarriesLinks,
    Clock,
    Driver,
    DriverError,
    KnowsChannels,
    KnowsZone,
    Published,
    Row,
    Stream,
    TakesRequests,
    WaitsForClock,
)
from stillwell.quality.judge import Judge
from stillwell.quality.limits import Limits, default_limits
from stillwell.reading import UNIT, Quantity, Reading
from stillwell.request import Reply, Request
from stillwell.review import BandPlan
from stillwell.review_plan import PLAN_KEY, ReviewPlan
from stillwell.settings import Destination, Fault, FloatChannel, LevelChannel, Settings
from stillwell.settings import Source as SourceSettings
from stillwell.settings.plugins import reason_of
from stillwell.store import Store
from stillwell.supervise import last_settings
from stillwell.supervise.calendar_look import CalendarLook
from stillwell.supervise.daemon import LOOK_S, Daemon, Parts
from stillwell.supervise.delivery import SinkDelivery
from stillwell.supervise.inbox import Inbox
from stillwell.supervise.night_picture import NightPictures
from stillwell.units import System
from stillwell.watching import KEY as RUN_KEY
from stillwell.watching import Recipient, Run

log = logging.getLogger(__name__)

ESTIMATES_LOOKED_THROUGH = 2_000
"""Rows: five days of them, a dozen an hour."""

SHARES = frozenset({Quantity.FLOAT, Quantity.SWITCH})

ROOM = "room"
"""The channel of the room's temperature, by its name."""

LAMP = "lamp"
"""The channel of the lamp's switch, by its name."""

APART_DELAY_S = 2700.0
"""Water that is changed with the pump off, or a pump that pauses, parts two probes for half an
hour; a probe in the air and a pump that stands are told before, by names of their own."""

BUSES_NAMED_WITHIN_S = 5.0
SINKS_MADE_WITHIN_S = 10.0
"""All drivers together have so long to name their buses, and all sinks to be made, before the watch
begins without those that hang."""

GAP_IN_READINGS = 4
"""A channel is silent after so many missed readings, unless the settings say otherwise."""


def limits_of(settings: Settings, channel: str) -> Limits:
    """By what a channel's readings are judged: what the settings say, over the quantity's
    defaults."""
    configured = settings.channel[channel]
    quantity = Quantity(configured.quantity)
    usual = default_limits(quantity)
    every_s = settings.source_of(channel).every
    said: dict[str, Any] = {"gap_s": max(usual.gap_s, GAP_IN_READINGS * every_s)}
    renamed = {"rate": "rate_per_s", "gap": "gap_s", "flat_for": "flat_for_s"}
    for key, value in configured.quality:
        if value is not None:
            said[renamed.get(key, key)] = value
    limits = {"fail": usual.fail, "suspect": usual.suspect} | said
    if "suspect" not in said and "fail" in said:
        # A keeper who narrows the one range means the other to lie within it.
        low, high = limits["fail"]
        limits["suspect"] = (max(usual.suspect[0], low), min(usual.suspect[1], high))
    return replace(usual, **limits)


def judge_of(settings: Settings, channel: str) -> Judge:
    """A fresh judge of a channel."""
    return Judge(limits_of(settings, channel), settings.channel[channel].offset or 0.0)


def watch_plan(settings: Settings) -> WatchPlan:
    """What is watched, from the settings."""
    level, heater, gauge = level_plan(settings), heater_plan(settings), gauge_plan(settings)
    parts = {
        Part.HEATER: heater,
        Part.LAMP: lamp_plan(settings),
        Part.LEVEL: level,
        Part.GAUGE: gauge,
    }
    channels = tuple(
        ChannelWatch(
            name=name,
            source=settings.source_of(name).name,
            quantity=Quantity(channel.quantity),
            gap_s=limits_of(settings, name).gap_s,
            label=channel.label,
        )
        for name, channel in settings.channel.items()
    )
    bands = tuple(
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
            of_water="room" not in band.of,
        )
        for name, band in settings.band.items()
    )
    in_chamber = [
        name
        for name, channel in settings.channel.items()
        if isinstance(channel, FloatChannel) and channel.height is not None
    ]
    discrepancies = tuple(
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
    agreements = tuple(
        Agreement(
            name,
            agreement.of,
            agreement.within,
            APART_DELAY_S,
            FASTEST_WATER_K_PER_S if heater and set(agreement.of) <= set(heater.probes) else None,
        )
        for name, agreement in settings.agreement.items()
    )
    return WatchPlan(
        channels=channels,
        bands=bands,
        discrepancies=discrepancies,
        agreements=agreements,
        zone=settings.tank.zone,
        units=settings.tank.units,
        sinks=tuple(settings.sink),
        parts=frozenset(part for part, plan in parts.items() if plan is not None),
        probes=heater.probes if heater else (),
        room=heater.room if heater else "",
        floats=tuple(channel.spec.name for channel in level.floats) if level else (),
        gauge=gauge.channel if gauge else "",
    )


def escalation_plan(settings: Settings) -> EscalationPlan:
    """How unanswered alarms are said again: as many turns as the recipients have."""
    turns = (getattr(sink.settings, "turn", 1) for sink in settings.sink.values())
    said = settings.unanswered
    return EscalationPlan(
        repeat_after_s=said.repeat_after,
        pass_on_after_s=said.pass_on_after,
        turns=max((1, *turns)),
        then_every_s=said.then_every or None,
    )


def review_plan(settings: Settings) -> ReviewPlan:
    """What a review looks at."""
    quantities = {name: Quantity(channel.quantity) for name, channel in settings.channel.items()}
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
                unit=UNIT[quantities[band.channels[0]]],
                stale_ms=round(
                    1000 * max(limits_of(settings, channel).gap_s for channel in band.channels)
                ),
            )
            for band in watch_plan(settings).bands
        ),
        channels=quantities,
    )


def book_plan(settings: Settings) -> BookPlan:
    """What the keeper's book is told."""
    tank, book = settings.tank, settings.book
    heater = heater_plan(settings)
    of_water = heater.bands if heater else ()
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
        lamp=LAMP if LAMP in settings.channel and _is_switch(settings, LAMP) else None,
        water=heater.probes if heater else (),
        room=heater.room or None if heater else None,
        chamber=geometry(tank.chamber) if tank.chamber else None,
    )


def _is_switch(settings: Settings, channel: str) -> bool:
    return Quantity(settings.channel[channel].quantity) is Quantity.SWITCH


def _days(seconds: float) -> int:
    return max(1, round(seconds / 86_400))


def _hours_between(on: dt.time, off: dt.time) -> float:
    minutes = (off.hour * 60 + off.minute) - (on.hour * 60 + on.minute)
    return (minutes % 1440 or 1440) / 60


def level_plan(settings: Settings) -> LevelPlan | None:
    """What the level watch is told; None without a chamber, or without a sensor in it."""
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
    quantities = {name: Quantity(channel.quantity) for name, channel in settings.channel.items()}
    warm = [name for name, quantity in quantities.items() if quantity is Quantity.TEMPERATURE]
    damp = [name for name, quantity in quantities.items() if quantity is Quantity.HUMIDITY]
    return LevelPlan(
        geometry=geometry(chamber),
        floats=tuple(floats),
        gauge=gauge,
        water=tuple(name for name in warm if name != ROOM),
        room=ROOM if ROOM in warm else None,
        humidity=damp[0] if damp else None,
        volume_ml=settings.tank.volume,
        surface_mm2=settings.tank.surface.area_mm2 if settings.tank.surface else None,
        zone=settings.tank.zone,
        units=settings.tank.units,
        night_from=settings.night.from_,
        night_to=settings.night.to,
    )


def heater_plan(settings: Settings) -> HeaterPlan | None:
    """What the heater's watch is told; None without a probe in the water. The probes that a band on
    the water names come first, in its order."""
    warm = [
        name
        for name, channel in settings.channel.items()
        if Quantity(channel.quantity) is Quantity.TEMPERATURE
    ]
    of_water = {
        name: band
        for name, band in settings.band.items()
        if ROOM not in band.of and all(channel in warm for channel in band.of)
    }
    named = [name for band in of_water.values() for name in band.of]
    probes = tuple(dict.fromkeys(name for name in (*named, *warm) if name != ROOM))
    if not probes:
        return None
    gauges = (n for n, c in settings.channel.items() if isinstance(c, LevelChannel))
    lamp = settings.tank.lamp
    return HeaterPlan(
        probes=probes,
        room=ROOM if ROOM in warm else "",
        level=next(gauges, ""),
        bands=tuple(
            BandEdges(name, band.target - band.tolerance, band.target + band.tolerance)
            for name, band in of_water.items()
        ),
        lamp=None if lamp is None or lamp.on == lamp.off else (lamp.on, lamp.off),
        zone=settings.tank.zone,
        units=settings.tank.units,
    )


def lamp_plan(settings: Settings) -> LampPlan | None:
    """What the lamp's watch is told; None without a lamp's hours, a probe in the water and one in
    the room."""
    heater, lamp = heater_plan(settings), settings.tank.lamp
    if heater is None or not heater.room or lamp is None or lamp.on == lamp.off:
        return None
    return LampPlan(heater.probes, heater.room, lamp.on, lamp.off, heater.zone, heater.units)


def gauge_plan(settings: Settings) -> GaugePlan | None:
    """What the gauge's watch is told; None without a gauge."""
    for name, channel in settings.channel.items():
        if isinstance(channel, LevelChannel):
            tank = settings.tank
            return GaugePlan(name, channel.label, tank.zone, tank.units)
    return None


def observers(settings: Settings) -> list[Observer]:
    """The estimators that watch along, fresh."""
    made: list[Observer] = []
    missing: Callable[[], Estimate | None] = lambda: None  # noqa: E731
    heater = heater_plan(settings)
    doubted: Callable[[], Container[str]] = lambda: ()  # noqa: E731
    if heater is not None:
        heater_watch = HeaterWatch(heater)
        made.append(heater_watch)
        doubted = lambda: heater_watch.judge.doubted  # noqa: E731
    lamp = lamp_plan(settings)
    if lamp is not None:
        made.append(OnlyBelieved(LampWatch(lamp), doubted))
    gauge = gauge_plan(settings)
    if gauge is not None:
        made.append(GaugeWatch(gauge))
    level = level_plan(settings)
    if level is not None:
        level_watch = LevelWatch(level)
        made.append(OnlyBelieved(level_watch, doubted))
        missing = level_watch.missing_to_mark
    book = book_plan(settings)
    # After the level: it is asked what is missing.
    made += [SaltWatch(book, missing), CycleWatch(book)]
    return made


def sources(settings: Settings) -> dict[str, list[Source]]:
    """The sources, by the bus that they share."""
    by_bus: dict[str, list[Source]] = {}
    patience = Patience(BUSES_NAMED_WITHIN_S)
    for source in settings.source.values():
        bus, broken = _bus_of(source, patience)
        made = Source(
            name=source.name,
            driver=source.driver,
            make=_maker(source, broken),
            channels=source.channels,
            shares=frozenset(
                c for c in source.channels if Quantity(settings.channel[c].quantity) in SHARES
            ),
            every_s=source.every,
            look_s=source.look,
            deadline_s=source.deadline,
        )
        by_bus.setdefault(bus, []).append(made)
    return by_bus


def _bus_of(source: SourceSettings, patience: Patience) -> tuple[str, str]:
    """The bus, by the driver's word, and why there is none: a driver that can't even say that must
    not be read, since others may use the same wire, and has a thread of its own to be down on."""
    of_its_own = f"none:{source.name}"
    who = f"The driver {source.driver} of {source.name}"
    if source.made is None:
        return of_its_own, source.broken
    made = source.made
    try:
        with patience.share() as seconds:
            name = within(seconds, lambda: made.bus(source.settings))
    except Exception as error:
        return of_its_own, f"{who} can't name its bus: {reason_of(error)}."
    if plain(name):
        return plain(name), ""
    return of_its_own, f"{who} returned {a(name)} as the name of its bus."


def _maker(source: SourceSettings, broken: str) -> Callable[[], Driver]:
    def make() -> Driver:
        if source.made is None or broken:
            raise DriverError(broken, "Mend or install what it names, then restart stillwell.")
        driver: Driver = source.made(source.settings)
        return driver

    return make


def buses(settings: Settings, clock: Clock, deliver: Deliver) -> list[Bus]:
    """A thread a bus, not yet started."""
    return [Bus(name, on_it, clock, deliver) for name, on_it in sources(settings).items()]


def pipeline(
    settings: Settings,
    store: Store,
    told: Callable[[Transition], None] | None = None,
    key: bytes | None = None,
) -> Pipeline:
    """The pipeline over an opened store. `key`: what the links of messages are signed with."""
    for name, channel in settings.channel.items():
        store.describe_channel(name, channel.quantity, channel.label)
    store.describe(PLAN_KEY, review_plan(settings).to_json())
    store.describe(BOOK_KEY, book_plan(settings).to_json())
    # What alarms say is read by several people, who may want different units.
    tank = settings.tank.model_copy(update={"units": System.BOTH})
    spoken = replace(settings, tank=tank)
    return Pipeline(
        store,
        Watch(watch_plan(spoken)),
        {name: judge_of(settings, name) for name in settings.channel},
        observers=observers(spoken),
        escalation=Escalation(escalation_plan(settings)),
        told=told,
        keep_raw_s=settings.store.keep_raw,
        note_taker=NoteTaker(
            tank.volume,
            settings.tank.zone,
            settings.tank.units,
            geometry(tank.chamber) if tank.chamber else None,
        ),
        units=settings.tank.units,
        link_key=key,
    )


def link_key(settings: Settings, store: Path) -> bytes | None:
    """What the links of messages are signed with; None where there are none. A key that can't be
    kept beside the store costs the links and nothing else."""
    page = settings.page
    if page.address is None:
        return None
    if page.key is not None:
        return page.key.get_secret_value().encode()
    try:
        return kept_key(key_file(store))
    except KeyFileError as error:
        log.error("%s", error)
        return None


def night_pictures(settings: Settings, store: Path, stop: threading.Event) -> NightPictures:
    """The pictures that recipients want, in their units."""
    wanted = [sink.settings for sink in settings.sink.values()]
    units = {units_of(settings, sink) for sink in wanted if getattr(sink, "pictures", False)}
    return NightPictures(store, units, stop)


def units_of(settings: Settings, sink: Any) -> System:
    """In which units a recipient reads: those of the tank, where he says nothing else."""
    said = getattr(sink, "units", None)
    return said if isinstance(said, System) else settings.tank.units


def deliveries(
    settings: Settings,
    store: Store,
    inbox: Inbox,
    clock: Clock,
    key: bytes | None = None,
    pictures: NightPictures | None = None,
) -> list[SinkDelivery]:
    """A thread a sink, not yet started. `key`: what links are signed with."""
    quantities = {name: Quantity(channel.quantity) for name, channel in settings.channel.items()}
    made = []
    patience = Patience(SINKS_MADE_WITHIN_S)
    for destination in settings.sink.values():
        if destination.made is None:
            made.append(SinkDelivery.broken(destination.name, destination.broken))
            continue
        answers = Aside(f"answers {destination.name}")

        def introduced(destination: Destination = destination, answers: Aside = answers) -> Any:
            sink = make_sink(settings, destination, quantities)
            if isinstance(sink, TakesRequests):
                sink.on_request(partial(_ask, inbox, answers, destination.name))
            if isinstance(sink, WaitsForClock):
                sink.use_trust(clock.trusted)
            if isinstance(sink, CarriesLinks) and key is not None and settings.page.address:
                sink.use_links(Links(settings.page.address, key, clock.wall_ms).of)
            if isinstance(sink, AttachesPictures) and pictures is not None:
                units = units_of(settings, destination.settings)
                sink.use_pictures(partial(pictures.of, units=units))
            return sink

        hand = Hand(f"sink {destination.name}")
        try:
            with patience.share() as seconds:
                sink = hand.do(introduced, seconds)
            with patience.share() as seconds:
                able = hand.do(partial(abilities_of, sink), seconds)
        except Exception as error:
            # A sink's own mistake is a sink that is away; the watch begins all the same.
            reason = f"The sink {destination.name} can't be made: {_kind(error)}."
            log.error("%s", reason)
            made.append(SinkDelivery.broken(destination.name, reason))
            continue
        outbox = Outbox(
            destination.name,
            sink,
            store.tail,
            _cursors(store, destination.name, able),
            inbox.move,
            latest=lambda: (
                *store.tail.latest_transitions(),
                *store.tail.latest_readings(),
                *_latest_estimates(store),
            ),
            ahead={
                stream: store.sinks.cursor(ahead_name(destination.name), stream) or 0
                for stream in able.streams
            },
            settle_letter=inbox.settle_letter,
            # A history is to hold what the store holds, also after a power cut; displays want
            # readings now, and people what concerns them, also while the disk takes nothing.
            committed_only=able.may_forget,
            able=able,
            hand=hand,
            remake=introduced,
        )
        made.append(SinkDelivery(OutboxThread(outbox)))
    return made


def _kind(error: Exception) -> str:
    """What a sink did wrong when it was made, without an exception's own words: they may hold a
    password."""
    if isinstance(error, HangsError | MistakeError):
        return f"it {error}"
    return error.kind if isinstance(error, FailedError) else plain(type(error).__name__, 60)


def _ask(
    inbox: Inbox, answers: Aside, sink: str, request: Request, answer: Callable[[Reply], None]
) -> None:
    """Takes a request of a sink; raises `MistakeError` for what is none. The answer goes out aside:
    no sink may hold up the pipeline."""

    def answered(reply: Reply) -> None:
        if not answers.call(partial(answer, reply)):
            log.warning("A sink takes no more answers; one is dropped.")

    inbox.ask(sink, checked_request(request), answered)


def _latest_estimates(store: Store) -> list[Row]:
    """The newest of each estimate, as far back as some days: a night's numbers come once a day."""
    newest = store.tail.newest(Stream.ESTIMATES, committed_only=False)
    after = max(0, newest - ESTIMATES_LOOKED_THROUGH)
    rows = store.tail.rows(Stream.ESTIMATES, after, ESTIMATES_LOOKED_THROUGH, committed_only=False)
    return list({row.body.name: row for row in rows if isinstance(row.body, Published)}.values())


def make_sink(
    settings: Settings, destination: Destination, quantities: Mapping[str, Quantity]
) -> Any:
    """The sink's own object, told what it asks to know. The class must be there."""
    assert destination.made is not None
    sink = destination.made(destination.name, settings.tank.name, destination.settings)
    if isinstance(sink, KnowsChannels):
        sink.use_channels(quantities)
    if isinstance(sink, KnowsZone):
        sink.use_zone(settings.tank.zone)
    return sink


def _cursors(store: Store, name: str, able: Abilities) -> dict[Stream, int]:
    """How far the sink has been given each stream. A sink that is new starts at now for notices
    and transitions (nobody wants the alarms of last year on a new phone) and for what it shows
    only the latest of; a server that keeps history starts at the beginning of it. Where it starts
    is kept at once: a restart before its first row must not move it past what came meanwhile."""
    cursors: dict[Stream, int] = {}
    for stream in able.streams:
        kept = store.sinks.cursor(name, stream)
        if kept is None:
            from_now = stream in (Stream.NOTICES, Stream.TRANSITIONS) or stream in able.collapse
            kept = store.tail.newest(stream, committed_only=False) if from_now else 0
            store.sinks.move_cursor(name, stream, kept)
        cursors[stream] = kept
    return cursors


def daemon(
    settings: Settings,
    store: Store,
    clock: Clock,
    boot_id: str,
    *,
    told: Callable[[Transition], None] | None = None,
    calendar_every_s: float = 60.0,
    look_s: float = LOOK_S,
    faults: Sequence[Fault] = (),
) -> Daemon:
    """The live daemon, ready to run.

    Args:
        faults: what is wrong with the file, where the settings are not those in it.
    """
    inbox = Inbox()
    key = link_key(settings, store.path)
    line = pipeline(settings, store, told, key)
    not_before_ms = max(_installed_ms(), _last_kept_ms(store))
    begin(line, clock, boot_id, counted=True)
    began = line.moment(clock.monotonic_ns() // 1_000_000)
    fast, recipients = isinstance(clock, FastClock), tuple(map(_recipient, settings.sink.values()))
    run = Run(began, __version__, fast, tuple(settings.channel), recipients)
    store.describe(RUN_KEY, run.to_json())
    store.commit()
    line.find(last_settings.finding(faults), clock.monotonic_ns() // 1_000_000)
    stop = threading.Event()
    pictures = night_pictures(settings, store.path, stop)
    look = CalendarLook(
        store.path,
        review_plan(settings),
        settings.night.review_at,
        clock,
        inbox.put,
        book_plan(settings),
        not_before_ms,
        pictures.draw,
        store.tail.suspect,
    )
    return Daemon(
        Parts(
            clock=clock,
            boot_id=boot_id,
            pipeline=line,
            inbox=inbox,
            buses=buses(settings, clock, inbox.put),
            deliveries=deliveries(settings, store, inbox, clock, key, pictures),
            calendar_look=look,
            calendar_every_s=calendar_every_s,
            look_s=look_s,
            stop=stop,
        )
    )


def _recipient(sink: Destination) -> Recipient:
    """What a recipient hears, where its kind has such settings; all of it where not."""
    lowest = getattr(sink.settings, "lowest", Priority.LOW)
    return Recipient(sink.name, lowest, getattr(sink.settings, "turn", 1))


def _installed_ms() -> int:
    """UTC ms at which this file was installed: no clock that stands before it is right."""
    return round(Path(__file__).stat().st_mtime * 1000)


def _last_kept_ms(store: Store) -> int:
    """UTC ms of the reading that the last run kept last; 0 without any. By the store's order, not
    by the time: one of a clock that once stood in the far future says nothing about now."""
    rows = store.tail.latest_readings()
    newest = max(rows, key=lambda row: row.seq, default=None)
    return newest.body.moment.utc_ms if newest and isinstance(newest.body, Reading) else 0


def begin(line: Pipeline, clock: Clock, boot_id: str, *, counted: bool = False) -> None:
    """Starts the pipeline on a clock: the first epoch, the alarms of the last run. `counted`:
    whether it is the daemon's start."""
    now_ms = clock.monotonic_ns() // 1_000_000
    line.begin(boot_id, now_ms, clock.wall_ms(), clock.trusted(), counted=counted)


def open_store(
    settings: Settings, path: Path | None = None, *, bulk: bool = False, watch_anyway: bool = False
) -> Store:
    """The store that the settings name, opened for writing. Raises what `Store.open` raises."""
    chosen = path or settings.store_path
    every_s = settings.store.commit_every
    return Store.open(chosen, commit_every_s=every_s, bulk=bulk, watch_anyway=watch_anyway)
