"""The live daemon: its threads, and the supervisor that watches them.

Threads: this one (the supervisor), one for the pipeline with the store's writer, one per bus, two
per sink (its outbox, and the one that calls it and may be left behind), one for the calendar; paho
adds its own. Only the inbox leads to the pipeline's thread, and only that thread touches the
store's writer and the alarms.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from stillwell.acquire.bus import Bus
from stillwell.acquire.epoch import Change
from stillwell.acquire.source import Batch, JournalBatch, SourceState
from stillwell.deliver.outbox import NOT_STARTED
from stillwell.pipeline import Pipeline
from stillwell.ports import Clock, Row, Stream
from stillwell.shown import plain
from stillwell.supervise.almanac import Almanac
from stillwell.supervise.inbox import (
    Announced,
    CursorMoved,
    Inbox,
    Item,
    LetterSettled,
    Questions,
    Wake,
)
from stillwell.supervise.sd_notify import notify, watchdog_s
from stillwell.supervise.verdict import VERDICT, Verdict, verdict_key
from stillwell.supervise.vigil import Vigil
from stillwell.watching import WORK, WORK_KEY, Work

log = logging.getLogger(__name__)

EX_OK = 0
EX_SOFTWARE = 70
"""sysexits(3): the process ends so that systemd restarts it. Used only when the pipeline itself is
stuck: a driver or a sink that hangs is left behind, and reported as a source that is down or a
recipient that is away."""
EX_TEMPFAIL = 75
"""sysexits(3): the daemon could not begin; systemd restarts it."""
EX_CONFIG = 78
"""sysexits(3): only a person can help; systemd does not restart it (its unit says so)."""

CALENDAR_S = 60.0
"""How often the calendar is looked at: what is due at an hour is done within this minute."""
LOOK_S = 0.25
PIPELINE_LIMIT_S = 60.0
MISTAKES_IN_A_ROW = 50
BUSES_END_WITHIN_S = 2.0
SINKS_END_WITHIN_S = 3.0
"""How long all sinks together may take to end, in seconds; those that hang are left behind."""
LETTERS_EVERY_MS = 5_000
"""How often the store is asked for dead letters that somebody wants to send once more."""


class Delivery(Protocol):
    """A sink on its thread, as the supervisor needs it."""

    name: str

    @property
    def away(self) -> tuple[bool, str]:
        """Whether the far side can't be reached, and why in words."""
        ...

    @property
    def sent(self) -> Mapping[Stream, int]:
        """The number up to which each stream has been sent."""
        ...

    def send_again(self, letter: int, row: Row) -> None:
        """Gives the sink a dead letter once more."""
        ...

    def start(self) -> None: ...

    def stop(self, timeout_s: float = 5.0) -> bool: ...


@dataclass(slots=True)
class Parts:
    """The parts of the daemon; `stillwell.wiring` puts them together."""

    clock: Clock
    boot_id: str
    pipeline: Pipeline
    inbox: Inbox
    buses: Sequence[Bus] = ()
    deliveries: Sequence[Delivery] = ()
    calendar_look: Callable[[], None] | None = None
    calendar_every_s: float = CALENDAR_S
    away_after_s: float = 300.0
    """A sink that is away for a shorter time, in seconds, is not reported."""
    tick_s: float = 1.0
    look_s: float = LOOK_S
    """How often the supervisor checks the others, in real seconds. Where the clock runs fast, a
    deadline may pass in less than one of them."""
    stop: threading.Event = field(default_factory=threading.Event)


class Daemon:
    """Runs until it is told to stop, or until only a restart can help."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._clock = parts.clock
        self._pipeline = parts.pipeline
        self._vigil = Vigil()
        self._progress = 0
        self._mistakes = 0
        self._finish = threading.Event()
        self._exit = EX_OK
        self._almanac = (
            Almanac(parts.calendar_look, parts.calendar_every_s) if parts.calendar_look else None
        )
        self._away_since: dict[str, int] = {}
        self._away_told: dict[str, bool] = {}
        self._verdicts: dict[str, Verdict] = {}
        """The last verdict that was kept for each sink."""
        self._introduced: dict[str, bool] = {}
        """What this run has last logged about each sink: True: it doesn't answer; False: it is
        ready."""
        self._letters_out: set[int] = set()
        """Dead letters that their sinks have been given once more."""
        self._letters_ms = 0
        self._counted: Work | None = None
        self._reached_ms = 0

    @property
    def readings_taken(self) -> int:
        """The number of readings taken in this run."""
        return self._pipeline.readings_taken

    def run(self) -> int:
        """Starts everything, watches, stops everything in order. Returns the exit code."""
        parts = self._parts
        # The pipeline's thread starts first, so that it is there for what the others deliver.
        worker = threading.Thread(target=self._work, name="pipeline", daemon=True)
        worker.start()
        others: list[Bus | Delivery] = [*parts.buses, *parts.deliveries]
        for part in others:
            try:
                part.start()
            except RuntimeError:
                # No further thread can be had: a bus is started again later, a sink is away.
                log.exception("%s could not be started", part.name)
        if self._almanac is not None:
            self._almanac.start()
        self._expect_progress()
        notify("READY=1\nSTATUS=watching")
        try:
            self._watch_over(worker)
        finally:
            notify("STOPPING=1")
            self._shut_down(worker)
        return self._exit

    def stop(self) -> None:
        """Ends the run in good order. Safe from any thread."""
        self._parts.stop.set()

    def handle_signals(self) -> None:
        """SIGTERM and SIGINT end the run in good order. Call from the main thread."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: self.stop())

    # -- the supervisor's thread

    def _expect_progress(self) -> None:
        self._vigil.expect("pipeline", PIPELINE_LIMIT_S, _real_ms())

    def _watch_over(self, worker: threading.Thread) -> None:
        parts = self._parts
        every_s = watchdog_s()
        fed_ms = 0
        while not parts.stop.wait(parts.look_s):
            now = _real_ms()
            self._vigil.report("pipeline", self._progress, now)
            for bus in parts.buses:
                self._look_after(bus)
            stuck = self._vigil.stuck(now)
            if stuck or not worker.is_alive():
                self._give_up(EX_SOFTWARE, f"stuck: {', '.join(stuck) or 'the pipeline has ended'}")
            elif every_s is not None and now - fed_ms >= every_s * 1000 / 3:
                notify("WATCHDOG=1")
                fed_ms = now

    @staticmethod
    def _look_after(bus: Bus) -> None:
        try:
            if bus.overdue():
                bus.replace()
        except Exception:
            # For instance because no further thread can be had: at the next look there may be one.
            log.exception("the bus %s could not be looked after", bus.name)

    def _give_up(self, code: int, why: str) -> None:
        log.error("%s", why)
        notify(f"STATUS={plain(why)}")
        self._exit = code
        self._parts.stop.set()

    def _shut_down(self, worker: threading.Thread) -> None:
        parts = self._parts
        if self._almanac is not None:
            self._almanac.stop()
        for bus in parts.buses:
            bus.stop()
        for delivery in parts.deliveries:
            delivery.stop(0.0)
        ends = time.monotonic() + BUSES_END_WITHIN_S
        for bus in parts.buses:
            bus.join(max(0.0, ends - time.monotonic()))
        ends = time.monotonic() + SINKS_END_WITHIN_S
        for delivery in parts.deliveries:
            delivery.stop(max(0.0, ends - time.monotonic()))
        # The pipeline stops last, so that it keeps what the others still delivered: readings,
        # cursors.
        self._finish.set()
        parts.inbox.put(Wake())
        worker.join(10.0)
        if worker.is_alive():
            log.error("the pipeline does not end; leaving it")
            os._exit(self._exit or EX_SOFTWARE)

    # -- the pipeline's thread

    def _work(self) -> None:
        ticked_ms = self._mono_ms()
        tick_ms = round(self._parts.tick_s * 1000)
        try:
            while True:
                ending = self._finish.is_set()
                # It waits until the next tick is due, so that an idle daemon lets the processor
                # sleep.
                due_s = max(0.0, (ticked_ms + tick_ms - self._mono_ms()) / 1000)
                wait_s = 0.0 if ending else min(self._parts.look_s, due_s)
                items = self._parts.inbox.take(wait_s)
                for item in items:
                    self._guarded(lambda item=item: self._handle(item))  # type: ignore[misc]
                now_ms = self._mono_ms()
                if now_ms - ticked_ms >= tick_ms:
                    ticked_ms = now_ms
                    well = self._guarded(lambda at=now_ms: self._tick(at))  # type: ignore[misc]
                    self._mistakes = 0 if well else self._mistakes + 1
                if self._mistakes > MISTAKES_IN_A_ROW:
                    self._give_up(
                        EX_SOFTWARE, "the pipeline fails again and again: starting afresh"
                    )
                self._progress += 1
                if ending and not items:
                    break
        finally:
            self._pipeline.end(in_order=self._finish.is_set() and self._exit == EX_OK)

    def _guarded(self, deed: Callable[[], None]) -> bool:
        """Does something and returns whether it went well. One item that can't be handled must not
        stop the watch; fifty failed ticks in a row are a fault that only a restart can mend. Failed
        items don't count, because they come from drivers and sinks."""
        try:
            deed()
        except BaseException:
            log.exception("the pipeline failed on one item")
            return False
        return True

    def _handle(self, item: Item) -> None:
        pipeline = self._pipeline
        match item:
            case Batch():
                pipeline.take(item)
            case SourceState():
                pipeline.source_changed(item, self._mono_ms())
            case JournalBatch():
                pipeline.write_down(item.source, item.notes)
            case CursorMoved():
                pipeline.move_cursor(
                    item.sink, item.stream, item.seq, item.refused, self._mono_ms()
                )
            case LetterSettled():
                pipeline.store.sinks.settle_revived(item.letter, item.reason)
                self._letters_out.discard(item.letter)
            case Questions():
                requests = [one.request for one in item.asked]
                replies = pipeline.requests(requests, self._mono_ms())
                for one, reply in zip(item.asked, replies, strict=True):
                    one.answer(reply)
            case Announced():
                pipeline.announce(item.notice, item.job, item.local_date)

    def _tick(self, now_ms: int) -> None:
        clock = self._clock
        change = self._pipeline.look_at_clock(now_ms, clock.wall_ms(), clock.trusted())
        if change is not Change.NONE and self._almanac is not None:
            self._almanac.again()
        self._pipeline.answer_waiting(now_ms)
        for delivery in self._parts.deliveries:
            self._tell_of(delivery, now_ms)
            self._write_verdict(delivery, now_ms)
        if now_ms >= self._letters_ms:
            self._letters_ms = now_ms + LETTERS_EVERY_MS
            self._hand_letters_out()
            self._count()
        self._pipeline.tick(self._reached(now_ms))

    def _count(self) -> None:
        """Keeps what was done and lost for those who look at the store. It is written with readings
        that wait, never on its own: writes wear a memory card."""
        store = self._pipeline.store
        work = Work(store.disk.commits, self._parts.inbox.dropped, store.backlog_lost)
        if store.waiting and work != self._counted:
            self._counted = work
            store.describe(WORK_KEY, WORK.text(work))

    def _reached(self, now_ms: int) -> int:
        """Returns the time up to which the pipeline knows what was measured. After a disk that
        stood still for minutes, readings wait in the inbox; judged by the present time alone, every
        channel would count as silent."""
        oldest_ms = self._parts.inbox.oldest_ms()
        reached_ms = now_ms if oldest_ms is None else min(now_ms, oldest_ms)
        self._reached_ms = max(self._reached_ms, reached_ms)
        return self._reached_ms

    def _write_verdict(self, delivery: Delivery, now_ms: int) -> None:
        """Keeps a sink's verdict for those who look at the store (`stillwell sinks`); written with
        the next commit."""
        before = self._verdicts.get(delivery.name)
        away, words = delivery.away
        self._introduce(delivery.name, away, words)
        same = before is not None and (before.away, before.words) == (away, words)
        since_ms = before.since_ms if same and before else self._pipeline.moment(now_ms).utc_ms
        verdict = Verdict(away, words, since_ms, {str(s): n for s, n in delivery.sent.items()})
        if verdict != before:
            self._verdicts[delivery.name] = verdict
            self._pipeline.store.describe(verdict_key(delivery.name), VERDICT.text(verdict))

    def _introduce(self, sink: str, away: bool, words: str) -> None:
        """Logs once whether a sink answers, and once more when a sink that was away answers after
        all. A later absence that lasts is an alarm."""
        known = self._introduced.get(sink)
        if words == NOT_STARTED or known is False or known is away:
            return
        self._introduced[sink] = away
        if away:
            log.info("%s does not answer yet: %s", sink, words)
        else:
            log.info("%s is ready.", sink)

    def _hand_letters_out(self) -> None:
        for delivery in self._parts.deliveries:
            for letter, row in self._pipeline.store.sinks.revived(delivery.name):
                if letter.id not in self._letters_out:
                    self._letters_out.add(letter.id)
                    delivery.send_again(letter.id, row)

    def _tell_of(self, delivery: Delivery, now_ms: int) -> None:
        away, reason = delivery.away
        if not away:
            self._away_since.pop(delivery.name, None)
            # Also the first time, because an alarm restored from the last run may still stand.
            if self._away_told.get(delivery.name, True):
                self._away_told[delivery.name] = False
                self._pipeline.sink_changed(delivery.name, False, "", now_ms)
            return
        since = self._away_since.setdefault(delivery.name, now_ms)
        if now_ms - since >= self._parts.away_after_s * 1000 and not self._away_told.get(
            delivery.name
        ):
            self._away_told[delivery.name] = True
            self._pipeline.sink_changed(delivery.name, True, reason, now_ms)

    def _mono_ms(self) -> int:
        return self._clock.monotonic_ns() // 1_000_000


def _real_ms() -> int:
    return time.monotonic_ns() // 1_000_000
