"""Does what a person asks: of the alarms, of the journal, or to try the way to people."""

from __future__ import annotations

from dataclasses import replace

from stillwell.alarm.annunciate.announced import Announcements, why_not
from stillwell.alarm.annunciate.maintenance import MAINTENANCE
from stillwell.alarm.answer_link import Rejected
from stillwell.alarm.watch import Watch
from stillwell.asked.drills import Drills
from stillwell.asked.links import UsedLinks
from stillwell.entry import Entry
from stillwell.keeper.note_taker import NoteTaker
from stillwell.notice import Notice, Priority, Prose, Transition
from stillwell.reading import Moment
from stillwell.request import Command, Reply, Request
from stillwell.run.clock import RunClock
from stillwell.store import Store
from stillwell.units import System
from stillwell.words import Reader

Done = tuple[Reply | Entry, list[Transition]]
"""The reply, or the entry that a note became; and what has moved."""


class Asked:
    """Owned by the pipeline's thread.

    Args:
        note_taker: writes down what people send for the journal; none refuses.
    """

    def __init__(
        self,
        store: Store,
        watch: Watch,
        clock: RunClock,
        drills: Drills,
        links: UsedLinks,
        note_taker: NoteTaker | None,
    ) -> None:
        self._store = store
        self._watch = watch
        self._clock = clock
        self._drills = drills
        self._links = links
        self._note_taker = note_taker

    def do(self, request: Request, announced: Announcements, now: Moment) -> Done:
        """Does it. `announced`: what recipients have been told."""
        if request.command is Command.ANSWER or request.link:
            return self._by_link(request, announced, now)
        if request.command is Command.TEST_NOTICE:
            key = request.text or f"test-{now.utc_ms}"
            self._store.put_notice(trial(key, now))
            return Reply(True, f"The test notice {key} is on its way to every sink."), []
        if request.command is Command.DRILL:
            return self._drills.begin(request, now)
        if request.command is Command.NOTE:
            if self._note_taker is None:
                return Reply(False, "Nobody takes notes here."), []
            return self._note_taker(request, self._store, now.utc_ms), []
        return self._of_alarms(request, announced, now)

    def told(self, done: Reply | Entry) -> Reply:
        """Returns the reply, once what was asked is kept."""
        if isinstance(done, Reply):
            return done
        assert self._note_taker is not None
        return self._note_taker.told(done, self._store)

    def _of_alarms(
        self, request: Request, announced: Announcements, now: Moment
    ) -> tuple[Reply, list[Transition]]:
        def why(alarm: str) -> str:
            calls = self._store.kept.latest_calls(alarm, 2)
            return why_not(request, alarm, calls, announced, now, self._clock.trusted)

        reply, moved = self._watch.request(request, now, why)
        work = next((t for t in moved if t.alarm == MAINTENANCE), None)
        if reply.done and reply.alarms == (MAINTENANCE,) and work is not None:
            plan = self._watch.plan
            reply = replace(reply, text=str(Reader(plan.zone, System(plan.units)).alarm(work)))
        return reply, moved

    def _by_link(self, request: Request, announced: Announcements, now: Moment) -> Done:
        allowed = self._links.allowed(request, now.utc_ms)
        if isinstance(allowed, Rejected):
            return Reply(False, allowed.text), []
        reply, moved = self._of_alarms(allowed.request, announced, now)
        if reply.done:
            self._links.use(allowed)
        return reply, moved


def trial(key: str, now: Moment) -> Notice:
    """The notice that tests the way to a person."""
    return Notice(
        key=key,
        subject="drill",
        kind="drill",
        # Somebody waits to hear it: low would make no sound.
        priority=Priority.MEDIUM,
        moment=now,
        facts=Prose(
            "Test from stillwell: this is not an alarm.",
            "Somebody asked for a test. If you read this, alarms reach you this way.",
        ),
    )
