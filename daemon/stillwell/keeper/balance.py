"""The salt balance and the cycle, as the journal has them at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from stillwell.entry import Entry
from stillwell.estimate.cycle import Stage, Test, Verdict, verdict
from stillwell.estimate.salt import (
    Check,
    EvaporationRate,
    MissingWater,
    SaltParameters,
    SaltState,
    begun,
    replayed,
)
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
    start_ms = now_ms - LOOK_BACK_MS
    kept = [e for e in standing(entries) if start_ms <= e.at_ms <= now_ms]
    events = [*salt_events(kept), *(e for e in level if start_ms <= e.t_ms <= now_ms)]
    first_ms = min((e.t_ms for e in events), default=now_ms)
    return replayed(begun(parameters, first_ms), events, now_ms)


def latest_check(entries: Iterable[Entry]) -> Check | None:
    """Returns the last salinity that somebody measured."""
    checks = [e for e in salt_events(standing(entries)) if isinstance(e, Check)]
    return checks[-1] if checks else None


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
