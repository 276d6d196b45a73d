"""What sinks follow: the rows of a stream after a number, from the file and from memory, and a way
to sleep until there are more.

Thread-safe. A sink's thread waits at most for the lock around the few rows in memory, and the
writer at most as long as slicing a list takes; the tail reads the file on its own connection.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from stillwell.notice import Transition
from stillwell.ports import Published, Row, Stream
from stillwell.reading import Reading
from stillwell.store import find, rows
from stillwell.store.backlog import Backlog
from stillwell.store.connect import connect_reader, in_words, is_corrupt
from stillwell.store.errors import StoreDamaged, StoreError

_COLUMNS = {
    Stream.READINGS: rows.READING,
    Stream.TRANSITIONS: rows.TRANSITION,
    Stream.NOTICES: rows.NOTICE,
    Stream.ESTIMATES: rows.ESTIMATE,
}


_ESTIMATES_LOOKED_THROUGH = 2_000
"""How many rows are searched: five days of them, at a dozen an hour. A night's numbers come once a
day."""

FOR_PEOPLE = frozenset({Stream.NOTICES, Stream.TRANSITIONS})
DISK_PATIENCE_S = 2.0
"""How long an alarm waits for a disk that neither accepts nor refuses it."""


class Shared:
    """What the writer and its tail both look at, and the lock for it."""

    def __init__(self, backlog: Backlog, in_trouble: Callable[[], bool]) -> None:
        """`in_trouble` says whether the disk takes no writes, so that alarms go out from memory."""
        self.changed = threading.Condition(threading.Lock())
        self.backlog = backlog
        self.offsets: dict[int, int] = {}
        self.latest: dict[str, tuple[int, Transition]] = {}
        """The newest transition of each alarm."""
        self.sleepers = 0
        self.closed = False
        self._in_trouble = in_trouble
        self.held: dict[Stream, int] = {}
        """For each stream, rows below this number are still being brought over from an old file; no
        sink gets later rows before them."""
        self.damaged = False
        """Whether the tail has found a part of the file that can't be read."""
        self.writing_since_s: float | None = None
        """When (monotonic) the writer began its current commit; None between two commits."""

    def may_leave(self, stream: Stream, committed_only: bool) -> int:
        """The number up to which rows may be handed out.

        What people hear is kept first, so that it is still known after a kill or a power cut. But
        an alarm does not wait for a disk in trouble, nor for a slow one.
        """
        window = self.backlog.window(stream)
        if committed_only:
            return window.kept
        since = self.writing_since_s
        slow = since is not None and time.monotonic() - since > DISK_PATIENCE_S
        if stream in FOR_PEOPLE and not self._in_trouble() and not slow:
            return window.kept
        return window.newest


class Tail:
    def __init__(self, path: Path, shared: Shared) -> None:
        self._path = path
        self._shared = shared
        self._file_lock = threading.Lock()
        self._file: sqlite3.Connection | None = None
        self._names: dict[int, str] = {}
        self.trouble: str | None = None
        """Why rows could not be read from the file the last time; None when they could."""

    def rows(
        self, stream: Stream, after_seq: int, limit: int, *, committed_only: bool = True
    ) -> list[Row]:
        """Up to `limit` rows with numbers above `after_seq`, in order.

        Args:
            committed_only: hand out only what a power cut can't take back, whatever the disk does.
                Without it readings come at once, alarms and notices when they are kept, and at once
                while the disk takes nothing.

        Numbers may have gaps (rows that retention deleted, or that never reached a full disk).
        Returns nothing when the file can't be read and the rows wanted are not in memory; see
        `trouble`.
        """
        if limit <= 0:
            return []
        with self._shared.changed:
            if after_seq + 1 < self._shared.held.get(stream, after_seq):
                return []
            window = self._shared.backlog.window(stream)
            upto = self._shared.may_leave(stream, committed_only)
            start = max(after_seq + 1, window.first)
            held = window.between(start, min(upto, start + limit - 1))
            first_held = window.first
            offsets = dict(self._shared.offsets) if held else {}
        found: list[Row] = []
        if after_seq + 1 < first_held:
            # Memory was looked at first, so a row that has left it since was on disk before.
            on_file = self._from_file(stream, after_seq, first_held, limit)
            if on_file is None:
                return []
            found = on_file
        found.extend(
            Row(stream, seq, _current(body, offsets))
            for seq, body in enumerate(held[: limit - len(found)], start)
        )
        return found

    def newest(self, stream: Stream, *, committed_only: bool = True) -> int:
        """The number of the newest row; 0 when there never was one."""
        with self._shared.changed:
            return self._shared.may_leave(stream, committed_only)

    def wait(
        self, after: Mapping[Stream, int], timeout_s: float, *, committed_only: bool = True
    ) -> bool:
        """Sleeps until one of the streams has a row above its number, the store closes, or
        `timeout_s` monotonic seconds have passed. Returns whether there is such a row. It is for
        several streams at once because a notice must not wait behind readings."""
        deadline = time.monotonic() + timeout_s
        shared = self._shared
        with shared.changed:
            shared.sleepers += 1
            try:
                while True:
                    more = any(
                        shared.may_leave(stream, committed_only) > seq
                        and not self._waits(stream, seq)
                        for stream, seq in after.items()
                    )
                    left = deadline - time.monotonic()
                    if more or shared.closed or left <= 0:
                        return more
                    shared.changed.wait(left)
            finally:
                shared.sleepers -= 1

    def suspect(self) -> None:
        """Tells the writer that the reading thread has found a part of the file that can't
        be read."""
        with self._shared.changed:
            self._shared.damaged = True

    def why_waiting(self, stream: Stream, after_seq: int) -> str:
        """Why `rows` does not hand out rows above `after_seq`; empty when it does."""
        with self._shared.changed:
            return self._waits(stream, after_seq)

    def _waits(self, stream: Stream, after: int) -> str:
        if after + 1 < self._shared.held.get(stream, after):
            return "Waits for older rows, which are being brought over from a damaged store."
        if self.trouble is not None and after + 1 < self._shared.backlog.window(stream).first:
            return f"The rows to be sent can't be read. {self.trouble}"
        return ""

    def latest(self) -> list[Row]:
        """The newest row of each alarm, channel and estimate."""
        return [*self.latest_transitions(), *self.latest_readings(), *self._latest_estimates()]

    def _latest_estimates(self) -> list[Row]:
        newest = self.newest(Stream.ESTIMATES, committed_only=False)
        after = max(0, newest - _ESTIMATES_LOOKED_THROUGH)
        found = self.rows(Stream.ESTIMATES, after, _ESTIMATES_LOOKED_THROUGH, committed_only=False)
        return list({r.body.name: r for r in found if isinstance(r.body, Published)}.values())

    def latest_transitions(self) -> list[Row]:
        """The newest transition of each alarm, from which a broker's retained state is made."""
        with self._shared.changed:
            offsets = dict(self._shared.offsets)
            newest = sorted(self._shared.latest.values(), key=lambda pair: pair[0])
        return [Row(Stream.TRANSITIONS, seq, _current(t, offsets)) for seq, t in newest]

    def latest_readings(self) -> list[Row]:
        """The newest reading of each channel."""
        with self._shared.changed:
            window = self._shared.backlog.readings
            first, held = window.first, list(window.items)
            offsets = dict(self._shared.offsets)
        newest: dict[str, Row] = {}
        on_file = self._ask(self._latest_on_file)
        for row in on_file or ():
            body = row.body
            assert isinstance(body, Reading)
            newest[body.channel] = row
        for seq, reading in enumerate(held, first):
            newest[reading.channel] = Row(Stream.READINGS, seq, reading)
        return sorted(
            (Row(row.stream, row.seq, _current(row.body, offsets)) for row in newest.values()),
            key=lambda row: row.seq,
        )

    def row(self, stream: Stream, seq: int) -> Row | None:
        """One row, or None when it is gone."""
        found = self.rows(stream, seq - 1, 1, committed_only=False)
        return found[0] if found and found[0].seq == seq else None

    def reopen(self) -> None:
        """Closes the file, because it may have been replaced."""
        with self._file_lock:
            self._shared.damaged = False
            if self._file is not None:
                self._file.close()
                self._file = None
            self._names = {}

    close = reopen

    def _ask(self, query: Callable[[sqlite3.Connection], list[Row]]) -> list[Row] | None:
        with self._file_lock:
            try:
                if self._file is None:
                    self._file = connect_reader(self._path)
                found = query(self._file)
            except (sqlite3.Error, StoreError, OSError) as error:
                self.trouble = str(error)
                if is_corrupt(error) or isinstance(error, StoreDamaged):
                    self.trouble = str(in_words(error, self._path))
                    self._shared.damaged = True
                if self._file is not None:
                    self._file.close()
                    self._file = None
                return None
            self.trouble = None
            return found

    def _from_file(self, stream: Stream, after: int, before: int, limit: int) -> list[Row] | None:
        table, columns = rows.TABLE[stream], _COLUMNS[stream]

        def query(db: sqlite3.Connection) -> list[Row]:
            found = db.execute(
                f"SELECT {columns} FROM {table} WHERE seq > ? AND seq < ? ORDER BY seq LIMIT ?",
                (after, before, limit),
            ).fetchall()
            return [self._row(db, stream, row) for row in found]

        return self._ask(query)

    def _latest_on_file(self, db: sqlite3.Connection) -> list[Row]:
        numbers = [number for (number,) in db.execute("SELECT id FROM channel")]
        newest = [find.latest(db, number) for number in numbers]
        return [self._row(db, Stream.READINGS, row) for row in newest if row is not None]

    def _row(self, db: sqlite3.Connection, stream: Stream, row: Sequence[Any]) -> Row:
        offsets = self._shared.offsets
        if stream is Stream.READINGS:
            if row[1] not in self._names:
                self._names = dict(db.execute("SELECT id, name FROM channel").fetchall())
            reading = rows.to_reading(row, self._names, offsets.get(row[2], 0))
            return Row(stream, row[0], reading)
        if stream is Stream.TRANSITIONS:
            return Row(stream, row[0], rows.to_transition(row, offsets))
        if stream is Stream.NOTICES:
            return Row(stream, row[0], rows.to_notice(row, offsets))
        return Row(stream, row[0], rows.to_estimate(row))


def _current(body: Any, offsets: rows.Offsets) -> Any:
    """The body with its times as the epochs give them now: they may have been rebased since."""
    if isinstance(body, Reading):
        moment = rows.at(body.moment, offsets)
        return body if moment is body.moment else body._replace(moment=moment)
    if hasattr(body, "moment"):
        return rows.with_times(body, offsets)
    return body
