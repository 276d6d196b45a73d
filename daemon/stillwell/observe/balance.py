"""The salt balance and the nitrogen cycle at a given time, worked out from the journal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from stillwell.entry import Entry
from stillwell.estimate.cycle.stage import Stage, Test, Verdict, verdict
from stillwell.estimate.salt.balance import SaltState, advanced, begun
from stillwell.estimate.salt.pours import Courses
from stillwell.estimate.salt.told import Check, Event, MissingWater, SaltParameters
from stillwell.journal import Kind, cycle_tests, salt_events, standing
from stillwell.observe.salt.alarms import Likely, causes, explained, is_unexpected

DAY_MS = 86_400_000
_Z2 = 3.92
"""The width of a 95 % interval in standard deviations."""
_LEAST_SD_ML = 20.0
"""The least standard deviation of missing water, mL: nobody knows it better (our own choice)."""
LOOK_BACK_MS = 120 * DAY_MS
"""Older entries say nothing more about today's salinity: either four months of weekly checks lie
between, or the interval is as wide as if nobody had ever looked."""


def salt_states(
    entries: Iterable[Entry],
    level: Iterable[MissingWater],
    parameters: SaltParameters,
    times_ms: Sequence[int],
) -> Iterator[SaltState]:
    """Yields the balance at each of these times, by what was noted before it.

    Args:
        entries: those that hold, in any order; struck ones are left out.
        level: how much water is missing by the level, once a day at most.
        parameters: the tank.
        times_ms: UTC ms, in order. Entries are taken from four months before the first one on.
    """
    events = _events(entries, level, times_ms[0] - LOOK_BACK_MS, times_ms[-1])
    courses: Courses | None = None
    told = 0
    for at_ms in times_ms:
        for event in events[told:]:
            if event.t_ms > at_ms:
                break
            courses = courses or Courses(begun(parameters, event.t_ms))
            courses.tell(event)
            told += 1
        yield begun(parameters, at_ms) if courses is None else advanced(courses.state, at_ms)


def missing_water(t_ms: int, ml: float, low: float, high: float) -> MissingWater:
    """Returns how much water is missing at a time by the level, from its 95 % interval, in the
    form that the balance takes."""
    return MissingWater(t_ms, ml, max((high - low) / _Z2, _LEAST_SD_ML))


@dataclass(frozen=True, slots=True)
class LastCheck:
    """The newest salinity that somebody measured, beside what the entries before it predicted."""

    check: Check
    text: str
    """Says that the check is as expected, or what it likely comes from and what to look at."""
    unexpected: bool
    likely: Likely | None
    """The likeliest cause; None for the first check, which nothing predicted."""


class Ledger:
    """The balance at one time after another, from the entries of the last four months. What has
    been worked out up to the last event is not worked out again."""

    def __init__(self, parameters: SaltParameters) -> None:
        self.parameters = parameters
        self._events: list[Event] | None = None
        self._after: SaltState | None = None
        self._last: LastCheck | None = None

    def at(self, entries: Iterable[Entry], level: Iterable[MissingWater], now_ms: int) -> SaltState:
        """Returns the balance at a time; entries and levels as for `salt_states`."""
        events = _events(entries, level, now_ms - LOOK_BACK_MS, now_ms)
        if not events:
            self._events, self._after, self._last = None, None, None
            return begun(self.parameters, now_ms)
        if self._after is None or events != self._events:
            self._after, self._last = _reckoned(begun(self.parameters, events[0].t_ms), events)
            self._events = events
        return advanced(self._after, now_ms)

    @property
    def last_check(self) -> LastCheck | None:
        """Returns the newest check and its likely cause, as of the last `at`; None without a
        check. The very first is never unexpected, because nothing predicted it."""
        return self._last


def _events(
    entries: Iterable[Entry], level: Iterable[MissingWater], start_ms: int, now_ms: int
) -> list[Event]:
    """Returns the events that the balance takes within a time, in order."""
    kept = [e for e in standing(entries) if start_ms <= e.at_ms <= now_ms]
    events = [*salt_events(kept), *(e for e in level if start_ms <= e.t_ms <= now_ms)]
    return sorted(events, key=lambda e: e.t_ms)


def _reckoned(start: SaltState, events: Sequence[Event]) -> tuple[SaltState, LastCheck | None]:
    """Returns the balance after the last event, and how the last check compares with what was
    expected."""
    checks = [n for n, event in enumerate(events) if isinstance(event, Check)]
    courses, last = Courses(start), None
    for n, event in enumerate(events):
        if checks and n == checks[-1]:
            assert isinstance(event, Check)
            first, before = len(checks) == 1, courses.book
            text = "" if first else explained(before, event)
            likely = None if first else causes(before, event)[0]
            last = LastCheck(event, text, not first and is_unexpected(before, event), likely)
        courses.tell(event)
    return courses.state, last


@dataclass(frozen=True, slots=True)
class Cycle:
    """Where the tank's nitrogen cycle stands by the journal."""

    begun_ms: int | None
    """When it was started, or first tested, UTC ms; None: the journal mentions no cycle."""
    seeded: bool
    tests: tuple[Test, ...]
    verdict: Verdict

    @property
    def running(self) -> bool:
        """Returns whether there is a cycle to wait for."""
        return self.begun_ms is not None and self.verdict.stage is not Stage.FINISHED


def cycle_of(entries: Sequence[Entry]) -> Cycle:
    """Returns the cycle: from the newest `cycle-start` on, else from the first test on.

    Tests belong to a cycle only when no animals were put in before the first of them. Otherwise
    they check a tank that lives already, and nobody waits for a verdict.
    """
    rows = standing(entries)
    starts = [e.at_ms for e in rows if e.kind == Kind.CYCLE_START]
    tests = cycle_tests(rows)
    begun_ms = starts[-1] if starts else min((t.t_ms for t in tests), default=None)
    if not starts and begun_ms is not None:
        lived = any(e.kind == Kind.ANIMALS_IN and e.at_ms < begun_ms for e in rows)
        begun_ms = None if lived else begun_ms
    counted = tuple(t for t in tests if begun_ms is not None and t.t_ms >= begun_ms)
    seeded = any(e.kind == Kind.SEEDED for e in rows)
    return Cycle(begun_ms, seeded, counted, verdict(counted))


def animals(entries: Iterable[Entry]) -> int:
    """Returns how many animals live in the tank by the journal; an entry without a number counts
    as one."""
    count = 0
    for entry in standing(entries):
        number = 1 if entry.value is None else round(entry.value)
        if entry.kind == Kind.ANIMALS_IN:
            count += number
        elif entry.kind == Kind.ANIMALS_OUT:
            count = max(0, count - number)
    return count
