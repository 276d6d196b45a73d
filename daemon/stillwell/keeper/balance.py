"""The salt balance and the cycle, as the journal has them at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from stillwell.entry import Entry
from stillwell.estimate.cycle import Stage, Test, Verdict, verdict
from stillwell.estimate.salt import (
    Check,
    EvaporationRate,
    Event,
    MissingWater,
    SaltParameters,
    SaltState,
    begun,
    replayed,
)
from stillwell.estimate.salt_alarm import explained, is_unexpected
from stillwell.journal import Kind, cycle_tests, salt_events, standing

DAY_MS = 86_400_000
LOOK_BACK_MS = 120 * DAY_MS
"""What is older says nothing more of today's salinity: four months of weekly checks lie between, or
the interval is as wide as if nobody had ever looked."""

Level = MissingWater | EvaporationRate


def salt_state(
    entries: Iterable[Entry], level: Iterable[Level], parameters: SaltParameters, now_ms: int
) -> SaltState:
    """Returns the balance at a time, from all entries of the last four months whatever their order.

    Args:
        entries: those that stand; struck ones are left out.
        level: what the level says is missing, once a day at most.
        parameters: the tank.
        now_ms: UTC ms; what is later is left out.
    """
    events = _events(entries, level, now_ms)
    return replayed(_started(events, parameters, now_ms), events, now_ms)


def _events(entries: Iterable[Entry], level: Iterable[Level], now_ms: int) -> list[Event]:
    """What the balance is told up to a time, in order."""
    start_ms = now_ms - LOOK_BACK_MS
    kept = [e for e in standing(entries) if start_ms <= e.at_ms <= now_ms]
    events = [*salt_events(kept), *(e for e in level if start_ms <= e.t_ms <= now_ms)]
    return sorted(events, key=lambda e: e.t_ms)


def _started(events: Sequence[Event], parameters: SaltParameters, now_ms: int) -> SaltState:
    return begun(parameters, min((e.t_ms for e in events), default=now_ms))


@dataclass(frozen=True, slots=True)
class LastCheck:
    """The newest salinity that somebody measured, beside what the entries before it foretold."""

    check: Check
    text: str
    """As expected, or what it likely comes from and what to look at."""
    unexpected: bool


def last_check(
    entries: Iterable[Entry], level: Iterable[Level], parameters: SaltParameters, now_ms: int
) -> LastCheck | None:
    """Returns the newest check and what it speaks for, None without one; arguments as of
    `salt_state`. The first of all is never unexpected: nothing foretold it."""
    events = _events(entries, level, now_ms)
    found = [n for n, event in enumerate(events) if isinstance(event, Check)]
    if not found:
        return None
    check = events[found[-1]]
    assert isinstance(check, Check)
    if len(found) == 1:
        return LastCheck(check, "", False)
    before = replayed(_started(events, parameters, now_ms), events[: found[-1]], check.t_ms)
    return LastCheck(check, explained(before, check), is_unexpected(before, check))


@dataclass(frozen=True, slots=True)
class Cycle:
    """Where the tank's nitrogen cycle stands by the journal."""

    begun_ms: int | None
    """When it was started, or tested first; None: nothing is noted of any cycle."""
    seeded: bool
    tests: tuple[Test, ...]
    verdict: Verdict

    @property
    def running(self) -> bool:
        """Returns whether there is one to wait for."""
        return self.begun_ms is not None and self.verdict.stage is not Stage.FINISHED


def cycle_of(entries: Sequence[Entry]) -> Cycle:
    """Returns the cycle: from the newest `cycle-start` on, else from the first test on.

    Tests are only a cycle's when no animals were put in before the first of them: else they are a
    look at a tank that lives already, and nobody waits for a verdict.
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
    """Returns how many animals live in the tank by the journal: an entry without a number counts
    one."""
    count = 0
    for entry in standing(entries):
        number = 1 if entry.value is None else round(entry.value)
        if entry.kind == Kind.ANIMALS_IN:
            count += number
        elif entry.kind == Kind.ANIMALS_OUT:
            count = max(0, count - number)
    return count
