"""Clock epochs: the relations of monotonic and wall clock that rows stand in.

A row keeps the monotonic time of its epoch. What UTC that was can be learned later, when the clock
of the boot becomes trusted, and is then told by one change of the epoch.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace

from stillwell.reading import Moment
from stillwell.store.backlog import EpochBegun

NO_BOOT = "unknown"
"""Stands for a boot that nobody named: no two epochs with it are known to be of one boot."""

_COLUMNS = "id, boot_id, offset_ms, trusted, began_mono_ms"


class Epochs:
    """All that the writer knows of, by number."""

    def __init__(self) -> None:
        self.known: dict[int, EpochBegun] = {}
        self.next_number = 1
        self.boot_id = ""
        """Of the running epoch."""
        self.trusted = False
        """Whether the running epoch's clock is."""

    def load(self, db: sqlite3.Connection) -> None:
        """Takes over what the file holds and is not known."""
        for epoch in _on_file(db):
            self.known.setdefault(epoch.id, epoch)
        self.next_number = max(self.next_number, max(self.known, default=0) + 1)

    def unknown_to(self, db: sqlite3.Connection) -> list[EpochBegun]:
        """Those that the file does not hold."""
        held = {number for (number,) in db.execute("SELECT id FROM epoch")}
        return [epoch for number, epoch in self.known.items() if number not in held]

    def begin(self, boot_id: str, moment: Moment, trusted: bool) -> EpochBegun:
        """The running epoch from now on."""
        self.boot_id, self.trusted = boot_id, trusted
        return self._add(self.next_number, boot_id, moment, trusted)

    def meet(self, moment: Moment) -> EpochBegun | None:
        """A row's moment: its epoch, if it was never begun. It keeps the row's own times."""
        if moment.epoch in self.known:
            return None
        return self._add(moment.epoch, NO_BOOT, moment, False)

    def rebase(self, boot_id: str, offset_ms: int) -> list[EpochBegun]:
        """The clock of a boot is known: its untrusted epochs get this offset. Returns them."""
        moved = [
            replace(epoch, offset_ms=offset_ms, trusted=True)
            for epoch in self.known.values()
            if epoch.boot_id == boot_id != NO_BOOT and not epoch.trusted
        ]
        self.known.update({epoch.id: epoch for epoch in moved})
        if moved and boot_id == self.boot_id:
            self.trusted = True
        return moved

    def utc_ms(self, moment: Moment) -> int | None:
        """When a moment was, by what is known of its clock now; None when nobody ever set it."""
        epoch = self.known.get(moment.epoch)
        return moment.mono_ms + epoch.offset_ms if epoch is not None and epoch.trusted else None

    def newest_offset_ms(self) -> int:
        """UTC minus monotonic now; 0 before the first epoch."""
        newest = self.known.get(max(self.known, default=0))
        return newest.offset_ms if newest else 0

    def _add(self, number: int, boot_id: str, moment: Moment, trusted: bool) -> EpochBegun:
        offset_ms = moment.utc_ms - moment.mono_ms
        epoch = EpochBegun(number, boot_id, offset_ms, trusted, moment.mono_ms)
        self.known[number] = epoch
        self.next_number = max(self.next_number, number + 1)
        return epoch


def _on_file(db: sqlite3.Connection) -> Iterator[EpochBegun]:
    for number, boot, offset, trusted, began in db.execute(f"SELECT {_COLUMNS} FROM epoch"):
        yield EpochBegun(number, boot, offset, bool(trusted), began)
