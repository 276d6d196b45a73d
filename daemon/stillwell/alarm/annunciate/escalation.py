"""What becomes of a high-priority alarm that nobody answers: it is repeated, then passed on to the
next person, until it is acknowledged, shelved, or over.

Pure: a transition or a moment in, notices out. Nothing needs to be kept beside the alarm log. The
key of a repeat is made of the transition that raised the alarm and of the number of the step. The
store keeps a key once, so that a restart, which works out anew what is due, cannot repeat a step.
Steps that came due while the daemon did not run are not made up for; only the newest one is sent.

The steps are a choice of ours, not a standard's: ISA-18.2 leaves re-alarming to the alarm
philosophy (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from stillwell.alarm.annunciate.state import URGENCY
from stillwell.alarm.house import Blind
from stillwell.notice import Notice, Priority, State, Transition
from stillwell.reading import Moment

LONGEST_GONE_MS = 7 * 86_400_000
"""After a restart no alarm counts as unanswered for longer than this, because the wall clock may
be wrong."""

_TURN = re.compile(r":to-(\d{1,2})$")


@dataclass(frozen=True, slots=True)
class EscalationPlan:
    """When an unanswered alarm is repeated, and to whom.

    Recipients have turns: those of turn 1 hear an alarm at once, those of turn 2 when turn 1 has
    not answered for `pass_on_after_s`, and so on. Whoever has been told once hears every repeat.
    """

    repeat_after_s: tuple[float, ...] = (600.0, 1800.0, 3600.0)
    """Times of the repeats in s, counted from the alarm and again from each passing on."""
    pass_on_after_s: float = 3600.0
    turns: int = 1
    then_every_s: float | None = 21_600.0
    """The interval of repeats once all turns have been called; None: no more repeats."""

    def __post_init__(self) -> None:
        times = (*self.repeat_after_s, self.pass_on_after_s, self.then_every_s or 1.0)
        if min(times) <= 0 or list(self.repeat_after_s) != sorted(set(self.repeat_after_s)):
            raise ValueError("Repeats come after lengths of time that grow: 10 min, 30 min, 1 h.")
        if not 1 <= self.turns <= 99:
            raise ValueError("There is at least one turn of recipients, and at most 99.")


@dataclass(frozen=True, slots=True)
class Step:
    """One repeat of an alarm: when it is due after the raise, and the highest turn that hears
    it."""

    number: int
    after_ms: int
    turn: int


@dataclass(frozen=True, slots=True)
class Unanswered:
    """An alarm that waits for an answer."""

    raised: Transition
    """What made it unacknowledged: a raise, or a rise in priority."""
    since_mono_ms: int
    """When `raised` was, on this boot's monotonic clock."""
    said: int = 0
    """The number of the last step that was taken."""


def newest_step(plan: EscalationPlan, gone_ms: int) -> Step | None:
    """Returns the newest step that is due `gone_ms` after the alarm; None before the first."""
    pass_on = round(plan.pass_on_after_s * 1000)
    repeats = [round(seconds * 1000) for seconds in plan.repeat_after_s]
    turn_at: dict[int, int] = {}
    for turn in range(1, plan.turns + 1):
        began = (turn - 1) * pass_on
        ended = began + pass_on if turn < plan.turns else None
        for after in (0, *repeats):
            if began + after > 0 and (ended is None or after < pass_on):
                turn_at[began + after] = turn
    steps = [Step(n, at, turn_at[at]) for n, at in enumerate(sorted(turn_at), 1)]
    last = steps[-1].after_ms if steps else 0
    if plan.then_every_s is not None and gone_ms > last:
        every = round(plan.then_every_s * 1000)
        more = (gone_ms - last) // every
        if more:
            return Step(len(steps) + more, last + more * every, plan.turns)
    return next((step for step in reversed(steps) if step.after_ms <= gone_ms), None)


def waits(transition: Transition) -> bool:
    """Whether a person must answer after `transition`: high priority, standing, unacknowledged.

    Shelved, suppressed, acknowledged, returned and latched alarms need no answer: somebody
    knows, or there is nothing left to hurry for.
    """
    return transition.after is State.UNACKNOWLEDGED and transition.priority is Priority.HIGH


def due(
    unanswered: Unanswered, plan: EscalationPlan, now: Moment
) -> tuple[Unanswered, Notice | None]:
    """Returns the alarm with its last step at `now`, and the notice that is due, if any. Its facts
    are those that were found when the alarm was raised."""
    step = newest_step(plan, now.mono_ms - unanswered.since_mono_ms)
    if step is None or step.number <= unanswered.said:
        return unanswered, None
    return replace(unanswered, said=step.number), _repeated(unanswered, step, now)


def address(notice: Notice, turn: int) -> Notice:
    """Returns `notice` addressed to everybody up to `turn`; the turn becomes part of its key."""
    return notice if turn <= 1 else replace(notice, key=f"{notice.key}:to-{turn}")


def turn_of(notice: Notice) -> int:
    """Returns the highest turn of recipients that `notice` is addressed to; 1 unless it was
    passed on."""
    found = _TURN.search(notice.key)
    return int(found[1]) if found else 1


def is_for(notice: Notice, lowest: Priority, turn: int) -> bool:
    """Returns whether `notice` is for a recipient of that turn who hears `lowest` and higher; a
    drill is for everybody."""
    urgent_enough = URGENCY[notice.priority] >= URGENCY[lowest]
    return notice.kind == "drill" or (urgent_enough and turn_of(notice) >= turn)


def _repeated(unanswered: Unanswered, step: Step, now: Moment) -> Notice:
    raised = unanswered.raised
    moment = raised.moment
    stood_ms = max(0, moment.mono_ms - raised.since.mono_ms)
    notice = Notice(
        key=f"{raised.alarm}:repeated:{step.number}:{moment.epoch}:{moment.mono_ms}",
        subject=raised.alarm,
        kind="repeated",
        priority=raised.priority,
        moment=now,
        facts=raised.facts,
        lasted_ms=stood_ms + max(0, now.mono_ms - unanswered.since_mono_ms),
        unanswered_ms=step.after_ms,
    )
    return address(notice, step.turn)


class Escalation:
    """All unanswered alarms of a tank. Holds only what follows from the alarm log."""

    def __init__(self, plan: EscalationPlan) -> None:
        self.plan = plan
        self._unanswered: dict[str, Unanswered] = {}
        self._reached: dict[str, int] = {}
        """By alarm that still stands: the highest turn that was told of it."""

    def restore(self, latest: Iterable[Transition], now: Moment) -> None:
        """Takes up the newest transition of each alarm after a restart."""
        for transition in latest:
            gone = min(max(0, now.utc_ms - transition.moment.utc_ms), LONGEST_GONE_MS)
            if waits(transition):
                self._unanswered[transition.alarm] = Unanswered(transition, now.mono_ms - gone)
                step = newest_step(self.plan, gone)
                self._reached[transition.alarm] = step.turn if step else 1

    def see(self, transition: Transition) -> None:
        """Follows one change of one alarm; call it in the order of the log."""
        if waits(transition):
            self._unanswered[transition.alarm] = Unanswered(transition, transition.moment.mono_ms)
            return
        self._unanswered.pop(transition.alarm, None)
        if not transition.active:
            self._reached.pop(transition.alarm, None)

    def addressed(self, notice: Notice) -> Notice:
        """Returns `notice` addressed to all who know of its alarm, so that whoever was woken
        hears that it is over. Call it before `see` with the transition that the notice is about."""
        return address(notice, self._reached.get(notice.subject, 1))

    def tick(self, now: Moment) -> list[Notice]:
        """Returns the notices that are due at `now`: at most one an alarm; see `due`."""
        found = []
        for alarm, unanswered in self._unanswered.items():
            self._unanswered[alarm], notice = due(unanswered, self.plan, now)
            if notice is not None:
                self._reached[alarm] = max(self._reached.get(alarm, 1), turn_of(notice))
                found.append(notice)
        return found


def blind(last_seen: Moment, now: Moment, gone_ms: int | None, from_ms: int) -> Notice:
    """Returns the notice that says for how long nobody watched, after the daemon is back.

    Args:
        last_seen: the moment of the newest reading that was kept before.
        now: this run's beginning, under a trusted clock.
        gone_ms: how long that is; None where the clocks don't tell.
        from_ms: since when nobody watched, UTC; `now` where nobody knows.
    """
    return Notice(
        key=f"blind:{last_seen.epoch}:{last_seen.mono_ms}",
        subject="blind",
        kind="blind",
        priority=Priority.MEDIUM,
        moment=now,
        facts=Blind(from_ms, gone_ms),
    )
