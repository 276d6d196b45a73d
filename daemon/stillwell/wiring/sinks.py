"""Makes the sinks with their threads, and gives each what it can use."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from functools import partial
from typing import Any

from stillwell.alarm.occurring import Alarms
from stillwell.deliver.links import Links
from stillwell.deliver.outbox import Outbox, OutboxThread, ahead_name
from stillwell.foreign import Aside, Hand
from stillwell.observe.publishes import estimates_of
from stillwell.ports import (
    AttachesPictures,
    CarriesLinks,
    Clock,
    KnowsChannels,
    KnowsPlan,
    KnowsZone,
    Stream,
    TakesRequests,
    TellsPeople,
    WaitsForClock,
)
from stillwell.settings import Destination, Settings
from stillwell.store import Store
from stillwell.supervise.delivery import (
    CantBeMadeError,
    SinkDelivery,
    first_cursors,
    made_within,
    newest_of,
    patience,
)
from stillwell.supervise.inbox import Inbox
from stillwell.supervise.night_picture import NightPictures
from stillwell.units import System
from stillwell.wiring.plans.channels import quantities
from stillwell.wiring.plans.watch import watch_plan
from stillwell.words import Reader


def deliveries(
    settings: Settings,
    store: Store,
    inbox: Inbox,
    clock: Clock,
    key: bytes | None = None,
    pictures: NightPictures | None = None,
    newest: Mapping[Stream, int] | None = None,
) -> list[SinkDelivery]:
    """Returns a thread for each sink, not yet started. `key` signs links; `newest` is where a
    new sink starts (None: now)."""
    made, waits, newest = [], patience(), newest or newest_of(store)
    for destination in settings.sink.values():
        name = destination.name
        if destination.made is None:
            made.append(SinkDelivery.broken(name, destination.broken))
            continue
        answers = Aside(f"answers {name}")

        def introduced(destination: Destination = destination, answers: Aside = answers) -> Any:
            sink = make_sink(settings, destination)
            if isinstance(sink, TakesRequests):
                sink.on_request(partial(inbox.ask_aside, answers, destination.name))
            if isinstance(sink, WaitsForClock):
                sink.use_trust(clock.trusted)
            if isinstance(sink, CarriesLinks) and key is not None and settings.page.address:
                sink.use_links(Links(settings.page.address, key, clock.wall_ms).of)
            if isinstance(sink, AttachesPictures) and pictures is not None:
                units = units_of(settings, destination.settings)
                sink.use_pictures(partial(pictures.of, units=units))
            return sink

        hand = Hand(f"sink {name}")
        try:
            sink, able = made_within(waits, name, introduced, hand)
        except CantBeMadeError as error:
            made.append(SinkDelivery.broken(name, str(error)))
            continue
        outbox = Outbox(
            name,
            sink,
            store.tail,
            first_cursors(store, name, able, newest),
            inbox.move,
            latest=store.tail.latest,
            ahead={
                stream: store.sinks.cursor(ahead_name(name), stream) or 0 for stream in able.streams
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


def make_sink(settings: Settings, destination: Destination) -> Any:
    """Returns the sink's own object, with the data that it asks for. Its class must exist."""
    assert destination.made is not None
    sink = destination.made(destination.name, settings.tank.name, destination.settings)
    if isinstance(sink, KnowsChannels):
        sink.use_channels(quantities(settings))
    if isinstance(sink, KnowsPlan):
        plan = watch_plan(settings)
        sink.use_plan(Alarms(plan).names, estimates_of(plan.parts))
    if isinstance(sink, KnowsZone):
        sink.use_zone(settings.tank.zone)
    if isinstance(sink, TellsPeople):
        sink.use_words(Reader(settings.tank.zone, settings.tank.units))
    return sink


def night_pictures(settings: Settings, store: Store, stop: threading.Event) -> NightPictures:
    """Returns the pictures that recipients want, in their units."""
    wanted = [sink.settings for sink in settings.sink.values()]
    units = {units_of(settings, sink) for sink in wanted if getattr(sink, "pictures", False)}
    return NightPictures(store.path, units, stop)


def units_of(settings: Settings, sink: Any) -> System:
    """Returns the units in which a recipient reads: those of the tank, unless the recipient's
    settings say otherwise."""
    said = getattr(sink, "units", None)
    return said if isinstance(said, System) else settings.tank.units
