"""Writes the backlog to the file, and marks as kept what has been written.

In good times everything goes in one transaction. After trouble, the most important rows go first
and readings follow in small pieces, so that a disk with little room takes what it can.
"""

from __future__ import annotations

import sqlite3

from stillwell.store import find, flush, rows
from stillwell.store.blocks import OpenBlock, fill
from stillwell.store.epochs import Epochs
from stillwell.store.tail import Shared

_SLICE_ROWS = 5_000


class Committer:
    """Commits the backlog; owned by the writer. Raises what SQLite raises, and leaves the
    transaction open then."""

    def __init__(self, shared: Shared, epochs: Epochs) -> None:
        self.commits = 0
        """Number of transactions written, which is what wears a card."""
        self._backlog = shared.backlog
        self._shared = shared
        self._epochs = epochs
        self._ids = rows.ChannelIds()
        self._ids_on_disk: set[str] = set()
        self._block: OpenBlock | None = None

    def look(self, db: sqlite3.Connection) -> None:
        """Takes over the file's channel numbers and its last block, which may still be open."""
        on_file = dict(db.execute("SELECT name, id FROM channel").fetchall())
        # A file that follows a damaged one may lack some channels: they keep their numbers.
        taken = set(on_file.values())
        kept = {n: i for n, i in self._ids.items() if n not in on_file and i not in taken}
        self._ids = rows.ChannelIds(on_file | kept)
        self._ids_on_disk = set(on_file)
        last = find.last_blocked(db)
        unblocked = db.execute(
            f"SELECT {rows.READING} FROM reading WHERE seq > ? ORDER BY seq", (last,)
        ).fetchall()
        # A full block that is not in the table stays open; it is closed with the next rows.
        _, self._block = fill(None, unblocked)

    def together(self, db: sqlite3.Connection, prepare: flush.Prepare) -> None:
        """Writes everything in one transaction."""
        readings = self._backlog.readings
        db.execute("BEGIN IMMEDIATE")
        block = self._write_readings(db, readings.newest, prepare)
        flush.write_vital(db, self._backlog, self._shared.offsets, self._ids, prepare)
        flush.write_estimates(db, self._backlog, prepare)
        flush.write_cursors(db, self._backlog, prepare)
        self._commit(db)
        self._settle_readings(readings.newest, block)
        self._settle_vital()
        self._settle_rest()

    def in_slices(self, db: sqlite3.Connection, prepare: flush.Prepare) -> None:
        """Writes the most important rows first, each piece in its own transaction."""
        readings = self._backlog.readings
        db.execute("BEGIN IMMEDIATE")
        flush.write_epochs(db, self._backlog)
        flush.write_vital(db, self._backlog, self._shared.offsets, self._ids, prepare)
        self._commit(db)
        self._settle_vital()
        while readings.pending:
            last = min(readings.newest, readings.first_pending + _SLICE_ROWS - 1)
            db.execute("BEGIN IMMEDIATE")
            block = self._write_readings(db, last, prepare)
            self._commit(db)
            self._settle_readings(last, block)
        db.execute("BEGIN IMMEDIATE")
        flush.write_estimates(db, self._backlog, prepare)
        flush.write_cursors(db, self._backlog, prepare)
        self._commit(db)
        self._settle_rest()

    def _write_readings(
        self, db: sqlite3.Connection, last: int, prepare: flush.Prepare
    ) -> OpenBlock | None:
        first = self._backlog.readings.first_pending
        pending = self._backlog.readings.between(first, last)
        values = rows.from_readings(pending, first, self._ids)
        if any(number not in self._epochs.known for number in {row[2] for row in values}):
            for reading in pending:
                self._epochs.meet(reading.moment)
        flush.write_epochs(db, self._backlog)
        if len(self._ids) > len(self._ids_on_disk):
            flush.write_channels(
                db, {name: self._ids[name] for name in self._ids.keys() - self._ids_on_disk}
            )
        return flush.write_readings(db, values, self._block, prepare)

    def _commit(self, db: sqlite3.Connection) -> None:
        db.execute("COMMIT")
        self.commits += 1
        self._backlog.epochs.clear()

    def _settle_readings(self, last: int, block: OpenBlock | None) -> None:
        self._block = block
        self._ids_on_disk = set(self._ids)
        with self._shared.changed:
            self._backlog.readings.settle(last)
            self._shared.changed.notify_all()

    def _settle_vital(self) -> None:
        backlog = self._backlog
        with self._shared.changed:
            backlog.transitions.settle(backlog.transitions.newest)
            backlog.notices.settle(backlog.notices.newest)
            self._shared.changed.notify_all()
        backlog.journal.clear()
        backlog.done.clear()
        backlog.replies.clear()
        backlog.channels.clear()
        backlog.meta.clear()

    def _settle_rest(self) -> None:
        backlog = self._backlog
        with self._shared.changed:
            backlog.estimates.settle(backlog.estimates.newest)
            self._shared.changed.notify_all()
        backlog.cursors.clear()
        backlog.letters.clear()
        backlog.marks.clear()
