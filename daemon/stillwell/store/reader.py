"""Read-only views of the store for commands, the page and reviews, from any process.

Readers never block the writer: each method makes a few short queries, and the long ones go block by
block.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from stillwell.entry import STRUCK, Entry
from stillwell.notice import Notice, Transition
from stillwell.ports import Published, Stream
from stillwell.reading import Moment, Reading
from stillwell.store import find, rescue, retention, rows, sound
from stillwell.store.backlog import DeadLetter
from stillwell.store.connect import connect_reader, damaged, refusal
from stillwell.store.rescue import Rescue
from stillwell.store.ten_minutes import TenMinutes, joined

ALWAYS = -(1 << 53)
"""A time before everything, as a start."""
_STANDS = (
    f"AND j.kind != '{STRUCK}' AND NOT EXISTS (SELECT 1 FROM journal s WHERE s.strikes = j.id) "
)
_COUNTED = 10_000
"""Up to this many rows are counted one by one."""
FOREVER = 1 << 53
"""A time after everything, as an end."""

_Body = Callable[[Sequence[Any], rows.Offsets], Any]
_new = tuple.__new__  # skips the named tuple's __new__ in Python: a night has 5,000 of them


@dataclass(frozen=True, slots=True)
class Channel:
    name: str
    quantity: str
    """The name of a `Quantity`; empty for a channel that was never described."""
    label: str


@dataclass(frozen=True, slots=True)
class Cursor:
    sink: str
    stream: Stream
    seq: int
    behind: int
    """Approximately how many rows the sink is behind the newest on disk."""
    waiting_since_ms: int | None = None
    """UTC of the oldest row that the sink has not been given; None when there is none."""


class StoreReader:
    """Reads a store; made by `open`. Windows are start_ms <= time < end_ms, UTC milliseconds."""

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self.path = path
        self._db = db

    @classmethod
    def open(cls, path: Path | str) -> StoreReader:
        """Opens the store. Raises `StoreMissing`, `StoreTooNew`, `StoreError` with a sentence for
        the person who asked."""
        path = Path(path)
        return cls(path, connect_reader(path))

    def check(self) -> None:
        """Checks all of the small tables and the newest readings. Raises `StoreDamaged`."""
        with self._readable():
            sound.check(self._db)

    def readings(self, channel: str, start_ms: int, end_ms: int) -> Iterator[Reading]:
        """The channel's readings by time; nothing for a channel that does not exist."""
        found = self._all("SELECT id FROM channel WHERE name = ?", (channel,))
        if found:
            yield from self._readings(start_ms, end_ms, int(found[0][0]))

    def all_readings(
        self,
        start_ms: int = ALWAYS,
        end_ms: int = FOREVER,
        progress: Callable[[int, int], None] | None = None,
    ) -> Iterator[Reading]:
        """The readings of every channel by time, in bounded memory.

        Args:
            progress: called now and then with the approximate number of readings done and of all
                readings.
        """
        yield from self._readings(start_ms, end_ms, None, progress)

    def _readings(
        self,
        start_ms: int,
        end_ms: int,
        channel_id: int | None,
        progress: Callable[[int, int], None] | None = None,
    ) -> Iterator[Reading]:
        names = dict(self._all("SELECT id, name FROM channel"))
        gone = 0
        total = (
            sum(s.last_seq - s.first_seq + 1 for s in find.segments(self._db, start_ms, end_ms))
            if progress
            else 0
        )

        def seen(segment: find.Segment) -> None:
            nonlocal gone
            if progress is not None:
                progress(gone, max(total, gone))
                gone += segment.last_seq - segment.first_seq + 1

        with self._readable():
            for utc, _, channel, epoch, value, flag, tests, raw, *rest, mono in find.readings(
                self._db, start_ms, end_ms, channel_id, seen
            ):
                at = _new(Moment, (mono, utc, epoch))
                told = (rows.FLAGS[flag], tests or "", raw or "", *rest)
                yield _new(Reading, (names[channel], at, value, *told))
        if progress is not None:
            progress(gone, gone)

    def latest_readings(self) -> list[Reading]:
        """The newest reading of each channel on disk, by channel name."""
        offsets = self._offsets()
        names = dict(self._all("SELECT id, name FROM channel"))
        with self._readable():
            newest = [find.latest(self._db, number) for number in names]
            found = [rows.to_reading(row, names, offsets.get(row[2], 0)) for row in newest if row]
        return sorted(found, key=lambda reading: reading.channel)

    def newest_ms(self) -> int | None:
        """UTC of the reading that arrived last; None when there is none."""
        found = self._all(
            "SELECT r.mono_ms + e.offset_ms FROM reading r JOIN epoch e ON e.id = r.epoch "
            "ORDER BY r.seq DESC LIMIT 1"
        )
        return int(found[0][0]) if found else None

    def utc_ms(self, moment: Moment) -> int:
        """The UTC of a kept moment, by what is now known of its clock."""
        found = self._all("SELECT offset_ms FROM epoch WHERE id = ?", (moment.epoch,))
        return moment.mono_ms + int(found[0][0]) if found else moment.utc_ms

    def ten_minutes(self, channel: str, start_ms: int, end_ms: int) -> list[TenMinutes]:
        """Minimum, mean and maximum of the good readings of each ten minutes that begin in the
        window, also from before the raw readings that are kept. Readings that were not rolled up
        yet are included."""
        found = self._all("SELECT id FROM channel WHERE name = ?", (channel,))
        if not found:
            return []
        number = int(found[0][0])
        # One transaction, so that nothing is rolled up between the two queries and counted twice.
        with self._readable(), self._db:
            self._db.execute("BEGIN")
            cells = {
                row[0]: TenMinutes(*row)
                for row in self._all(
                    "SELECT start_ms, n, n_good, min, mean, max FROM tenmin "
                    "WHERE channel = ? AND start_ms >= ? AND start_ms < ?",
                    (number, start_ms, end_ms),
                )
            }
            for segment in find.segments(self._db, start_ms, end_ms + retention.CELL_MS, number):
                if segment.rolled:
                    continue
                for row in self._all(
                    retention.ROLL_CHANNEL,
                    {
                        "offset": segment.offset_ms,
                        "first": segment.first_seq,
                        "last": segment.last_seq,
                        "epoch": segment.epoch,
                        "channel": number,
                        "start": start_ms,
                        "end": end_ms + retention.CELL_MS,
                    },
                ):
                    cell = TenMinutes(*row[1:])
                    if start_ms <= cell.start_ms < end_ms:
                        cells[cell.start_ms] = joined(cells.get(cell.start_ms), cell)
        return [cells[start] for start in sorted(cells)]

    def transitions(self, start_ms: int = ALWAYS, end_ms: int = FOREVER) -> list[Transition]:
        """The changes of alarms, in the order in which they were written."""
        return self._within(rows.to_transition, "transition", rows.TRANSITION, start_ms, end_ms)

    def alarms(self, end_ms: int = FOREVER) -> list[Transition]:
        """The latest transition of each alarm before a time, by name."""
        newest = self._latest("SELECT seq FROM alarm")
        if all(t.moment.utc_ms < end_ms for t in newest):
            return newest
        return self._latest(
            "SELECT max(t.seq) FROM epoch e JOIN transition t ON t.epoch = e.id "
            "AND t.mono_ms < ? - e.offset_ms GROUP BY t.alarm",
            (end_ms,),
        )

    def _latest(self, numbers: str, values: Sequence[object] = ()) -> list[Transition]:
        sql = f"SELECT {rows.TRANSITION} FROM transition WHERE seq IN ({numbers}) ORDER BY alarm"
        return self._dated(rows.to_transition, self._all(sql, values))

    def notices(self, start_ms: int = ALWAYS, end_ms: int = FOREVER) -> list[Notice]:
        return self._within(rows.to_notice, "notice", rows.NOTICE, start_ms, end_ms)

    def latest_notices(self, limit: int) -> list[tuple[int, Notice]]:
        """The newest notices with their numbers, the newest first."""
        found = self._all(f"SELECT {rows.NOTICE} FROM notice ORDER BY seq DESC LIMIT ?", (limit,))
        notices = self._dated(rows.to_notice, found)
        return [(row[0], notice) for row, notice in zip(found, notices, strict=True)]

    def estimates(
        self, name: str | None = None, start_ms: int = ALWAYS, end_ms: int = FOREVER
    ) -> Iterator[Published]:
        """Published estimates by time, of one name or of all."""
        with self._readable():
            yield from map(rows.to_estimate, find.estimates(self._db, name, start_ms, end_ms))

    def newest_within(
        self, name: str, spans: Sequence[tuple[int, int]], *, known: bool = False
    ) -> list[Published | None]:
        """The newest estimate of that name in each of these times.

        Args:
            known: the newest that has a value and an interval.
        """
        with self._readable():
            found = find.newest_within(self._db, name, spans, known=known)
            return [None if row is None else rows.to_estimate(row) for row in found]

    def journal(
        self,
        start_ms: int = ALWAYS,
        end_ms: int = FOREVER,
        kinds: Sequence[str] = (),
        *,
        struck: bool = False,
    ) -> list[Entry]:
        """Journal entries by the time of what they record.

        Args:
            kinds: only these; all when empty.
            struck: also entries that a later one struck out, and those that only strike.
        """
        of = f"AND j.kind IN ({', '.join('?' * len(kinds))}) " if kinds else ""
        found = self._all(
            f"SELECT {rows.ENTRY} FROM journal j WHERE j.at_ms >= ? AND j.at_ms < ? {of}"
            f"{'' if struck else _STANDS}ORDER BY j.at_ms, j.id",
            (start_ms, end_ms, *map(str, kinds)),
        )
        return [rows.to_entry(row) for row in found]

    def entry_keyed(self, key: str) -> Entry | None:
        """The journal entry that was written under a key."""
        found = self._all(f"SELECT {rows.ENTRY} FROM journal j WHERE j.key = ?", (key,))
        return rows.to_entry(found[0]) if found else None

    def newest_entry(self) -> int:
        """The number of the newest journal entry; 0 when there is none."""
        return int(self._all("SELECT coalesce(max(id), 0) FROM journal")[0][0])

    def entries_about(self, number: int) -> list[Entry]:
        """The journal entry with that number and those that strike it out."""
        found = self._all(
            f"SELECT {rows.ENTRY} FROM journal j WHERE j.id = ? OR j.strikes = ? ORDER BY j.id",
            (number, number),
        )
        return [rows.to_entry(row) for row in found]

    def channels(self) -> list[Channel]:
        found = self._all("SELECT name, quantity, label FROM channel ORDER BY name")
        return [Channel(*row) for row in found]

    def described(self, key: str) -> str | None:
        """A fact about the tank that the daemon has kept here: see `Store.describe`."""
        found = self._all("SELECT value FROM meta WHERE key = ?", (key,))
        return str(found[0][0]) if found else None

    def rescues(self) -> tuple[Rescue, ...]:
        """The rescues of damaged files, the newest first."""
        return rescue.RESCUES.known(self.described(rescue.KEY)) or ()

    def done(self) -> frozenset[tuple[str, date]]:
        """The calendar's jobs that are done, each with the local date that it was done for."""
        found = self._all("SELECT job, local_date FROM done")
        return frozenset((job, date.fromisoformat(day)) for job, day in found)

    def newest(self, stream: Stream) -> int:
        """The number of the newest row on disk; 0 when there is none."""
        return int(self._all(f"SELECT coalesce(max(seq), 0) FROM {rows.TABLE[stream]}")[0][0])

    def cursors(self) -> list[Cursor]:
        """How far each sink has come."""
        newest = {stream: self.newest(stream) for stream in rows.TABLE}
        return [
            Cursor(
                sink,
                Stream(stream),
                seq,
                self._count_after(Stream(stream), seq, newest[Stream(stream)]),
                self._first_after(Stream(stream), seq),
            )
            for sink, stream, seq in self._all(
                "SELECT sink, stream, seq FROM cursor ORDER BY sink, stream"
            )
        ]

    def _count_after(self, stream: Stream, seq: int, newest: int) -> int:
        """The number of rows above `seq`. Some numbers may be unused, a great many after a start
        without the file; a long queue is estimated from its numbers."""
        if newest - seq > _COUNTED:
            query = f"SELECT 1 FROM {rows.TABLE[stream]} WHERE seq > ? LIMIT {_COUNTED + 1}"
            counted = int(self._all(f"SELECT count(*) FROM ({query})", (seq,))[0][0])
            if counted <= _COUNTED:
                return counted
        return max(0, newest - seq)

    def _first_after(self, stream: Stream, seq: int) -> int | None:
        table = rows.TABLE[stream]
        found = self._all(
            f"SELECT time_ms FROM {table} WHERE seq > ? ORDER BY seq LIMIT 1"
            if stream is Stream.ESTIMATES
            else f"SELECT t.mono_ms + e.offset_ms FROM {table} t JOIN epoch e ON e.id = t.epoch "
            "WHERE t.seq > ? ORDER BY t.seq LIMIT 1",
            (seq,),
        )
        return int(found[0][0]) if found else None

    def dead_letters(self) -> list[DeadLetter]:
        """What sinks refused for good, oldest first."""
        return [
            DeadLetter(r[0], Stream(r[1]), r[2], r[3], r[4], r[5], bool(r[6]))
            for r in self._all(
                "SELECT sink, stream, seq, reason, at_ms, id, again FROM dead_letter ORDER BY id"
            )
        ]

    def span(self) -> tuple[int, int] | None:
        """The UTC of the first and of the last raw reading, in time; None when there is none."""
        with self._readable():
            found = find.segments(self._db, ALWAYS, FOREVER)
        ends = [(s.start_ms, s.end_ms) for s in found]
        return (min(s for s, _ in ends), max(e for _, e in ends)) if ends else None

    def began(self) -> int | None:
        """The UTC of the oldest data of any channel: of ten minutes whose raw readings may be gone,
        or of a raw reading; None when there is nothing."""
        # By channel, as the key is ordered: else all the years would be looked through.
        oldest = "SELECT min(start_ms) FROM tenmin WHERE channel = c.id"
        first = [row[0] for row in self._all(f"SELECT ({oldest}) FROM channel c")]
        return min((at for at in (*first, *(self.span() or ())) if at is not None), default=None)

    def close(self) -> None:
        self._db.close()

    def __enter__(self) -> StoreReader:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def _offsets(self) -> dict[int, int]:
        return dict(self._all("SELECT id, offset_ms FROM epoch"))

    def _dated(self, body: _Body, found: list[Any]) -> list[Any]:
        """Makes bodies of rows, with their times as the epochs give them now."""
        offsets = self._offsets()
        with self._readable():
            return [body(row, offsets) for row in found]

    def _within(self, body: _Body, table: str, columns: str, *span_ms: int) -> list[Any]:
        found = self._all(
            f"SELECT {columns} FROM epoch e JOIN {table} t ON t.epoch = e.id "
            "AND t.mono_ms >= ? - e.offset_ms AND t.mono_ms < ? - e.offset_ms ORDER BY t.seq",
            span_ms,
        )
        return self._dated(body, found)

    def _all(self, sql: str, values: Sequence[object] | dict[str, object] = ()) -> list[Any]:
        with self._readable():
            return self._db.execute(sql, values).fetchall()

    @contextmanager
    def _readable(self) -> Iterator[None]:
        """Turns read errors into `StoreDamaged`, also for rows that SQLite reads but nobody ever
        wrote: a bad sector may leave a page valid."""
        try:
            yield
        except sqlite3.Error as error:
            raise refusal(error, self.path) from error
        except (ValueError, TypeError, LookupError, OverflowError) as error:
            raise damaged(self.path) from error
