"""The annunciator: the state machines of all alarms of one tank, their facts, which alarm is kept
quiet by which, and which is shelved for how long.

It knows conditions by name only: rules and findings bring the conditions that stand, persons
bring requests, and time ends shelves. Whatever moved comes back as transitions, in order, for
the caller to keep and to send.
"""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Protocol

from stillwell.alarm.annunciate import maintenance, shelving
from stillwell.alarm.annunciate.asked import DONE, event_of, fits
from stillwell.alarm.annunciate.maintenance import MAINTENANCE
from stillwell.alarm.annunciate.settling import Settling, newest, over_since_ms, settling
from stillwell.alarm.annunciate.state import URGENCY, AlarmState, Event, Kind, Record, Refuse, step
from stillwell.alarm.annunciate.suppression import Relations
from stillwell.alarm.house import AtWork, Removed, Standing, WorkOver
from stillwell.alarm.kept import Shifted, restored
from stillwell.alarm.nearest import did_you_mean
from stillwell.alarm.occurring import Alarms
from stillwell.alarm.plan import WatchPlan
from stillwell.finding import Finding, Over
from stillwell.notice import Facts, Kept, Notice, Priority, State, Transition
from stillwell.reading import Moment
from stillwell.request import Reply, Request
from stillwell.units import Dimension, show

_NEVER_MS = 1 << 62

_LATER = frozenset({Kind.UNSUPPRESS, Kind.SHELF_ENDED, Kind.UNSHELVE, Kind.RETURN_TO_SERVICE})
"""Events that announce a condition which began long ago."""


WhyNot = Callable[[str], str]


def free(alarm: str) -> str:
    """Returns that nothing speaks against a request."""
    return ""


class Conditions(Protocol):
    """Whoever knows what the alarms are about."""

    def patience_ms(self, alarm: str) -> int:
        """Returns how long, in ms, it takes to see whether the value that `alarm` is about has
        turned."""
        ...

    def comes_back(self, alarm: str, now: Moment) -> bool:
        """Returns whether the value that `alarm` is about is returning to normal by itself."""
        ...

    def facts_now(self, alarm: str, now: Moment) -> Facts | None:
        """Returns the facts of `alarm`, which stands, at `now`; None where they are those found
        last."""
        ...


class Annunciator:
    """Owned by one thread."""

    def __init__(self, plan: WatchPlan, alarms: Alarms, conditions: Conditions) -> None:
        self.plan = plan
        self._known = alarms
        self._relations = Relations(alarms.relations)
        self._conditions = conditions
        self._alarms: dict[str, AlarmState] = {}
        self._states: dict[str, AlarmState] = {}
        """The states of the plant that hold now and are no alarms; each counts as a standing
        alarm for what follows from it."""
        self._facts: dict[str, Facts] = {}
        self._latest: dict[str, Transition] = {}
        self._gap_s = {channel.name: channel.gap_s for channel in plan.channels}
        self._settling: dict[str, Settling] = {}
        """Suppressed alarms whose cause is over."""

    # -- the calls -----------------------------------------------------------------------------

    def restore(self, transitions: Sequence[Transition], now: Moment) -> list[Transition]:
        """Takes up the alarms as they stood, without announcing any of them.

        Returns the transitions that close those which the configuration no longer has.

        Args:
            transitions: the latest of each alarm, or all there are, oldest first.
        """
        out: list[Transition] = []
        for row in {row.alarm: row for row in transitions}.values():
            state = restored(row, self._known.latches(row.alarm), now)
            self._alarms[row.alarm] = state
            self._facts[row.alarm] = row.facts
            self._latest[row.alarm] = row
            if not self._known.defined(row.alarm):
                if state.state is not State.NORMAL:
                    self._facts[row.alarm] = Removed()
                    out += self._move(row.alarm, Event(Kind.REMOVED), now)
                del self._alarms[row.alarm], self._facts[row.alarm], self._latest[row.alarm]
        for alarm, state in self._alarms.items():
            if state.state is State.SUPPRESSED and self._cause_of(alarm, state.priority) is None:
                causes = (self._latest.get(c) for c in self._relations.causes(alarm))
                self._let_settle(alarm, over_since_ms(filter(None, causes), now))
        return out

    def kept(self) -> Any:
        """Returns what the next run continues from and is not in the log, for `kept.as_text`."""
        return [newest(self._latest.values()), self._settling]

    def revive(self, kept: Any, here: Shifted) -> None:
        """Continues from what an earlier run has kept, after `restore`."""
        place, left = kept
        if place != newest(self._latest.values()):
            return  # the log tells more
        for alarm, (due_ms, until_ms) in left.items():
            if alarm in self._settling:
                self._settling[alarm] = Settling(int(due_ms), int(until_ms)).moved(here.by_ms)

    def find(self, finding: Finding, now: Moment) -> list[Transition]:
        """Passes a finding to its alarm; may be called as often as is convenient."""
        alarm, priority = finding.alarm, finding.priority
        if alarm in self._known.states:
            return self._find_state(finding, now)
        state = self._alarms.get(alarm)
        if state is None or not state.active:
            if not finding.active:
                return []
            self._facts[alarm] = finding.facts
            under = self._cause_of(alarm, priority) is not None
            event = Event(Kind.RAISE, priority, since=finding.since, under_cause=under)
            return self._move(alarm, event, now)
        self._facts[alarm] = finding.facts
        if not finding.active:
            return self._move(alarm, Event(Kind.CLEAR), now)
        if URGENCY[priority] <= URGENCY[state.priority]:
            return []
        out = []
        if state.state is State.ACKNOWLEDGED and self._cause_of(alarm, priority) == MAINTENANCE:
            # It would call somebody again, whose hand may be the cause.
            out += self._move(alarm, Event(Kind.SUPPRESS), now)
        out += self._move(alarm, Event(Kind.PRIORITY, priority), now)
        if (
            self._alarms[alarm].state is State.SUPPRESSED
            and self._cause_of(alarm, priority) is None
            and alarm not in self._settling
        ):
            # It has become more urgent than what it was hidden under.
            out += self._move(alarm, Event(Kind.UNSUPPRESS), now)
        return out

    def _find_state(self, finding: Finding, now: Moment) -> list[Transition]:
        """Takes up a state of the plant. It hides what is raised while it lasts, and nothing
        that stood before."""
        if finding.active:
            self._states[finding.alarm] = AlarmState(active=True, priority=finding.priority)
        elif self._states.pop(finding.alarm, None) is not None:
            for alarm in self._relations.consequences(finding.alarm):
                self._regard(alarm, now)
        return []

    def request(
        self, request: Request, now: Moment, why_not: WhyNot = free
    ) -> tuple[Reply, list[Transition]]:
        """Does what a person asks, for one alarm or for every alarm that it fits.

        Args:
            why_not: returns why the request may not act on an alarm; empty where it may.
        """
        subject = request.subject
        longest_s = self.plan.longest_shelf_s
        if subject == MAINTENANCE:
            longest_s = maintenance.LONGEST_S
            request = maintenance.as_sent(request)
        event = event_of(request, longest_s, show(longest_s, Dimension.DURATION))
        if isinstance(event, str):
            return Reply(False, event), []
        if not subject:
            return self._request_all(request, event, now, why_not)
        if subject == MAINTENANCE:
            return self._work(event, now, why_not, request.by)
        if subject not in self._alarms and subject not in self._known.of_rules:
            return Reply(False, self._unknown(subject)), []
        event = self._with_cause(subject, event)
        after, actions = step(self._state(subject), event, now)
        for action in actions:
            if isinstance(action, Refuse):
                return Reply(False, f"{subject} {action.reason}."), []
        if why := why_not(subject):
            return Reply(False, why), []
        moved = self._move(subject, event, now, by=request.by)
        return Reply(
            True, f"{subject} is {after.state.value.replace('-', ' ')} now.", (subject,)
        ), moved

    def _work(
        self, event: Event, now: Moment, why_not: WhyNot, by: str
    ) -> tuple[Reply, list[Transition]]:
        """Begins work at the tank, gives it another end, or ends it. What there is to say of it is
        in the facts of what moved."""
        if event.kind is Kind.UNSHELVE and not self._at_work():
            return Reply(False, "No work at the tank is under way."), []
        if event.kind not in (Kind.SHELVE, Kind.UNSHELVE):
            return Reply(
                False, f"{MAINTENANCE} can be shelved and unshelved, and nothing else."
            ), []
        if why := why_not(MAINTENANCE):
            return Reply(False, why), []
        moved = self._move(MAINTENANCE, event, now, by=by)
        return Reply(True, "", (MAINTENANCE,)), moved

    def tick(self, now: Moment) -> list[Transition]:
        """Does what is due by time alone: shelves that end, suppressed alarms whose causes are
        over."""
        return [*self._end_shelves(now), *self._settle(now)]

    def next_due_ms(self) -> int:
        """Returns the monotonic time before which a tick has nothing to do."""
        shelves = [
            state.shelf_ends_ms
            for state in self._alarms.values()
            if state.shelf_ends_ms is not None
        ]
        settling = [left.due_ms for left in self._settling.values()]
        return min([_NEVER_MS, *shelves, *settling])

    def standing(self, alarm: str) -> AlarmState | None:
        """Returns the state of an alarm whose condition stands; None if it does not stand."""
        state = self._alarms.get(alarm)
        return state if state is not None and state.active else None

    def as_now(self, notice: Notice, now: Moment) -> Notice:
        """Returns `notice`, which is about an alarm that stands, with the facts of `now`."""
        alarm = notice.subject
        facts = self._conditions.facts_now(alarm, now) or self._facts.get(alarm)
        return notice if facts is None else replace(notice, facts=facts)

    def latest(self) -> list[Transition]:
        """Returns the latest transition of every alarm that has ever moved, by name."""
        return [self._latest[alarm] for alarm in sorted(self._latest)]

    # -- from conditions to alarms -------------------------------------------------------------

    def _state(self, alarm: str) -> AlarmState:
        state = self._alarms.get(alarm)
        return AlarmState(latching=self._known.latches(alarm)) if state is None else state

    def _cause_of(self, alarm: str, priority: Priority) -> str | None:
        if alarm in self._known.by_hand and self._at_work():
            return MAINTENANCE
        return self._relations.explained(alarm, priority, ChainMap(self._alarms, self._states))

    def _at_work(self) -> bool:
        return self._state(MAINTENANCE).state is State.SHELVED

    def _move(self, alarm: str, event: Event, now: Moment, *, by: str = "") -> list[Transition]:
        before = self._state(alarm)
        after, actions = step(before, event, now)
        if not any(isinstance(action, Record) for action in actions):
            return []
        if after.since is None:
            after = replace(after, since=now)  # so that the log holds the whole state
        if alarm == MAINTENANCE:
            after = self._say_of_work(after, now)
        self._alarms[alarm] = after
        if after.active and event.kind in _LATER:
            self._facts[alarm] = self._conditions.facts_now(alarm, now) or self._facts[alarm]
        if after.state is not State.SUPPRESSED:
            self._settling.pop(alarm, None)
        transition = Transition(
            alarm=alarm,
            moment=now,
            before=before.state,
            after=after.state,
            event=event.kind.value,
            priority=after.priority,
            active=after.active,
            facts=self._facts.get(alarm, Over()),
            since=after.since or now,
            by=by,
            shelved_for_ms=shelving.left_ms(after.shelf_ends_ms, now),
        )
        self._latest[alarm] = transition
        out = [transition]
        consequences = self._relations.consequences(alarm)
        for consequence in sorted(self._known.by_hand) if alarm == MAINTENANCE else consequences:
            out += self._regard(consequence, now)
        return out

    def _say_of_work(self, after: AlarmState, now: Moment) -> AlarmState:
        """Adds to the alarm of work at the tank when the work ends, or at its end what stands."""
        if after.shelf_ends_ms is not None:
            left_ms = shelving.left_ms(after.shelf_ends_ms, now)
            self._facts[MAINTENANCE] = AtWork(now.utc_ms + left_ms, left_ms)
            return after
        stands = [(-URGENCY[s.priority], alarm, s) for alarm, s in self._alarms.items() if s.active]
        found = tuple(
            Standing(
                alarm,
                (state.since or now).utc_ms,
                Kept.of(self._conditions.facts_now(alarm, now) or self._facts[alarm]),
            )
            for _, alarm, state in sorted(stands, key=lambda each: each[:2])
        )
        self._facts[MAINTENANCE] = WorkOver(found)
        return replace(after, priority=maintenance.priority_of(found))

    def _regard(self, alarm: str, now: Moment) -> list[Transition]:
        """Acts on a change of one of the causes of `alarm`: suppresses it, or lets it settle.

        An acknowledged alarm is known and stays as it is. A suppressed one has a while to follow
        its cause, and rings if it does not.
        """
        state = self._alarms.get(alarm)
        if state is None:
            return []
        cause = self._cause_of(alarm, state.priority)
        if cause is not None:
            self._settling.pop(alarm, None)
            if state.state is State.UNACKNOWLEDGED and cause not in self._states:
                return self._move(alarm, Event(Kind.SUPPRESS), now)
        elif state.state is State.SUPPRESSED and alarm not in self._settling:
            self._let_settle(alarm, now.mono_ms)
        return []

    def _let_settle(self, alarm: str, from_ms: int) -> None:
        self._settling[alarm] = settling(from_ms, self._patience_ms(alarm))

    def _patience_ms(self, alarm: str) -> int:
        """Returns how long, in ms, `alarm` may take to follow its cause: a channel must be read
        again and then be good for its gap; a value must turn."""
        settle_s = self._known.patience_s.get(alarm, self.plan.settle_s)
        again_s = 2 * self._gap_s.get(alarm.rpartition(".")[0], 0.0)
        return max(round(1000 * max(settle_s, again_s)), self._conditions.patience_ms(alarm))

    def _settle(self, now: Moment) -> list[Transition]:
        """Announces suppressed alarms that have not followed their cause and are not about to."""
        out: list[Transition] = []
        for alarm, left in list(self._settling.items()):
            if now.mono_ms < left.due_ms:
                continue
            state = self._alarms[alarm]
            waits = state.active and now.mono_ms < left.until_ms
            if waits and self._conditions.comes_back(alarm, now):
                self._settling[alarm] = left.looked_at(now.mono_ms)
                continue
            self._settling.pop(alarm)
            if self._cause_of(alarm, state.priority) is None:
                out += self._move(alarm, Event(Kind.UNSUPPRESS), now)
        return out

    def _end_shelves(self, now: Moment) -> list[Transition]:
        out: list[Transition] = []
        for alarm, state in list(self._alarms.items()):
            if state.shelf_ends_ms is not None and now.mono_ms >= state.shelf_ends_ms:
                out += self._move(alarm, self._with_cause(alarm, Event(Kind.SHELF_ENDED)), now)
        return out

    def _with_cause(self, alarm: str, event: Event) -> Event:
        if event.kind in (Kind.UNSHELVE, Kind.SHELF_ENDED, Kind.RETURN_TO_SERVICE):
            under = self._cause_of(alarm, self._state(alarm).priority) is not None
            return Event(event.kind, under_cause=under)
        return event

    # -- requests ------------------------------------------------------------------------------

    def _request_all(
        self, request: Request, event: Event, now: Moment, why_not: WhyNot
    ) -> tuple[Reply, list[Transition]]:
        if event.kind is Kind.OUT_OF_SERVICE:
            return Reply(False, "Name the alarm to take out of service; one at a time."), []
        found = [alarm for alarm, state in sorted(self._alarms.items()) if fits(event.kind, state)]
        whys = {alarm: why_not(alarm) for alarm in found}
        names = tuple(alarm for alarm in found if not whys[alarm])
        if not found:
            return Reply(False, f"There is no alarm to {request.command.replace('-', ' ')}."), []
        if not names:
            return Reply(False, whys[found[0]]), []
        out: list[Transition] = []
        for alarm in names:
            out += self._move(alarm, self._with_cause(alarm, event), now, by=request.by)
        text = f"{DONE[event.kind]}: {', '.join(names)}."
        if left := [alarm for alarm in found if whys[alarm]]:
            text += f" Not {', '.join(left)}: not announced yet when this was sent."
        return Reply(True, text, names), out

    def _unknown(self, subject: str) -> str:
        standing = [alarm for alarm, s in self._alarms.items() if s.state is not State.NORMAL]
        hint = did_you_mean(subject, {*self._known.of_rules, *self._alarms}, standing)
        shown = " ".join(subject.split())[:60]
        return f'There is no alarm "{shown}".{hint}'
