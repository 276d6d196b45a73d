"""The observer of ammonia and nitrite tests: publishes the cycle's stage, and raises an alarm
when either shows in a tank with animals. The forecast of the cycle's end takes seconds and is
not made here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from stillwell.alarm.catalogue import priority_of
from stillwell.entry import Entry
from stillwell.estimate.cycle.stage import Stage
from stillwell.finding import Finding, Over
from stillwell.form import Form
from stillwell.journal import Kind, standing
from stillwell.observe.balance import animals, cycle_of
from stillwell.observe.facts import TestShows
from stillwell.observe.plan import BookPlan
from stillwell.ports import Published
from stillwell.reading import Moment, Reading
from stillwell.water.ammonia import Ph, PhScale

AMMONIA, NITRITE = "ammonia.seen", "nitrite.seen"
OF_CYCLE = frozenset(
    {
        *(Kind.AMMONIA, Kind.NITRITE, Kind.PH, Kind.CYCLE_START, Kind.SEEDED),
        *(Kind.ANIMALS_IN, Kind.ANIMALS_OUT),
    }
)
USUAL_PH = 8.2
"""The pH of such a tank, on NBS buffers (common practice); used when none was measured."""
_MOST = 2_000
"""The most entries that are kept: years of tests."""


def newest_ph(rows: Sequence[Entry]) -> Ph:
    """Returns the pH that was measured last; the usual one where none was.

    Args:
        rows: entries that hold, in order.
    """
    newest = next((e for e in reversed(rows) if e.kind == Kind.PH and e.value), None)
    if newest is None or newest.value is None:
        return Ph(USUAL_PH)
    return Ph(newest.value, PhScale.TOTAL if newest.unit == PhScale.TOTAL else PhScale.NBS)


@dataclass(frozen=True, slots=True)
class _Kept:
    entries: list[Entry]
    published: Stage | None


_FORM = Form(_Kept, 2)


class CycleWatch:
    """Deterministic in the entries; finds nothing where the journal has no test."""

    name = "cycle"

    def __init__(self, plan: BookPlan) -> None:
        self._plan = plan
        self._entries: dict[int, Entry] = {}
        self._changed = True
        self._first = True
        self._published: Stage | None = None
        self._stage: Stage | None = None

    @staticmethod
    def alarms() -> tuple[str, ...]:
        """Returns the names of its alarms."""
        return AMMONIA, NITRITE

    def see(self, reading: Reading) -> Iterable[Finding]:
        """Ignores readings, which say nothing about the cycle."""
        return ()

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        """Takes a test, or animals put in; forgets the entry that it strikes out."""
        if struck is not None and self._entries.pop(struck.id, None) is not None:
            self._changed = True
        if entry.kind in OF_CYCLE:
            self._entries[entry.id] = entry
            self._changed = True
            while len(self._entries) > _MOST:
                del self._entries[min(self._entries)]
        return ()

    def tick(self, now: Moment) -> Iterable[Finding]:
        """Returns how both alarms stand, at the start and after an entry."""
        if not self._changed:
            return ()
        first, self._first, self._changed = self._first, False, False
        rows = standing(self._entries.values())
        cycle = cycle_of(rows)
        self._stage = None if cycle.begun_ms is None else cycle.verdict.stage
        lives = animals(rows) > 0
        tested = any(e.kind in (Kind.AMMONIA, Kind.NITRITE) for e in rows)
        if not (tested or first):
            return ()
        return tuple(
            self._finding(name, kind, rows, lives)
            for name, kind in ((AMMONIA, Kind.AMMONIA), (NITRITE, Kind.NITRITE))
        )

    def _finding(self, name: str, kind: Kind, rows: list[Entry], lives: bool) -> Finding:
        newest = next((e for e in reversed(rows) if e.kind == kind), None)
        value = 0.0 if newest is None or newest.value is None else newest.value
        active = lives and value > 0
        if not active:
            return Finding(name, False, priority_of(name), Over())
        ph, plan = newest_ph(rows), self._plan
        facts = TestShows(str(kind), value, ph.value, ph.scale, plan.target_c, plan.salinity_target)
        return Finding(name, True, priority_of(name), facts)

    def estimates(self, now: Moment) -> Iterable[Published]:
        """Returns the stage as a number from 0 (not started) to 4 (finished), whenever it
        changes."""
        if self._stage is None or self._stage == self._published:
            return ()
        self._published = self._stage
        number = float(list(Stage).index(self._stage))
        return (Published("cycle.stage", now.utc_ms, "1", number, None, None, str(self._stage)),)

    def state(self) -> str:
        """Returns the entries as JSON."""
        return _FORM.text(_Kept(list(self._entries.values()), self._published))

    def restore(self, state: str) -> None:
        """The inverse of `state`. Raises ValueError for what it can't read."""
        kept = _FORM.read(state)
        self._entries = {entry.id: entry for entry in kept.entries}
        self._published, self._changed = kept.published, True
