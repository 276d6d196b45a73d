"""Clock epochs: the relations of monotonic and wall clock that rows stand in.

A row keeps the monotonic time of its epoch. What UTC that was can be learned later, when the clock
of the boot becomes trusted, and is then told by one change of the epoch.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace

from stillwell.reading import Moment
from stillwell.store.backlog import EpochBegun, Rebased
from stillwell.store.tail import Shared

NO_BOOT = "unknown"
"""Stands for a boot that nobody named: no two epochs with it are known to be of one boot. A run
whose boot the kernel does not name calls it this and something that no other run has."""

LONGEST_AWAY_MS = 30 * 86_400_000
"""That nobody ran for longer than this is less likely than a clock that is wrong. A choice of
ours."""

SET_MS = 120_000
"""A trusted clock that moves by so much within a boot has been set by hand, or by a server that is
wrong: what it says is no measure of the time between two boots."""

_COLUMNS = "id, boot_id, offset_ms, trusted, began_mono_ms"


class Epochs:
    """All that the writer knows of, by number. What becomes of them waits in the backlog, and the
    times of rows follow at once."""

    def __init__(self, shared: Shared) -> None:
        self.known: dict[int, EpochBegun] = {}
        self.next_number = 1
        self.boot_id = ""
        """Of the running epoch."""
        self.trusted = False
        """Whether the running epoch's clock is."""
        self._shared = shared

    def load(self, db: sqlite3.Connection) -> None:
        """Takes over what the file holds and is not known."""
        for epoch in _on_file(db):
            self.known.setdefault(epoch.id, epoch)
        self.next_number = max(self.next_number, max(self.known, default=0) + 1)
        with self._shared.changed:
            for epoch in self.known.values():
                self._shared.offsets.setdefault(epoch.id, epoch.offset_ms)

    def reconcile(self, db: sqlite3.Connection) -> None:
        """The file was away: it gets those that it does not hold, and its own are taken over."""
        steps = self._shared.backlog.epochs
        there = {number for (number,) in db.execute("SELECT id FROM epoch")}
        there |= {step.id for step in steps if isinstance(step, EpochBegun)}
        steps[:0] = [epoch for number, epoch in self.known.items() if number not in there]
        self.load(db)

    def begin(self, boot_id: str, moment: Moment, trusted: bool) -> int:
        """The running epoch from now on. Returns its number."""
        self.boot_id, self.trusted = boot_id, trusted
        return self._add(self.next_number, boot_id, moment, trusted)

    def meet(self, moment: Moment) -> None:
        """A row's moment, before the row is written: an epoch that never began keeps the row's own
        times."""
        if moment.epoch not in self.known:
            self._add(moment.epoch, NO_BOOT, moment, False)

    def rebase(self, boot_id: str, offset_ms: int) -> int:
        """The clock of a boot is known: its untrusted epochs get this offset. Returns how many
        those are."""
        moved = [
            replace(epoch, offset_ms=offset_ms, trusted=True)
            for epoch in self.known.values()
            if _same_boot(epoch.boot_id, boot_id) and not epoch.trusted
        ]
        self.known.update({epoch.id: epoch for epoch in moved})
        if moved:
            self.trusted |= boot_id == self.boot_id
            self._shared.backlog.epochs.append(Rebased(boot_id, offset_ms))
            with self._shared.changed:
                self._shared.offsets.update({epoch.id: offset_ms for epoch in moved})
        return len(moved)

    def utc_ms(self, moment: Moment) -> int | None:
        """When a moment was, by what is known of its clock now; None when nobody ever set it."""
        epoch = self.known.get(moment.epoch)
        return moment.mono_ms + epoch.offset_ms if epoch is not None and epoch.trusted else None

    def passed_ms(self, then: Moment, now: Moment) -> int | None:
        """How long it is from one kept moment to a later one, ms; None where that is not known.

        Within a boot the monotonic clock tells, whatever was done to the other. Over a boot UTC
        does, where both clocks were trusted, none of them was set meanwhile, and what they say is
        possible."""
        before, after = self.known.get(then.epoch), self.known.get(now.epoch)
        if before is None or after is None:
            return None
        if _same_boot(before.boot_id, after.boot_id) and now.mono_ms >= then.mono_ms:
            return now.mono_ms - then.mono_ms
        if not before.trusted or not after.trusted or self._was_set(before):
            return None
        passed = now.mono_ms + after.offset_ms - then.mono_ms - before.offset_ms
        return max(0, passed) if -SET_MS < passed <= LONGEST_AWAY_MS else None

    def _was_set(self, epoch: EpochBegun) -> bool:
        """Whether the trusted clock of its boot stood otherwise at another time."""
        return any(
            _same_boot(epoch.boot_id, other.boot_id)
            and other.trusted
            and abs(other.offset_ms - epoch.offset_ms) >= SET_MS
            for other in self.known.values()
        )

    def newest_offset_ms(self) -> int:
        """UTC minus monotonic now; 0 before the first epoch."""
        newest = self.known.get(max(self.known, default=0))
        return newest.offset_ms if newest else 0

    def _add(self, number: int, boot_id: str, moment: Moment, trusted: bool) -> int:
        offset_ms = moment.utc_ms - moment.mono_ms
        epoch = EpochBegun(number, boot_id, offset_ms, trusted, moment.mono_ms)
        self.known[number] = epoch
        self.next_number = max(self.next_number, number + 1)
        self._shared.backlog.epochs.append(epoch)
        with self._shared.changed:
            self._shared.offsets[number] = offset_ms
        return number


def _same_boot(one: str, other: str) -> bool:
    """Whether two boot ids are known to be of one boot."""
    return one == other != NO_BOOT


def _on_file(db: sqlite3.Connection) -> Iterator[EpochBegun]:
    for number, boot, offset, trusted, began in db.execute(f"SELECT {_COLUMNS} FROM epoch"):
        yield EpochBegun(number, boot, offset, bool(trusted), began)
