"""What rules remember, as text and back, and what the alarm log remembers of an alarm. Both
continue in the next run.

Every monotonic time is moved onto the monotonic clock of the run that reads it; see `Shifted`.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from stillwell.alarm.annunciate import shelving
from stillwell.alarm.annunciate.state import AlarmState
from stillwell.alarm.rules.limit import LimitState
from stillwell.alarm.rules.missing import NONE, Kind, Trouble
from stillwell.alarm.rules.neighbours import Company, Habit, Seen
from stillwell.notice import State, Transition
from stillwell.reading import Moment

_LONGEST_PAST_MS = 30 * 86_400_000
"""A restored condition is taken to be at most this old, because the wall clock may be wrong by
years. A choice of ours."""


def as_text(what: Any) -> str:
    """Returns `what` as JSON; a dataclass becomes the list of its fields, a moment the list of
    its times."""
    return json.dumps(what, default=_plain)


def _plain(what: Any) -> list[Any]:
    if isinstance(what, deque):
        return list(what)
    return [getattr(what, field.name) for field in fields(what)]


@dataclass(frozen=True, slots=True)
class Shifted:
    """Reads what an earlier run has kept. Its methods raise ValueError, TypeError or KeyError for
    what `as_text` did not write.

    `by_ms` is added to every monotonic time. UTC is not changed: it is what people are told.
    `moved` is added to the values of channels whose offset has changed.
    """

    by_ms: int
    moved: Mapping[str, float] = field(default_factory=dict)

    def ms(self, kept: Any) -> int | None:
        return None if kept is None else int(kept) + self.by_ms

    def moment(self, kept: Any) -> Moment | None:
        if kept is None:
            return None
        mono_ms, utc_ms, epoch = map(int, kept)
        return Moment(mono_ms + self.by_ms, utc_ms, epoch)

    def limit(self, kept: Any) -> LimitState:
        active, since, turning, counted_ms, last_ms = kept
        return LimitState(
            bool(active),
            self.moment(since),
            self.moment(turning),
            int(counted_ms),
            int(last_ms) + self.by_ms,
        )

    def trouble(self, kept: Any) -> Trouble:
        kind, since, mending_ms = kept
        if kind is None:
            return NONE
        return Trouble(Kind(kind), self.moment(since), self.ms(mending_ms))

    def company(self, kept: Any) -> Company:
        latest, agreed, habits, odd, because = kept
        return Company(
            self._seen(latest),
            self._seen(agreed),
            {str(name): _habit(*habit) for name, habit in habits.items()},
            str(odd),
            str(because),
        )

    def _seen(self, kept: Any) -> dict[str, Seen]:
        return {
            str(name): Seen(float(value) + self.moved.get(name, 0.0), int(mono_ms) + self.by_ms)
            for name, (value, mono_ms) in kept.items()
        }


def _habit(unrest: float, usual: float, wait: float, steps: int, idle: int) -> Habit:
    return Habit(float(unrest), float(usual), float(wait), int(steps), int(idle))


def restored(row: Transition, latching: bool, now: Moment) -> AlarmState:
    """Returns the state of an alarm whose latest transition is `row`, on the clocks of a new
    run."""
    shelved = row.after is State.SHELVED
    return AlarmState(
        state=row.after,
        active=row.active,
        priority=row.priority,
        latching=latching,
        since=on_this_clock(row.since, now),
        shelf_ends_ms=shelving.restored_end_ms(row, now) if shelved else None,
    )


def on_this_clock(then: Moment, now: Moment) -> Moment:
    """Returns a moment of an earlier run on the monotonic line of this one, by the wall clock."""
    ago_ms = min(max(0, now.utc_ms - then.utc_ms), _LONGEST_PAST_MS)
    return Moment(now.mono_ms - ago_ms, then.utc_ms, then.epoch)
