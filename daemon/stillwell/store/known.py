"""What the writer has read from its file and keeps in memory: how far sinks are, which notices and
jobs are done, the newest change of each alarm. It is available even when the disk is in trouble.
"""

from __future__ import annotations

import sqlite3
import time

from stillwell.ports import Stream
from stillwell.store import bring_over, rows
from stillwell.store.backlog import REMEMBERED
from stillwell.store.epochs import Epochs
from stillwell.store.tail import Shared


class Known:
    """The writer's knowledge of its file; owned by the writer. Raises what SQLite raises."""

    def __init__(self, shared: Shared, epochs: Epochs) -> None:
        self.loaded = False
        """Whether the file's content has been taken over."""
        self.cursors: dict[tuple[str, str], int] = {}
        """How far each sink has come with each stream, by sink and stream."""
        self.done: set[tuple[str, str]] = set()
        """Calendar jobs that are done, each with the local date that it was done for."""
        self.keys: set[str] = set()
        """Keys of the newest notices that were on file when it was read, so that none of them goes
        out twice when it can't be read later. Those of this run are in the backlog."""
        self.described: dict[str, tuple[str, str]] = {}
        """The quantity and the label of each channel."""
        self.epochs = epochs
        self._backlog = shared.backlog
        self._shared = shared

    def numbers(self) -> dict[str, int] | None:
        """The highest number of each numbered table on file; None where that is not known."""
        if not self.loaded:
            return None
        return {table: self._backlog.window(stream).kept for stream, table in rows.TABLE.items()}

    def load(self, db: sqlite3.Connection) -> None:
        """Takes over what the file holds, at the start."""
        self.epochs.load(db)
        # An epoch whose row is lost with a damaged page must not be given to other readings.
        newest = "SELECT epoch FROM reading ORDER BY seq DESC LIMIT 4096"
        (used,) = db.execute(f"SELECT coalesce(max(epoch), 0) FROM ({newest})").fetchone()
        self.epochs.next_number = max(self.epochs.next_number, used + 1)
        self.cursors = _cursors(db)
        self._backlog.start({stream: self._newest_on_file(db, stream) for stream in Stream})
        self._shared.latest.clear()
        for row in db.execute(
            f"SELECT {rows.TRANSITION} FROM transition "
            "WHERE seq IN (SELECT seq FROM alarm) ORDER BY seq"
        ):
            transition = rows.to_transition(row, self._shared.offsets)
            self._shared.latest[transition.alarm] = (row[0], transition)
        self.keys, self.done = _keys(db), _done(db)
        self.loaded = True

    def know_nothing(self) -> None:
        """Begins without a readable file. Numbers go on far above all that can be in the file, or
        in one that is put there, so that none is given twice."""
        far = max(time.time_ns() // 1_000_000, 1 << 40)
        self.epochs.next_number = far
        self._shared.latest.clear()
        self._backlog.start(dict.fromkeys(Stream, far))

    def reconcile(self, db: sqlite3.Connection, *, new_file: bool) -> None:
        """Compares with the file after it was away: which rows of the backlog are in it already,
        and which it lacks."""
        self.epochs.reconcile(db)
        on_file = _cursors(db)
        backlog = self._backlog
        if not self.loaded:
            # The file could not be read at the start, so these sinks have begun without their
            # cursors.
            for key in on_file.keys() & self.cursors.keys():
                backlog.cursors[key] = self.cursors[key] = max(on_file[key], self.cursors[key])
            self.learn("done", db)
            self.learn("notice", db)
            self.loaded = True
        self.cursors = on_file | self.cursors
        if new_file:
            backlog.cursors = dict(self.cursors)
            backlog.channels = dict(self.described)
        with self._shared.changed:
            for stream, table in rows.TABLE.items():
                window = backlog.window(stream)
                newest = db.execute(f"SELECT max(seq) FROM {table}").fetchone()[0]
                if newest is not None and newest <= window.newest:
                    window.settle(newest)
        if new_file:
            self._carry_alarms(db)

    def learn(self, table: str, db: sqlite3.Connection) -> None:
        """Takes over a small table that could not be read before and has been filled now."""
        if table == "epoch":
            self.epochs.load(db)
        elif table == "done":
            self.done |= _done(db)
        elif table == "notice":
            self.keys |= _keys(db)

    def _newest_on_file(self, db: sqlite3.Connection, stream: Stream) -> int:
        table = rows.TABLE[stream]
        numbers = [int(db.execute(f"SELECT coalesce(max(seq), 0) FROM {table}").fetchone()[0])]
        # A sink's cursor may be ahead of a file that was damaged: a number must never be given
        # twice.
        numbers += [seq for (_, name), seq in self.cursors.items() if name == stream]
        numbers += [one.tops.get(table, 0) for one in bring_over.recorded(db)]
        return max(numbers)

    def _carry_alarms(self, db: sqlite3.Connection) -> None:
        first_pending, offsets = self._backlog.transitions.first_pending, self._shared.offsets
        kept = [(seq, t) for seq, t in self._shared.latest.values() if seq < first_pending]
        with db:
            db.execute("BEGIN IMMEDIATE")
            db.executemany(
                rows.insert("transition", rows.TRANSITION, "INSERT OR IGNORE"),
                (rows.bindable(rows.from_transition(seq, t, offsets)) for seq, t in kept),
            )
            db.executemany(
                "INSERT OR REPLACE INTO alarm (name, seq) VALUES (?, ?)",
                ((t.alarm, seq) for seq, t in kept),
            )


def _cursors(db: sqlite3.Connection) -> dict[tuple[str, str], int]:
    found = db.execute("SELECT sink, stream, seq FROM cursor")
    return {(sink, stream): seq for sink, stream, seq in found}


def _keys(db: sqlite3.Connection) -> set[str]:
    found = db.execute("SELECT key FROM notice ORDER BY seq DESC LIMIT ?", (REMEMBERED,))
    return {key for (key,) in found}


def _done(db: sqlite3.Connection) -> set[tuple[str, str]]:
    """The newest done jobs on file."""
    newest = "SELECT job, local_date FROM done ORDER BY local_date DESC LIMIT 20000"
    return set(db.execute(newest).fetchall())
