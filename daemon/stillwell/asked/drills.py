"""The drill that is under way, from its beginning to its acknowledgement or its end."""

from __future__ import annotations

from collections.abc import Iterable

from stillwell.alarm.annunciate.drill import DRILL, PATIENCE_S, begun, over
from stillwell.alarm.watch import Watch
from stillwell.notice import State, Transition
from stillwell.reading import Moment
from stillwell.request import Command, Reply, Request
from stillwell.run.clock import RunClock
from stillwell.store import Store

_CALLING = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)


class Drills:
    """Of one run; a drill of the run before goes on."""

    def __init__(self, store: Store, watch: Watch, clock: RunClock) -> None:
        self._store = store
        self._watch = watch
        self._clock = clock
        self._latest: Transition | None = None
        """The latest change of the drill that is under way."""
        self._until_ms = 0

    def see(self, transitions: Iterable[Transition]) -> None:
        """Takes what has moved."""
        for transition in transitions:
            if transition.alarm == DRILL:
                self._latest = transition if transition.after in _CALLING else None

    def begin(self, request: Request, now: Moment) -> tuple[Reply, list[Transition]]:
        """Begins one, where none is under way."""
        if self._latest is not None:
            return Reply(False, "A drill is under way: acknowledge it, or wait for its end."), []
        self._until_ms = now.mono_ms + round((request.seconds or PATIENCE_S) * 1000)
        moved = self._watch.find(begun(request.by), now)
        self.see(moved)
        if self._latest is None:
            return Reply(False, "The alarm drill is shelved or out of service: free it."), moved
        return Reply(True, "The drill is on its way to every recipient.", (DRILL,)), moved

    def tick(self, now: Moment) -> list[Transition]:
        """Ends the drill that was acknowledged, or that nobody acknowledges any more."""
        drilling = self._latest
        if drilling is None:
            return []
        answered = drilling.after is State.ACKNOWLEDGED
        if not answered and now.mono_ms < self._until_ms:
            return []
        moved = self._watch.find(over(answered), now)
        if answered:
            self._store.mark_done(DRILL, self._clock.local(drilling.moment.utc_ms).date())
            return moved
        end = Request(Command.ACKNOWLEDGE, DRILL, "the end of the drill")
        return [*moved, *self._watch.request(end, now)[1]]
