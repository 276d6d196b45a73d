"""Clock epochs: how the monotonic clock of a row's moment relates to the wall clock.

A row keeps the monotonic time of its epoch. The UTC of that time may become known later, when the
clock of the boot becomes trusted; then only the epoch is changed.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace

from stillwell.reading import Moment
from stillwell.store.backlog import EpochBegun, Rebased
from stillwell.store.tail import Shared

NO_BOOT = "unknown"
"""Stands for a boot without a name: no two epochs with it are known to be of the same boot. A run
whose boot the kernel does not name uses this and a suffix that no other run has."""

LONGEST_AWAY_MS = 30 * 86_400_000
"""Longest time without a run that is believed, in ms: beyond it a wrong clock is more likely. A
choice of ours."""

SET_MS = 120_000
"""A trusted clock that moves by this many ms within a boot has been set by hand, or by a server
that is wrong, so it can't measure the time between two boots."""

_COLUMNS = "id, boot_id, offset_ms, trusted, began_mono_ms"


class Epochs:
    """All epochs that the writer knows, by number. A change waits in the backlog to be written, and
    applies to the times of rows at once."""

    def __init__(self, shared: Shared) -> None:
        self.known: dict[int, EpochBegun] = {}
        self.next_number = 1
        self.boot_id = ""
        """The boot of the running epoch."""
        self.trusted = False
        """Whether the running epoch's clock is trusted."""
        self._shared = shared

    def load(self, db: sqlite3.Connection) -> None:
        """Takes over the epochs in the file that it doesn't know yet."""
        for epoch in _on_file(db):
            self.known.setdefault(epoch.id, epoch)
        self.next_number = max(self.next_number, max(self.known, default=0) + 1)
        with self._shared.changed:
            for epoch in self.known.values():
                self._shared.offsets.setdefault(epoch.id, epoch.offset_ms)

    def reconcile(self, db: sqlite3.Connection) -> None:
        """Exchanges epochs with a file that was away: each side gets those that it lacks."""
        steps = self._shared.backlog.epochs
        there = {number for (number,) in db.execute("SELECT id FROM epoch")}
        there |= {step.id for step in steps if isinstance(step, EpochBegun)}
        steps[:0] = [epoch for number, epoch in self.known.items() if number not in there]
        self.load(db)

    def begin(self, boot_id: str, moment: Moment, trusted: bool) -> int:
        """Begins a new running epoch. Returns its number."""
        self.boot_id, self.trusted = boot_id, trusted
        return self._add(self.next_number, boot_id, moment, trusted)

    def meet(self, moment: Moment) -> None:
        """Makes sure that a row's epoch exists before the row is written: an epoch that never began
        takes its offset from the row's own times."""
        if moment.epoch not in self.known:
            self._add(moment.epoch, NO_BOOT, moment, False)

    def rebase(self, boot_id: str, offset_ms: int) -> int:
        """Gives the untrusted epochs of a boot this offset, now that its clock is known. Returns
        how many there were."""
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
        """The UTC of a moment, by what is now known of its clock; None when nobody ever set that
        clock."""
        epoch = self.known.get(moment.epoch)
        return moment.mono_ms + epoch.offset_ms if epoch is not None and epoch.trusted else None

    def passed_ms(self, then: Moment, now: Moment) -> int | None:
        """The time from one kept moment to a later one, ms; None where that is not known.

        Within a boot the monotonic clock tells, whatever happened to the wall clock. Across boots
        UTC tells, if both clocks were trusted, none of them was set meanwhile, and the difference
        is possible.
        """
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
        """Whether the trusted clock of its boot was set to another time within that boot."""
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
