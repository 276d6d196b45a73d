"""The one way of a reading: stamp, judge, keep, watch. No threads, no clocks, no sockets.

The live daemon feeds it from its inbox, `simulate` and `replay` feed it directly; nothing in it
knows which. It owns the store's writer and the watch, and is itself owned by one thread.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from stillwell.acquire.epoch import Change, Clockface, first, look
from stillwell.acquire.source import Batch, SourceState
from stillwell.alarm.annunciate.announced import Announcements, why_not
from stillwell.alarm.annunciate.drill import DRILL, PATIENCE_S, begun, drill_notices, over
from stillwell.alarm.annunciate.escalation import Escalation, blind
from stillwell.alarm.answer_link import (
    Rejected,
    claimed,
    holds,
    request_of,
    signed,
)
from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.notices import in_both, reopened
from stillwell.alarm.watch import Watch
from stillwell.entry import Entry
from stillwell.finding import Finding
from stillwell.journal.record import of_driver
from stillwell.keeper.note_taker import NoteTaker
from stillwell.notice import Message, Notice, Priority, State, Transition
from stillwell.observe.observing import Observer, Observing
from stillwell.ports import JournalLine, Refusal, Row, Stream
from stillwell.quality.judge import Judge
from stillwell.quality.offset import offsets_of
from stillwell.reading import Moment, Reading
from stillwell.request import Command, Reply, Request
from stillwell.restarts import TOLD_FROM, WITHIN_MS, Restarts, restarting, settled
from stillwell.run_up import RunUp
from stillwell.store import Store, Words, rescue_words
from stillwell.units import System

log = logging.getLogger(__name__)

STEP_WORTH_TELLING_MS = 120_000
"""A trusted clock that is stepped by less than this is nobody's business."""

SAVE_EVERY_MS = 30 * 60_000
"""How often is written what is being counted and learned: a memory card wears by writes, and
readings can be seen again. A store that is filled in bulk can be made again: it gets them at its
end."""

HASTY_FOR_MS = 60_000
"""For so long after a start that follows on others readings are kept at once: runs that end before
the first commit would count nothing at all."""

HOUSE_EVERY_MS = 3_600_000
SLICE_EVERY_MS = 5_000
"""How often the store's house is kept, and how soon the next slice follows when there is more."""

STEP_TOLD_FOR_MS = 15 * 60_000
"""How long the alarm about a stepped clock stands: there is nothing to mend, only to know."""

BLIND_FROM_MS = 10 * 60_000
"""A shorter time without readings across a start (an update, a power cut that came and went) is not
told."""

_CALLING = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)


class Pipeline:
    """Takes batches and events in order; every call returns after the work is done.

    Args:
        store: the writer.
        watch: the alarms.
        judges: the quality judge of each channel.
        observers: estimators that watch along.
        escalation: says unanswered alarms again; none does without.
        told: is handed each transition after it has been kept (the demo's console, a replay's
        output).
        keep_raw_s: how long single readings are kept.
        note_taker: writes down what people send for the journal; none refuses.
        units: those of the tank: what is kept is worded in them, and notices in the others as well,
            where the watch and the observers speak in `System.BOTH`.
        link_key: what the links of messages are signed with; None where there are none.
    """

    def __init__(
        self,
        store: Store,
        watch: Watch,
        judges: Mapping[str, Judge],
        *,
        observers: Sequence[Observer] = (),
        escalation: Escalation | None = None,
        told: Callable[[Transition], None] | None = None,
        keep_raw_s: float = 90 * 86_400.0,
        note_taker: NoteTaker | None = None,
        units: System = System.METRIC,
        link_key: bytes | None = None,
    ) -> None:
        self.store = store
        self.watch = watch
        self._judges = judges
        self._observing = Observing(observers, store, units, offsets_of(judges))
        self._run_up = RunUp(store, watch, judges)
        self._save_ms = 0
        self._mono_ms = 0
        """When anything last happened."""
        self._restarts = Restarts(store)
        self._settled_ms: int | None = None
        """When this run has lasted long enough for the ones before it to be forgotten."""
        self._hasty_ms = 0
        """Until then every tick commits."""
        self._units = units
        self._link_key = link_key
        self._escalation = escalation
        self._told = told
        self._note_taker = note_taker
        self._boot_id = ""
        self._face = Clockface(0, False)
        self._epoch = 0
        self._stepped_at_ms: int | None = None
        self._store_failing: Words | None = Words("", "")  # not known before the first tick
        self._mishaps: tuple[int, bool] | None = None
        """How many have befallen the store's file, and whether one is still being mended: as it
        was last told."""
        self._keep_raw_ms = round(keep_raw_s * 1000)
        self._house_ms = 0
        self._last_seen: Moment | None = None
        """The newest reading of earlier runs, until it is known how long ago that was."""
        self._first_seen: Moment | None = None
        self._drilling: Transition | None = None
        """The latest change of a drill that is under way."""
        self._drill_until_ms = 0
        self._announced = Announcements()
        self.readings_taken = 0

    # -- time

    def begin(
        self, boot_id: str, mono_ms: int, wall_ms: int, trusted: bool, *, counted: bool = False
    ) -> None:
        """Starts a run: the first clock epoch, and the alarms as they stood when the last run
        ended.

        Restoring comes before the first evaluation, so that nothing is announced twice. What was
        being counted goes on; what has come due by readings that the last run did not live to
        judge is said now.

        Args:
            counted: whether this is the daemon's start, of which several within an hour are an
                alarm: kept before anything else can end this run too.
        """
        self._boot_id = boot_id
        self._mono_ms = mono_ms
        self._face = first(mono_ms, wall_ms, trusted)
        self._open_epoch(mono_ms)
        if trusted:
            self.store.rebase(boot_id, self._face.offset_ms)
        now = self.moment(mono_ms)
        starts = self._restarts.count(now, boot_id) if counted else ()
        self._last_seen = _newest(self.store.tail.latest_readings())
        latest = self.store.latest_transitions()
        self._announced = Announcements(
            mono_ms, self.store.newest(Stream.NOTICES), self.store.sinks.cursors(Stream.NOTICES)
        )
        for alarm in (t.alarm for t in latest if t.after is not State.NORMAL):
            self._announced.restored(alarm)
        calling = (t for t in latest if t.alarm == DRILL and t.after in _CALLING)
        self._drilling = next(calling, None)
        if self._escalation is not None:
            self._escalation.restore((t for t in latest if t.alarm != DRILL), now)
        closed = self.watch.restore([reopened(t) for t in latest], now)
        self._keep([*closed, *self._run_up.resume(now)])
        self._settled_ms = mono_ms + WITHIN_MS if counted else None
        if len(starts) >= TOLD_FROM:
            self._hasty_ms = mono_ms + HASTY_FOR_MS
            self._find(restarting(starts, self._clock_of), mono_ms)
        self._find(_clock_finding(False, "Started afresh."), mono_ms)
        self._observing.resume()
        self._save(now)

    def _clock_of(self, moment: Moment) -> str:
        utc_ms = self.store.utc_ms(moment)
        return (
            "" if utc_ms is None else f"{datetime.fromtimestamp(utc_ms / 1000, self._zone()):%H:%M}"
        )

    def moment(self, mono_ms: int) -> Moment:
        return Moment(mono_ms, mono_ms + self._face.offset_ms, self._epoch)

    def look_at_clock(self, mono_ms: int, wall_ms: int, trusted: bool) -> Change:
        """Begins a new epoch when the wall clock has been stepped or has become trustworthy.

        Returns what changed, so that whoever keeps a calendar can look at it anew."""
        was = self._face
        self._face, change = look(was, mono_ms, wall_ms, trusted)
        if change is Change.NONE:
            if self._stepped_at_ms is not None and mono_ms - self._stepped_at_ms > STEP_TOLD_FOR_MS:
                self._stepped_at_ms = None
                self._find(_clock_finding(False, "The clock has been steady since."), mono_ms)
            return change
        self._open_epoch(mono_ms)
        if change is Change.TRUSTED:
            rebased = self.store.rebase(self._boot_id, self._face.offset_ms)
            log.info("the clock is set; %d earlier epochs re-based", rebased)
        by_ms = self._face.offset_ms - was.offset_ms
        if was.trusted and abs(by_ms) >= STEP_WORTH_TELLING_MS:
            self._stepped_at_ms = mono_ms
            self._find(_clock_finding(True, f"The clock was set by {_span(by_ms)}."), mono_ms)
        return change

    def _open_epoch(self, mono_ms: int) -> None:
        provisional = Moment(mono_ms, mono_ms + self._face.offset_ms, 0)
        self._epoch = self.store.begin_epoch(self._boot_id, provisional, self._face.trusted)

    # -- readings

    def take(self, batch: Batch) -> None:
        """Judges, keeps and watches the samples of one source, in their order."""
        moment = self.moment(batch.mono_ms)
        self._mono_ms = max(self._mono_ms, batch.mono_ms)
        judges = self._judges
        readings = [judges[sample.channel].judge(sample, moment) for sample in batch.samples]
        self.store.put(readings)
        self.readings_taken += len(readings)
        see = self.watch.see
        moved: list[Transition] = []
        try:
            for reading in readings:
                transitions = see(reading, moment)
                if transitions:
                    moved += transitions
        finally:
            if moved:
                self._keep(moved)
        for finding in self._observing.see(readings):
            self._keep(self.watch.find(finding, moment))
        if self._last_seen is not None:
            self._tell_gap(readings)

    def tick(self, mono_ms: int) -> None:
        """Once a second: delays that run out, silence, shelves that end, commits that are due."""
        now = self.moment(mono_ms)
        self._mono_ms = max(self._mono_ms, mono_ms)
        self._keep(self.watch.tick(now))
        self._look_at_drill(mono_ms)
        if self._escalation is not None:
            for notice in self._escalation.tick(now, self._as_now(now)):
                self.store.put_notice(notice)
        for finding in self._observing.tick(now):
            self._keep(self.watch.find(finding, now))
        if self._settled_ms is not None and mono_ms >= self._settled_ms:
            self._settled_ms = None
            self._restarts.forget()
            self._find(settled(), mono_ms)
        if mono_ms >= self._save_ms and not self.store.disk.bulk:
            self._save(now)
        if mono_ms < self._hasty_ms and self.store.trouble is None:
            self.store.commit()
        self.store.tick(mono_ms)
        self._apply_retention(mono_ms)
        self._watch_store(mono_ms)

    def _apply_retention(self, mono_ms: int) -> None:
        """Rolls up and drops old readings, a small slice at a time, so that nobody waits for it. A
        replay keeps everything: it is made to be looked at."""
        if self.store.disk.bulk:
            return
        if mono_ms >= self._house_ms and self.store.trouble is None:
            more = self.store.disk.apply_retention(self._keep_raw_ms).more
            self._house_ms = mono_ms + (SLICE_EVERY_MS if more else HOUSE_EVERY_MS)

    # -- events

    def source_changed(self, state: SourceState, mono_ms: int) -> None:
        """A driver went down or came back."""
        message = Message(
            what=state.what or f"The source {state.source} answers again.",
            do=state.do,
        )
        self._find(
            Finding(
                f"source.{state.source}.down",
                not state.up,
                priority_of("source.{source}.down"),
                message,
            ),
            mono_ms,
        )

    def sink_changed(self, sink: str, away: bool, reason: str, mono_ms: int) -> None:
        """A broker or server can't be reached, or can again."""
        message = Message(
            what=reason if away else f"{sink} takes what it is sent again.",
            likely="Nothing is lost: it is kept here and sent when it can be." if away else "",
            do="Check that the machine is on and the network is up." if away else "",
        )
        self._find(
            Finding(f"sink.{sink}.away", away, priority_of("sink.{sink}.away"), message), mono_ms
        )

    def find(self, finding: Finding, mono_ms: int) -> None:
        """Takes what somebody else has found who looks at no reading."""
        self._find(finding, mono_ms)

    def write_down(self, source: str, notes: Iterable[JournalLine]) -> None:
        """Puts what a driver's own keeper has noted into the journal. Twice is once."""
        for note in notes:
            self.store.put_journal(of_driver(source, note))

    def move_cursor(
        self, sink: str, stream: Stream, seq: int, refused: Sequence[Refusal], mono_ms: int
    ) -> None:
        """A sink is done with rows up to `seq`."""
        self.store.sinks.move_cursor(sink, stream, seq, refused)
        if stream is Stream.NOTICES:
            self._announced.moved(sink, seq, mono_ms)

    def request(self, request: Request, mono_ms: int) -> Reply:
        """Does what a person asks."""
        return self.requests([request], mono_ms)[0]

    def requests(self, asked: Iterable[Request], mono_ms: int) -> list[Reply]:
        """Does what people ask, in order, and keeps all of it by one commit. Returns a reply to
        each."""
        done: list[Reply | Entry] = []
        with self.store.together():
            for request in asked:
                try:
                    done.append(self._request(request, mono_ms))
                except Exception:
                    # Whatever came from afar, it must not count as a fault of the watch.
                    log.exception("a request failed: %s", request.command)
                    done.append(Reply(False, "The daemon failed on this; its log says why."))
        return [self._told_of(one) for one in done]

    def _told_of(self, done: Reply | Entry) -> Reply:
        if isinstance(done, Reply):
            return done
        assert self._note_taker is not None
        return self._note_taker.told(done, self.store)

    def _request(self, request: Request, mono_ms: int) -> Reply | Entry:
        """Does what a person asks of the alarms; or returns the entry to which a note became."""
        if request.command is Command.ANSWER or request.link:
            return self._by_link(request, mono_ms)
        if request.command is Command.TEST_NOTICE:
            return self._test_notice(request, mono_ms)
        if request.command is Command.DRILL:
            return self._begin_drill(request, mono_ms)
        if request.command is Command.NOTE:
            if self._note_taker is None:
                return Reply(False, "Nobody takes notes here.")
            return self._note_taker(request, self.store, self.moment(mono_ms).utc_ms)
        return self._ask_alarms(request, mono_ms)

    def _ask_alarms(self, request: Request, mono_ms: int) -> Reply:
        now = self.moment(mono_ms)

        def why(alarm: str) -> str:
            calls = self.store.kept.latest_calls(alarm, 2)
            return why_not(request, alarm, calls, self._announced, now, self._face.trusted)

        reply, transitions = self.watch.request(request, now, why)
        self._keep(transitions)
        return reply

    def answer_waiting(self, mono_ms: int) -> None:
        """Answers what other processes have asked through the store."""
        waiting = self.store.kept.pending_requests()
        if not waiting:
            return
        replies = self.requests([request for _, request in waiting], mono_ms)
        with self.store.together():
            for (number, _), reply in zip(waiting, replies, strict=True):
                self.store.answer(number, reply)

    def announce(self, notice: Notice, job: str = "", local_date: str = "") -> None:
        """Keeps a notice that is not about an alarm (a review), with the calendar's tick in its
        box. It is stamped anew: who made it knows the clocks, but not their epoch."""
        stamped = replace(notice, moment=self.moment(notice.moment.mono_ms))
        self.store.put_notice(stamped)
        if job:
            self.store.mark_done(job, local_date)

    def end(self, *, in_order: bool = False) -> None:
        """Writes what is still in memory and lets go of the store.

        Args:
            in_order: whether somebody wanted it: the next start is not counted.
        """
        self._save(self.moment(self._mono_ms))
        if in_order:
            self._restarts.forget()
        self.store.commit()
        self.store.close()

    # -- inside

    def _save(self, now: Moment) -> None:
        """Keeps what is being counted and learned, with the open batch."""
        self._save_ms = now.mono_ms + SAVE_EVERY_MS
        self._observing.save()
        self._run_up.save(now)

    def _by_link(self, request: Request, mono_ms: int) -> Reply:
        """Does what a link allows, if it holds now, and keeps that it has been used."""
        if request.link:
            answer = claimed(request.link)
        elif self._link_key is None:
            return Reply(False, "This daemon makes no links: see [page] in its configuration.")
        else:
            answer = signed(request.token, self._link_key)
        if isinstance(answer, Rejected):
            return Reply(False, answer.text)
        expires = datetime.fromtimestamp(answer.expires_ms / 1000, UTC)
        used = (f"link {answer.once}", expires.date())
        found = holds(
            answer,
            self.moment(mono_ms).utc_ms,
            {answer.once} if self.store.is_done(*used) else frozenset(),
        )
        if isinstance(found, Rejected):
            return Reply(False, found.text)
        allowed = request_of(answer, request.by or "a link")
        reply = self._ask_alarms(replace(allowed, age_s=request.age_s, way=request.way), mono_ms)
        if reply.done:
            self.store.mark_done(*used)
        return reply

    def _test_notice(self, request: Request, mono_ms: int) -> Reply:
        now = self.moment(mono_ms)
        key = request.text or f"test-{now.utc_ms}"
        self.store.put_notice(drill(key, now))
        return Reply(True, f"The test notice {key} is on its way to every sink.")

    def _begin_drill(self, request: Request, mono_ms: int) -> Reply:
        if self._drilling is not None:
            return Reply(False, "A drill is under way: acknowledge it, or wait for its end.")
        self._drill_until_ms = mono_ms + round((request.seconds or PATIENCE_S) * 1000)
        self._find(begun(request.by), mono_ms)
        if self._drilling is None:
            return Reply(False, "The alarm drill is shelved or out of service: free it.")
        return Reply(True, "The drill is on its way to every recipient.", (DRILL,))

    def _look_at_drill(self, mono_ms: int) -> None:
        """Ends the drill that was acknowledged, or that nobody acknowledges any more (also one of a
        run before this)."""
        drilling = self._drilling
        if drilling is None:
            return
        answered = drilling.after is State.ACKNOWLEDGED
        if not answered and mono_ms < self._drill_until_ms:
            return
        self._find(over(answered), mono_ms)
        if answered:
            local = datetime.fromtimestamp(drilling.moment.utc_ms / 1000, self._zone())
            self.store.mark_done(DRILL, local.date())
        else:
            end = Request(Command.ACKNOWLEDGE, DRILL, "the end of the drill")
            self._keep(self.watch.request(end, self.moment(mono_ms))[1])

    def _tell_gap(self, readings: Sequence[Reading]) -> None:
        """Says once how long nothing was measured before this run, as soon as both times are
        known."""
        last = self._last_seen
        if self._first_seen is None:
            self._first_seen = next((r.moment for r in readings if r.value is not None), None)
        if last is None or self._first_seen is None or not self._face.trusted:
            return
        self._last_seen = None
        from_ms, to_ms = self.store.utc_ms(last), self.store.utc_ms(self._first_seen)
        if from_ms is None or to_ms is None:
            return
        gone_ms = self.store.passed_ms(last, self._first_seen)
        if (abs(to_ms - from_ms) if gone_ms is None else gone_ms) < BLIND_FROM_MS:
            return
        told = datetime.fromtimestamp((to_ms - (gone_ms or 0)) / 1000, self._zone())
        after = self._first_seen._replace(utc_ms=to_ms)
        self.store.put_notice(blind(last, after, gone_ms, f"{told:%a %d %b %H:%M}"))

    def _zone(self) -> ZoneInfo:
        return ZoneInfo(self.watch.plan.zone)

    def _find(self, finding: Finding, mono_ms: int) -> None:
        self._keep(self.watch.find(finding, self.moment(mono_ms)))

    def _as_now(self, now: Moment) -> Callable[[Transition], Transition]:
        return lambda raised: in_both(self.watch.as_now(raised, now), self._units)

    def _keep(self, transitions: Sequence[Transition]) -> None:
        if transitions and not self.store.disk.bulk:
            # In one transaction: what is counted and what stands never part.
            self._run_up.save(transitions[-1].moment)
        for made in transitions:
            transition = in_both(made, self._units)
            is_drill = transition.alarm == DRILL
            if is_drill:
                self._drilling = transition if transition.after in _CALLING else None
            notices = drill_notices(transition) if is_drill else self.watch.notices(transition)
            if self._escalation is not None and not is_drill:
                notices = [self._escalation.addressed(notice) for notice in notices]
                self._escalation.see(transition)
            self.store.put_transition(transition, notices)
            if transition.after is State.UNACKNOWLEDGED:
                number = self.store.newest(Stream.NOTICES)
                self._announced.called(transition.alarm, number, transition.moment.mono_ms)
            if self._told is not None:
                self._told(transition)

    def _watch_store(self, mono_ms: int) -> None:
        self._tell_mishaps(mono_ms)
        failing = self.store.failing
        if failing == self._store_failing:
            return
        self._store_failing = failing
        lost = self.store.backlog_lost
        message = Message(
            what=failing.what if failing else "Readings are written to the disk again.",
            likely=f"{lost} readings could not be held." if lost else "",
            do=f"{failing.do} Watching and warning go on.".lstrip() if failing else "",
        )
        self._find(
            Finding("store.failing", failing is not None, priority_of("store.failing"), message),
            mono_ms,
        )

    def _tell_mishaps(self, mono_ms: int) -> None:
        """What has become of a file that was damaged or removed: that it is being mended, and what
        was kept of it in the end."""
        rescues = self.store.disk.rescues
        under_way = next((one for one in rescues if one.ended_ms is None), None)
        told, self._mishaps = self._mishaps, (self.store.disk.mishaps, under_way is not None)
        if told == self._mishaps or not rescues:
            return
        if under_way is not None or self.store.disk.mishaps > (told[0] if told else 0):
            words = rescue_words.going_on(under_way or rescues[0])
            self._find(_mishap_finding(True, words), mono_ms)
        if under_way is None:
            words = rescue_words.ended(rescues[0], self.watch.plan.zone)
            self._find(_mishap_finding(False, words), mono_ms)


def _newest(rows: Iterable[Row]) -> Moment | None:
    """When the newest good row of the readings was."""
    found = [
        row.body.moment
        for row in sorted(rows, key=lambda row: row.seq)
        if row.stream is Stream.READINGS
        and isinstance(row.body, Reading)
        and row.body.value is not None
    ]
    return found[-1] if found else None


def drill(key: str, now: Moment) -> Notice:
    """The notice that tests the way to a person."""
    return Notice(
        key=key,
        subject="drill",
        kind="drill",
        # Somebody waits to hear it: low would make no sound.
        priority=Priority.MEDIUM,
        moment=now,
        title="Test from stillwell: this is not an alarm",
        text="Somebody asked for a test. If you read this, alarms reach you this way.",
    )


def _clock_finding(active: bool, what: str) -> Finding:
    return Finding(
        "clock.stepped",
        active,
        priority_of("clock.stepped"),
        Message(
            what=what,
            likely="Somebody set it, or it had been wrong and the network put it right."
            if active
            else "",
            do="If it happens again, check the time server; readings keep their order anyway."
            if active
            else "",
        ),
    )


def _mishap_finding(active: bool, words: Words) -> Finding:
    message = Message(words.what, do=words.do)
    return Finding("store.damaged", active, priority_of("store.damaged"), message)


def _span(ms: int) -> str:
    seconds = abs(ms) // 1000
    direction = "forward" if ms > 0 else "back"
    for size, name in ((365 * 86_400, "years"), (86_400, "days"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds // size} {name} {direction}"
    return f"{seconds} s {direction}"
