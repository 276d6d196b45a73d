"""Turns the journal into evidence: pours and water changes, taken when their time has come and
taken back when they are struck out."""

from __future__ import annotations

from stillwell.entry import Entry
from stillwell.estimate.level.evidence import WaterChange
from stillwell.observe.chamber.journal import KINDS, WATER_CHANGE, change_of, pour_of
from stillwell.observe.chamber.record import LevelRecord
from stillwell.observe.chamber.total_intake import TotalIntake

_HOUR_MS = 3_600_000
_PENDING_MOST = 5_000
_REFUSED_MOST = 20
_TWELVE_H_MS = 12 * _HOUR_MS
"""How long before a night a pour still says what the level was when the night began."""
_NIGHTS_ANEW = 2


class LevelDiary:
    """Takes journal entries into a record."""

    def __init__(self, record: LevelRecord, total: TotalIntake | None = None) -> None:
        self._record = record
        self._total = total

    def note(self, entry: Entry, struck: Entry | None) -> None:
        """Takes a new entry; `struck` is the earlier one that it strikes out."""
        if struck is not None:
            self._strike(struck)
        if entry.kind in KINDS:
            pending = self._record.memory.pending
            pending.append(entry)
            del pending[:-_PENDING_MOST]
            self.take_due()

    def take_due(self) -> None:
        """Takes the entries whose time has come."""
        memory, level = self._record.memory, self._record.level
        if level is None:
            return
        now_ms = level.now_ms
        for ended in [c for c in memory.open_changes if c[1] <= now_ms]:
            memory.open_changes.remove(ended)
            self._record.update(WaterChange(*ended), now_ms)
        if not memory.pending:
            return
        due = [e for e in memory.pending if memory.line.of_utc(e.at_ms) <= now_ms]
        if not due:
            return
        memory.pending = [e for e in memory.pending if memory.line.of_utc(e.at_ms) > now_ms]
        for entry in sorted(due, key=lambda e: (e.at_ms, e.id)):
            self._take(entry, now_ms)

    def _take(self, entry: Entry, now_ms: int) -> None:
        memory = self._record.memory
        at_ms = memory.line.of_utc(entry.at_ms)
        if entry.kind == WATER_CHANGE:
            change = change_of(entry, at_ms)
            if change.t1_ms is not None and change.t1_ms > now_ms:
                memory.open_changes.append((change.t0_ms, change.t1_ms))
                change = WaterChange(change.t0_ms, None)
            self._record.update(change, now_ms)
        else:
            pour = pour_of(entry, at_ms)
            if isinstance(pour, str):
                memory.refused.append((at_ms, pour))
                del memory.refused[:-_REFUSED_MOST]
            else:
                self._record.update(pour, now_ms)
                if self._total is not None and pour.fresh:
                    self._total.poured(pour)
        self.changed(entry.at_ms)

    def _strike(self, struck: Entry) -> None:
        memory, level = self._record.memory, self._record.level
        waiting = [e for e in memory.pending if e.id != struck.id]
        if len(waiting) < len(memory.pending):
            memory.pending = waiting
            return
        if level is None or struck.kind not in KINDS:
            return
        at_ms = memory.line.of_utc(struck.at_ms)
        if struck.kind == WATER_CHANGE:
            change = change_of(struck, at_ms)
            memory.open_changes = [c for c in memory.open_changes if c[0] != change.t0_ms]
            self._record.retract(change)
        else:
            pour = pour_of(struck, at_ms)
            if isinstance(pour, str):
                memory.refused = [r for r in memory.refused if r != (at_ms, pour)]
            else:
                # the line may have moved a little against the wall clock since it was taken
                near = min(
                    (p for p in level.pours if p.ml == pour.ml),
                    key=lambda p: abs(p.t_ms - pour.t_ms),
                    default=None,
                )
                if near is None or abs(near.t_ms - pour.t_ms) >= _HOUR_MS:
                    return
                self._record.retract(near)
        self.changed(struck.at_ms)

    def changed(self, at_utc: int) -> None:
        """Marks nights to be worked out again after something new is known of a time: those
        published nights, at most the last two, that reach to or past it."""
        memory = self._record.memory
        for end_utc in memory.nights_told[-_NIGHTS_ANEW:]:
            night = self._record.plan.night_before(end_utc)
            if night.end_utc_ms >= at_utc >= night.start_utc_ms - _TWELVE_H_MS:
                memory.again.append(night.end_utc_ms)
