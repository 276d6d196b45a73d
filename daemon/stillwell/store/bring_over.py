"""Writes what the rescue of old files hands over. Each slice is written in one transaction with the
record of how far the rescue has come, so that a kill at any moment loses nothing and repeats
nothing."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from stillwell.ports import Stream
from stillwell.store import carry, rescue, retention
from stillwell.store.migrate import renew_rows, widths
from stillwell.store.rescue import Gap, Rescue
from stillwell.store.rows import TABLE
from stillwell.store.salvage import Missing, Salvage, Slice
from stillwell.store.tail import Shared

_NEVER = 1 << 62
_AT_ONCE_S = 0.15
"""The longest that one call may take, in seconds: readings and alarms wait for it."""


class BringOver:
    """Brings over the rows that rescues find; owned by the writer.

    Args:
        learn: called with the table and the connection when a small table is brought over late.
    """

    def __init__(
        self, path: Path, shared: Shared, learn: Callable[[str, sqlite3.Connection], None]
    ) -> None:
        self.rescues: tuple[Rescue, ...] = ()
        """All rescues, ended ones too, the newest first."""
        self._path = path
        self._shared = shared
        self._learn = learn
        self._salvage: Salvage | None = None
        self._of: Rescue | None = None
        """The rescue that `_salvage` works for, as it was when it began."""
        self._slice: Slice | None = None
        self._descriptor: int | None = None

    def look(self, db: sqlite3.Connection, descriptor: int | None = None) -> None:
        """Takes over the record of rescues that the file holds.

        Args:
            descriptor: an open descriptor of the old file that the newest rescue reads, if that
                file has no name.
        """
        rescues = recorded(db)
        if rescues != self.rescues or descriptor is not None:
            self.stop()
            self.rescues = rescues
            self._descriptor = descriptor
        self.hold()

    def hold_all(self) -> None:
        """Holds back all rows of the file until `look` is called, since it may be another file by
        then."""
        with self._shared.changed:
            self._shared.held = dict.fromkeys((Stream.READINGS, Stream.ESTIMATES), _NEVER)

    def stop(self) -> None:
        """Ends the thread; what it has read and not handed over is read again later."""
        if self._salvage is not None:
            self._salvage.stop()
        self._salvage = self._slice = self._of = None

    def step(self, db: sqlite3.Connection, now_ms: int) -> None:
        """Writes for a short time what is ready. Raises what SQLite raises; nothing is lost
        then."""
        deadline = time.monotonic() + _AT_ONCE_S
        while (index := self._open()) is not None:
            if self._salvage is None:
                self._begin(db, self.rescues[index])
            assert self._salvage is not None
            if self._slice is None:
                self._slice = self._salvage.take()
            if self._slice is not None:
                self._write(db, index, self._slice)
                self._slice = None
            elif self._salvage.ended:
                self._end(db, index, now_ms)
            else:
                return
            if time.monotonic() > deadline:
                return

    def _open(self) -> int | None:
        """The index of the rescue to continue: the newest first, because its file holds what older
        rescues have brought over."""
        return next((i for i, r in enumerate(self.rescues) if r.ended_ms is None), None)

    def _begin(self, db: sqlite3.Connection, one: Rescue) -> None:
        source = self._path.with_name(one.source) if one.source else None
        self._of = one
        self._salvage = Salvage(source, self._descriptor, one, widths(db))
        self._descriptor = None

    def _write(self, db: sqlite3.Connection, index: int, found: Slice) -> None:
        one = self.rescues[index]
        db.execute("BEGIN IMMEDIATE")
        if found.table == "reading":
            kept = carry.insert_readings(db, found.rows, found.blocks)
        elif found.table == "tenmin":
            # Readings that are brought over may fall in the same ten minutes as readings that were
            # rolled up meanwhile.
            db.executemany(retention.ADD, found.rows)
            kept = len(found.rows)
        else:
            kept = carry.insert_rows(db, found.table, found.rows)
            renew_rows(db)
        for gap in found.missing:
            if found.table == "reading":
                one = one.with_gap(self._placed(db, gap))
        one = one.through(found.table, found.reached, kept, done=found.done)
        self._keep(db, index, replace(one, bad_pages=found.bad_pages))
        if found.table not in (*rescue.NUMBERED, "tenmin"):
            self._learn(found.table, db)

    def _end(self, db: sqlite3.Connection, index: int, now_ms: int) -> None:
        assert self._salvage is not None
        missing = self._salvage.missing
        self.stop()
        one = replace(self.rescues[index], ended_ms=now_ms, given_up=missing)
        db.execute("BEGIN IMMEDIATE")
        self._keep(db, index, one)
        # Nobody can read what is left in the files of earlier rescues that have ended: those files
        # are removed. The newest is kept.
        for older in self.rescues[index + 1 :]:
            if older.source and older.ended_ms is not None:
                for suffix in ("", "-wal", "-shm"):
                    with suppress(OSError):
                        os.unlink(self._path.with_name(older.source + suffix))

    def _keep(self, db: sqlite3.Connection, index: int, one: Rescue) -> None:
        rescues = (*self.rescues[:index], one, *self.rescues[index + 1 :])
        keep(db, rescues)
        db.execute("COMMIT")
        self.rescues = rescues
        self.hold()

    def hold(self) -> None:
        """Tells the tail from which number on the new file has all rows and may hand them out."""
        held = {
            stream: max((one.frontier(table) for one in self.rescues), default=0)
            for stream, table in TABLE.items()
            if table in rescue.NUMBERED
        }
        with self._shared.changed:
            self._shared.held = {stream: at for stream, at in held.items() if at}
            self._shared.changed.notify_all()

    def _placed(self, db: sqlite3.Connection, gap: Missing) -> Gap:
        above = db.execute(
            "SELECT r.mono_ms + e.offset_ms FROM reading r JOIN epoch e ON e.id = r.epoch "
            "WHERE r.seq >= ? ORDER BY r.seq LIMIT 1",
            (gap.above,),
        ).fetchone()
        below = None
        if gap.below is not None:
            epoch = db.execute("SELECT offset_ms FROM epoch WHERE id = ?", (gap.below[2],))
            offset = epoch.fetchone()
            below = None if offset is None else gap.below[3] + offset[0]
        times = [at for at in (below, None if above is None else above[0]) if at is not None]
        return Gap(min(times, default=0), max(times, default=0), gap.count)


def recorded(db: sqlite3.Connection) -> tuple[Rescue, ...]:
    """The rescues that are recorded in a file."""
    found = db.execute("SELECT value FROM meta WHERE key = ?", (rescue.KEY,)).fetchone()
    return rescue.RESCUES.known(None if found is None else found[0]) or ()


def keep(db: sqlite3.Connection, rescues: tuple[Rescue, ...]) -> None:
    """Writes the record of rescues."""
    db.execute(
        "INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)",
        (rescue.KEY, rescue.RESCUES.text(rescues[: rescue.REMEMBERED])),
    )
