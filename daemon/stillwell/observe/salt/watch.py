"""The observer of the salt balance: follows the journal and the level, raises alarms, publishes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from stillwell.alarm.catalogue import priority_of
from stillwell.entry import Entry
from stillwell.estimate.answer import Estimate
from stillwell.estimate.salt.balance import SaltState, salinity_estimate
from stillwell.estimate.salt.told import MissingWater
from stillwell.finding import Finding, Over
from stillwell.form import Form
from stillwell.journal import Kind
from stillwell.observe.balance import DAY_MS, LOOK_BACK_MS, Ledger, missing_water
from stillwell.observe.known import Known
from stillwell.observe.plan import BookPlan
from stillwell.observe.salt.alarms import HIGH, LOW, UNSURE, findings
from stillwell.ports import Published
from stillwell.reading import Moment, Reading

HOUR_MS = 3_600_000
UNSET_MS = 1_577_836_800_000
"""1 January 2020: a clock that shows an earlier time has not been set."""
OF_SALT = frozenset({Kind.SALINITY, Kind.POUR, Kind.SALT_POUR, Kind.WATER_CHANGE, Kind.CALIBRATION})


@dataclass(frozen=True, slots=True)
class _Kept:
    entries: list[Entry]
    level: list[MissingWater]
    standing: frozenset[str]


_FORM = Form(_Kept, 3)


class SaltWatch:
    """Finds nothing before the first salinity check, so that nobody who keeps no book is warned.

    All that it knows are the entries of the last four months and one figure of the level a day. The
    balance is worked out from them anew, so that late entries, corrections and a restart give the
    same as entries in order.

    Args:
        plan: the tank.
    """

    name = "salt"

    def __init__(self, plan: BookPlan) -> None:
        self._plan = plan
        self._missing: Estimate | None = None
        self._ledger = Ledger(plan.salt)
        self._entries: dict[int, Entry] = {}
        self._level: list[MissingWater] = []
        self._standing: frozenset[str] = frozenset()
        self._salt: SaltState | None = None
        self._looked_ms: int | None = None
        self._published_ms = 0
        self._first = True

    @staticmethod
    def alarms() -> tuple[str, ...]:
        """Returns the names of its alarms."""
        return HIGH, LOW, UNSURE

    def hear(self, known: Known) -> None:
        """Takes how much is missing to the mark by the level; it counts once a day."""
        self._missing = known.missing

    def see(self, reading: Reading) -> Iterable[Finding]:
        """Ignores readings, which reach the balance through the level only."""
        return ()

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        """Takes an entry about water or salt; forgets the one that it strikes out."""
        if struck is not None:
            self._looked_ms = None if self._entries.pop(struck.id, None) else self._looked_ms
        if entry.kind in OF_SALT:
            self._entries[entry.id] = entry
            self._looked_ms = None
        return ()

    def tick(self, now: Moment) -> Iterable[Finding]:
        """Returns once an hour, and after an entry, how the three alarms stand. Returns nothing
        while the clock has never been set, because all entries would be in the future."""
        if now.utc_ms < UNSET_MS:
            return ()
        self._ask_level(now.utc_ms)
        due = self._looked_ms is None or not 0 <= now.utc_ms - self._looked_ms < HOUR_MS
        if not (due or self._first):
            return ()
        self._looked_ms = now.utc_ms
        first, self._first = self._first, False
        self._forget(now.utc_ms)
        entries = list(self._entries.values())
        salt = self._ledger.at(entries, self._level, now.utc_ms)
        self._salt = salt if salt.checks else None
        if self._salt is None:
            quiet = not (first or self._standing)
            self._standing = frozenset()
            return () if quiet else tuple(_over(name) for name in self.alarms())
        last = self._ledger.last_check
        likely = last.likely if last is not None and last.unexpected else None
        found = findings(salt, now.utc_ms, self._standing, likely)
        self._standing = frozenset(f.alarm for f in found if f.active)
        return found

    def _ask_level(self, now_ms: int) -> None:
        if self._level and 0 <= now_ms - self._level[-1].t_ms < DAY_MS:
            return
        said = self._missing
        if said is not None:
            self._level.append(missing_water(now_ms, said.value, said.low, said.high))
            self._looked_ms = None

    def _forget(self, now_ms: int) -> None:
        oldest = now_ms - LOOK_BACK_MS
        self._entries = {i: e for i, e in self._entries.items() if e.at_ms >= oldest}
        self._level = [m for m in self._level if m.t_ms >= oldest]

    def estimates(self, now: Moment) -> Iterable[Published]:
        """Returns the salinity, once an hour and after an entry."""
        if self._salt is None or self._looked_ms in (None, self._published_ms):
            return ()
        self._published_ms = self._looked_ms or 0
        answer = salinity_estimate(self._salt, self._salt.t_ms)
        basis = ", ".join(str(part) for part in answer.basis)
        return (
            Published(
                "salinity.now", now.utc_ms, "PSU", answer.value, answer.low, answer.high, basis
            ),
        )

    def state(self) -> str:
        """Returns a few kB of JSON: entries and levels of four months."""
        return _FORM.text(_Kept(list(self._entries.values()), self._level, self._standing))

    def restore(self, state: str) -> None:
        """The inverse of `state`. Raises ValueError for what it can't read."""
        kept = _FORM.read(state)
        self._entries = {entry.id: entry for entry in kept.entries}
        self._level, self._standing = kept.level, kept.standing
        self._looked_ms = None


def _over(name: str) -> Finding:
    return Finding(name, False, priority_of(name), Over())
