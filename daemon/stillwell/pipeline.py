"""The one way of a reading: stamp, judge, keep, watch. No threads, no clocks, no sockets.

The live daemon feeds it from its inbox, `simulate` and `replay` feed it directly; nothing in it
knows which. It owns the store's writer and the watch, and is itself owned by one thread.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from stillwell.acquire.epoch import Change
from stillwell.acquire.source import Batch, SourceState
from stillwell.alarm.annunciate.announced import Announcements
from stillwell.alarm.annunciate.drill import DRILL, drill_notices
from stillwell.alarm.annunciate.escalation import Escalation
from stillwell.alarm.watch import Watch
from stillwell.asked.asked import Asked
from stillwell.asked.drills import Drills
from stillwell.asked.links import UsedLinks
from stillwell.entry import Entry
from stillwell.finding import Finding
from stillwell.journal.record import of_driver
from stillwell.keeper.note_taker import NoteTaker
from stillwell.notice import Notice, State, Transition
from stillwell.observe.observing import Observer, Observing
from stillwell.ports import JournalLine, Refusal, Stream
from stillwell.quality.from_above import FromAbove
from stillwell.quality.judge import Judge
from stillwell.quality.offset import offsets_of
from stillwell.reading import Moment
from stillwell.request import Reply, Request
from stillwell.run import far_ends
from stillwell.run.blind_gap import BlindGap
from stillwell.run.clock import RunClock, steady
from stillwell.run.restarts import TOLD_FROM, WITHIN_MS, Restarts, restarting, settled
from stillwell.run.run_up import RunUp
from stillwell.run.store_trouble import StoreTrouble
from stillwell.store import Store

log = logging.getLogger(__name__)

SAVE_EVERY_MS = 30 * 60_000
"""How often what is being counted and learned is written: writes wear a memory card, and readings
can be used again. A store that is filled in bulk can be made again, so it is written at its end."""

HASTY_FOR_MS = 60_000
"""For this long after a start that follows others, readings are kept at once: otherwise runs that
end before the first commit would count nothing at all."""

HOUSE_EVERY_MS = 3_600_000
SLICE_EVERY_MS = 5_000
"""How often old readings are rolled up and deleted, and how soon the next slice follows when there
is more."""


class Pipeline:
    """Takes batches and events in order; every call returns after the work is done.

    Args:
        store: the writer.
        watch: the alarms.
        judges: the quality judge of each channel.
        observers: estimators that see every reading.
        escalation: repeats unanswered alarms; without it none is repeated.
        told: is handed each transition after it has been kept (the demo's console, a replay's
            output).
        keep_raw_s: how long single readings are kept.
        note_taker: writes down what people send for the journal; without it notes are refused.
        link_key: the key with which links in messages are signed; None where there are none.
        from_above: turns the distances of gauges above the water into levels.
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
        link_key: bytes | None = None,
        from_above: FromAbove | None = None,
    ) -> None:
        self.store = store
        self.watch = watch
        self._judges = judges
        self._from_above = from_above or FromAbove({}, "")
        self._observing = Observing(observers, store, offsets_of(judges))
        self._run_up = RunUp(store, watch, judges)
        self._save_ms = 0
        self._mono_ms = 0
        """The time of the last call, monotonic ms."""
        self._restarts = Restarts(store)
        self._settled_ms: int | None = None
        """When this run will have lasted long enough for the ones before it to be forgotten."""
        self._hasty_ms = 0
        """Every tick commits until then."""
        self._escalation = escalation
        self._told = told
        self._clock = RunClock(store, watch.plan.zone)
        self._gap = BlindGap(store, self._clock)
        self._trouble = StoreTrouble(store, watch.plan.zone)
        self._drills = Drills(store, watch, self._clock)
        links = UsedLinks(store, link_key)
        self._asked = Asked(store, watch, self._clock, self._drills, links, note_taker)
        self._keep_raw_ms = round(keep_raw_s * 1000)
        self._house_ms = 0
        self._announced = Announcements()
        self.readings_taken = 0

    # -- time

    def begin(
        self, boot_id: str, mono_ms: int, wall_ms: int, trusted: bool, *, counted: bool = False
    ) -> None:
        """Starts a run: the first clock epoch, and the alarms as they were when the last run ended.

        Restoring comes before the first evaluation, so that nothing is announced twice. What was
        being counted continues; what became due by readings that the last run could no longer judge
        is reported now.

        Args:
            counted: whether this is a start of the daemon, several of which within an hour are an
                alarm. It is kept before anything else can end this run too.
        """
        self._mono_ms = mono_ms
        now = self._clock.begin(boot_id, mono_ms, wall_ms, trusted)
        starts = self._restarts.count(now, boot_id) if counted else ()
        self._gap.begin()
        latest = self.store.latest_transitions()
        self._announced = Announcements(
            mono_ms, self.store.newest(Stream.NOTICES), self.store.sinks.cursors(Stream.NOTICES)
        )
        for alarm in (t.alarm for t in latest if t.after is not State.NORMAL):
            self._announced.restored(alarm)
        self._drills.see(latest)
        if self._escalation is not None:
            self._escalation.restore((t for t in latest if t.alarm != DRILL), now)
        closed = self.watch.restore(latest, now)
        self._keep([*closed, *self._run_up.resume(now)])
        self._settled_ms = mono_ms + WITHIN_MS if counted else None
        if len(starts) >= TOLD_FROM:
            self._hasty_ms = mono_ms + HASTY_FOR_MS
            if (finding := restarting(starts, self.store.utc_ms)) is not None:
                self.find(finding, mono_ms)
        self.find(steady(), mono_ms)
        self._observing.resume()
        self._save(now)

    def moment(self, mono_ms: int) -> Moment:
        return self._clock.moment(mono_ms)

    def look_at_clock(self, mono_ms: int, wall_ms: int, trusted: bool) -> Change:
        """Returns what has changed, so that whoever keeps a calendar can look again."""
        change, finding = self._clock.look(mono_ms, wall_ms, trusted)
        if finding is not None:
            self.find(finding, mono_ms)
        return change

    # -- readings

    def take(self, batch: Batch) -> None:
        """Judges, keeps and watches the samples of one source, in order."""
        moment = self.moment(batch.mono_ms)
        self._mono_ms = max(self._mono_ms, batch.mono_ms)
        judges = self._judges
        samples = self._from_above.levels(batch.samples, batch.mono_ms)
        readings = [judges[sample.channel].judge(sample, moment) for sample in samples]
        self._from_above.see(readings)
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
        gap = self._gap.see(readings)
        if gap is not None:
            self.store.put_notice(gap)

    def tick(self, mono_ms: int) -> None:
        """Called once a second, for delays that run out, silence, shelves that end, commits that
        are due."""
        now = self.moment(mono_ms)
        self._mono_ms = max(self._mono_ms, mono_ms)
        self._keep(self.watch.tick(now))
        self._keep(self._drills.tick(now))
        if self._escalation is not None:
            for notice in self._escalation.tick(now):
                self.store.put_notice(self.watch.as_now(notice, now))
        for finding in self._observing.tick(now):
            self._keep(self.watch.find(finding, now))
        if self._settled_ms is not None and mono_ms >= self._settled_ms:
            self._settled_ms = None
            self._restarts.forget()
            self.find(settled(), mono_ms)
        if mono_ms >= self._save_ms and not self.store.disk.bulk:
            self._save(now)
        if mono_ms < self._hasty_ms and self.store.trouble is None:
            self.store.commit()
        self.store.tick(mono_ms)
        self._apply_retention(mono_ms)
        for finding in self._trouble.look():
            self._keep(self.watch.find(finding, now))

    def _apply_retention(self, mono_ms: int) -> None:
        """Rolls up and deletes old readings, a small slice at a time, so that nobody waits for it.
        A replay keeps everything: it is made to be looked at."""
        if self.store.disk.bulk:
            return
        if mono_ms >= self._house_ms and self.store.trouble is None:
            more = self.store.disk.apply_retention(self._keep_raw_ms).more
            self._house_ms = mono_ms + (SLICE_EVERY_MS if more else HOUSE_EVERY_MS)

    # -- events

    def source_changed(self, state: SourceState, mono_ms: int) -> None:
        """A driver went down or came back."""
        self.find(far_ends.of_source(state), mono_ms)

    def sink_changed(self, sink: str, away: bool, reason: str, mono_ms: int) -> None:
        """A broker or server can't be reached, or can again."""
        self.find(far_ends.of_sink(sink, away, reason), mono_ms)

    def write_down(self, source: str, notes: Iterable[JournalLine]) -> None:
        """Puts what a driver's own keeper has noted into the journal. A line that comes twice is
        kept once."""
        for note in notes:
            self.store.put_journal(of_driver(source, note))

    def move_cursor(
        self, sink: str, stream: Stream, seq: int, refused: Sequence[Refusal], mono_ms: int
    ) -> None:
        """Notes that a sink is done with rows up to `seq`."""
        self.store.sinks.move_cursor(sink, stream, seq, refused)
        if stream is Stream.NOTICES:
            self._announced.moved(sink, seq, mono_ms)

    def request(self, request: Request, mono_ms: int) -> Reply:
        """Carries out a person's request."""
        return self.requests([request], mono_ms)[0]

    def requests(self, asked: Iterable[Request], mono_ms: int) -> list[Reply]:
        """Carries out requests in order, and keeps all of it by one commit. Returns a reply to
        each."""
        done: list[Reply | Entry] = []
        with self.store.together():
            for request in asked:
                try:
                    now = self.moment(mono_ms)
                    reply, moved = self._asked.do(request, self._announced, now)
                    self._keep(moved)
                    done.append(reply)
                except Exception:
                    # Whatever a remote request does, it must not count as a fault of the watch.
                    log.exception("a request failed: %s", request.command)
                    done.append(Reply(False, "The daemon failed on this; its log says why."))
        return [self._asked.told(one) for one in done]

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
        """Keeps a notice that is not about an alarm (a review), and ticks off its job in the
        calendar. It is stamped anew: its maker knows the clocks, but not their epoch."""
        stamped = replace(notice, moment=self.moment(notice.moment.mono_ms))
        self.store.put_notice(stamped)
        if job:
            self.store.mark_done(job, local_date)

    def end(self, *, in_order: bool = False) -> None:
        """Writes what is still in memory and lets go of the store.

        Args:
            in_order: whether somebody wanted the end: then the next start is not counted.
        """
        self._save(self.moment(self._mono_ms))
        if in_order:
            self._restarts.forget()
        self.store.commit()
        self.store.close()

    # -- inside

    def _save(self, now: Moment) -> None:
        """Keeps what is being counted and learned; written with the open batch."""
        self._save_ms = now.mono_ms + SAVE_EVERY_MS
        self._observing.save()
        self._run_up.save(now)

    def find(self, finding: Finding, mono_ms: int) -> None:
        """Takes a finding of somebody who looks at no readings."""
        self._keep(self.watch.find(finding, self.moment(mono_ms)))

    def _keep(self, transitions: Sequence[Transition]) -> None:
        if transitions and not self.store.disk.bulk:
            # In one transaction: the counts and the alarms' states never differ.
            self._run_up.save(transitions[-1].moment)
        self._drills.see(transitions)
        for transition in transitions:
            is_drill = transition.alarm == DRILL
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
