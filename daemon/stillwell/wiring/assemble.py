"""Assembles the pipeline, and the live daemon around it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from stillwell import __version__
from stillwell.acquire.clock import FastClock
from stillwell.alarm.annunciate.escalation import Escalation
from stillwell.alarm.watch import Watch
from stillwell.deliver.links import KeyFileError, kept_key, key_file
from stillwell.keeper.note_taker import NoteTaker
from stillwell.notice import Priority, Transition
from stillwell.observe.chamber.gauge_watch import GaugeWatch
from stillwell.observe.chamber.watch import LevelWatch
from stillwell.observe.cycle import CycleWatch
from stillwell.observe.flow import FlowWatch
from stillwell.observe.heat.watch import HeatWatch
from stillwell.observe.observing import Observer
from stillwell.observe.plan import BOOK, BOOK_KEY
from stillwell.observe.salt.watch import SaltWatch
from stillwell.pipeline import Pipeline
from stillwell.ports import Clock
from stillwell.review_plan import PLAN, PLAN_KEY
from stillwell.settings import Destination, Fault, Settings
from stillwell.store import Store
from stillwell.supervise import last_settings
from stillwell.supervise.calendar_look import CalendarLook
from stillwell.supervise.clock_word import not_before_ms
from stillwell.supervise.daemon import CALENDAR_S, LOOK_S, Daemon, Parts
from stillwell.supervise.delivery import newest_of
from stillwell.supervise.inbox import Inbox
from stillwell.watching import KEY as RUN_KEY
from stillwell.watching import RUN, Recipient, Run
from stillwell.wiring.plans.book import book_plan
from stillwell.wiring.plans.channels import from_above, judge_of
from stillwell.wiring.plans.heat import heat_plan
from stillwell.wiring.plans.level import flow_plan, gauge_plan, level_plan
from stillwell.wiring.plans.review import review_plan
from stillwell.wiring.plans.watch import escalation_plan, watch_plan
from stillwell.wiring.sinks import deliveries, night_pictures
from stillwell.wiring.sources import buses

log = logging.getLogger(__name__)


def observers(settings: Settings) -> list[Observer]:
    """Returns fresh observers, for all that this tank has."""
    heat, book = heat_plan(settings), book_plan(settings)
    gauge, level = gauge_plan(settings), level_plan(settings)
    made: list[Observer] = [SaltWatch(book), CycleWatch(book)]
    flow = flow_plan(settings, heat)
    if flow is not None:
        made.append(FlowWatch(flow))
    if heat is not None:
        made.append(HeatWatch(heat))
    if gauge is not None:
        made.append(GaugeWatch(gauge))
    if level is not None:
        made.append(LevelWatch(level))
    return made


def pipeline(
    settings: Settings,
    store: Store,
    told: Callable[[Transition], None] | None = None,
    key: bytes | None = None,
) -> Pipeline:
    """Returns the pipeline over an opened store. `key` signs the links in messages."""
    for name, channel in settings.channel.items():
        store.describe_channel(name, channel.quantity, channel.label)
    store.describe(PLAN_KEY, PLAN.text(review_plan(settings)))
    book = book_plan(settings)
    store.describe(BOOK_KEY, BOOK.text(book))
    return Pipeline(
        store,
        Watch(watch_plan(settings)),
        {name: judge_of(settings, name) for name in settings.channel},
        observers=observers(settings),
        escalation=Escalation(escalation_plan(settings)),
        told=told,
        keep_raw_s=settings.store.keep_raw,
        note_taker=NoteTaker(book),
        link_key=key,
        from_above=from_above(settings),
    )


def link_key(settings: Settings, store: Path) -> bytes | None:
    """Returns the key that signs the links in messages; None where there are no links. A key
    that can't be kept beside the store costs the links and nothing else."""
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


def daemon(
    settings: Settings,
    store: Store,
    clock: Clock,
    boot_id: str,
    *,
    told: Callable[[Transition], None] | None = None,
    calendar_every_s: float = CALENDAR_S,
    look_s: float = LOOK_S,
    faults: Sequence[Fault] = (),
) -> Daemon:
    """Returns the live daemon, ready to run.

    Args:
        faults: what is wrong with the file, where the settings in use are not those in it.
    """
    inbox = Inbox()
    key = link_key(settings, store.path)
    line = pipeline(settings, store, told, key)
    earliest_ms = not_before_ms(store.tail)
    newest = newest_of(store)
    begin(line, clock, boot_id, counted=True)
    began = line.moment(clock.monotonic_ns() // 1_000_000)
    fast, recipients = isinstance(clock, FastClock), tuple(map(_recipient, settings.sink.values()))
    run = Run(began, __version__, fast, tuple(settings.channel), recipients)
    store.describe(RUN_KEY, RUN.text(run))
    store.commit()
    line.find(last_settings.finding(faults), clock.monotonic_ns() // 1_000_000)
    stop = threading.Event()
    pictures = night_pictures(settings, store, stop)
    look = CalendarLook(
        store.path,
        review_plan(settings),
        settings.night.review_at,
        clock,
        inbox.put,
        book_plan(settings),
        earliest_ms,
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
            deliveries=deliveries(settings, store, inbox, clock, key, pictures, newest),
            calendar_look=look,
            calendar_every_s=calendar_every_s,
            look_s=look_s,
            stop=stop,
        )
    )


def _recipient(sink: Destination) -> Recipient:
    """Returns what a recipient hears, where its kind has such settings; else everything."""
    lowest = getattr(sink.settings, "lowest", Priority.LOW)
    return Recipient(sink.name, lowest, getattr(sink.settings, "turn", 1))


def begin(line: Pipeline, clock: Clock, boot_id: str, *, counted: bool = False) -> None:
    """Starts the pipeline on a clock: the first epoch, the alarms of the last run. `counted`:
    whether this is the start of the daemon."""
    now_ms = clock.monotonic_ns() // 1_000_000
    line.begin(boot_id, now_ms, clock.wall_ms(), clock.trusted(), counted=counted)


def open_store(
    settings: Settings, path: Path | None = None, *, bulk: bool = False, watch_anyway: bool = False
) -> Store:
    """Returns the store that the settings name, opened for writing. Raises what `Store.open`
    raises."""
    chosen = path or settings.store_path
    every_s = settings.store.commit_every
    return Store.open(chosen, commit_every_s=every_s, bulk=bulk, watch_anyway=watch_anyway)
