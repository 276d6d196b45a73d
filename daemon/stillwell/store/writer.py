"""The store's one writer.

Rows get their numbers here and wait in memory for the next commit: readings for the batch,
everything that concerns a person for no time at all. Between commits the database is not locked.
When the disk takes no writes, nothing here raises: rows stay in memory, in order and with their
numbers, `trouble` says why, and `tick` tries again with growing pauses.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import sqlite3
import time
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from stillwell.entry import Entry
from stillwell.notice import Notice, State, Transition
from stillwell.ports import Published, Refusal, Reply, Request, Row, Stream
from stillwell.reading import Moment, Reading
from stillwell.store import flush, requests, retention, rows, sound, swap
from stillwell.store.backlog import (
    ALARMS_LIMIT,
    READINGS_LIMIT,
    REMEMBERED,
    Backlog,
    DeadLetter,
    EpochBegun,
    Rebased,
    Window,
)
from stillwell.store.bring_over import BringOver
from stillwell.store.commit import Committer
from stillwell.store.connect import (
    connect_alone,
    connect_reader,
    in_words,
    is_busy,
    is_corrupt,
    is_disk,
    refusal,
)
from stillwell.store.epochs import Epochs
from stillwell.store.errors import StoreBusy, StoreError, StoreMissing, StoreTooNew, Words
from stillwell.store.file import StoreFile
from stillwell.store.holder import holder
from stillwell.store.rescue import Cause, Rescue
from stillwell.store.tail import Shared, Tail

log = logging.getLogger(__name__)

_BATCH_ROWS = 4096
_LONGEST_PAUSE_S = 60.0
REQUESTS_AT_ONCE = 10
"""Commands of other processes that are taken a second."""
_MEND_MS = 60_000
_LOOK_MS = 30_000
"""How often it is looked at whether the file is still there and whole: what is deleted under the
daemon is told within a minute."""


@dataclass(frozen=True, slots=True)
class OpenReport:
    """What opening the store came to."""

    created: bool = False
    """There was no store before."""
    migrated_from: int | None = None
    """The schema version before, when it was brought up to date."""
    moved_aside: Path | None = None
    """Where the damaged file went, when there was one."""
    trouble: str = ""
    """Why the store could not be opened for writing yet; rows are kept in memory meanwhile."""

    def __str__(self) -> str:
        if self.moved_aside is not None:
            return (
                f"The store was damaged and has been moved to {self.moved_aside}; a new one has "
                "been started, and what can be read of the old one is being brought over."
            )
        return self.trouble


class Store:
    """Owned by one thread. Made by `open`; everything but the constructor is public."""

    def __init__(self, path: Path, commit_every_s: float, bulk: bool, backlog_limit: int) -> None:
        self.path = path
        self.opened = OpenReport()
        self.failing: Words | None = None
        """Why the disk does not take writes now; None when it does."""
        self._every_ms = round(commit_every_s * 1000)
        self._bulk = bulk
        self._backlog_limit = backlog_limit
        self._full_at = min(_BATCH_ROWS, backlog_limit)
        self._file = StoreFile(path, durable=not bulk)
        self._seen_version: int | None = None
        self._mono_ms = 0
        self._committed_ms: int | None = None
        self._retry_ms = 0
        self._pause_s = 0.0
        self._together = self._owed = False
        self.mishaps = 0
        """How often its file was found damaged, removed or replaced since the start."""
        self._look_ms = 0
        self._mend_ms = 0
        self._loaded = False
        """What the file holds has been taken over."""
        self._epochs = Epochs()
        self._cursors: dict[tuple[str, str], int] = {}
        self._done: set[tuple[str, str]] = set()
        self._keys: set[str] = set()
        self._described: dict[str, tuple[str, str]] = {}
        self._over = BringOver(path, self._learn)
        self._start_windows({})
        self.tail = Tail(path, self._shared)

    @property
    def trouble(self) -> str | None:
        """Why the disk does not take writes now, as text; None when it does."""
        return None if self.failing is None else str(self.failing)

    @property
    def rescues(self) -> tuple[Rescue, ...]:
        """What has been brought over from damaged files, and what is under way: the newest
        first."""
        return self._over.rescues

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        commit_every_s: float = 30.0,
        bulk: bool = False,
        backlog: int = READINGS_LIMIT,
        watch_anyway: bool = False,
    ) -> Store:
        """Opens or makes the store, brings its schema up to date and takes the writer's lock.

        Args:
            path: the database file; its directory must exist.
            commit_every_s: readings are committed this often.
            bulk: for a replay into a store that can be made again: commits only when thousands of
                rows are waiting and on `commit`, and does not wait for the disk.
            backlog: how many readings are kept in memory while the disk takes none.
            watch_anyway: for the daemon: whatever is wrong with the path or the file, rows are kept
                in memory until it is put right.

        A damaged file, a full or a read-only disk are no errors: see `rescues` and `trouble`.
        Raises `StoreBusy` when another process writes this store; unless `watch_anyway`,
        `StoreTooNew`, and `StoreError` when the path can't be right.
        """
        path = Path(path).absolute()
        store = cls(path, commit_every_s, bulk, backlog)
        try:
            store._attach(first=True)
        except (sqlite3.Error, OSError, StoreError) as error:
            if isinstance(error, StoreBusy):
                store._file.release()
                raise
            try:
                store._read_what_can_be_read()
                if not watch_anyway:
                    _refuse(error, path)
            except StoreError:
                if not watch_anyway:
                    store._file.release()
                    raise
                store._know_nothing()
            store._fail(error)
            store.opened = replace(store.opened, trouble=store.trouble or "")
        return store

    # -- opening ----------------------------------------------------------------------------------

    def _start_windows(self, kept: Mapping[Stream, int]) -> None:
        self._backlog = Backlog(
            readings=Window(kept.get(Stream.READINGS, 0), self._backlog_limit),
            transitions=Window(kept.get(Stream.TRANSITIONS, 0), ALARMS_LIMIT, REMEMBERED),
            notices=Window(kept.get(Stream.NOTICES, 0), ALARMS_LIMIT, REMEMBERED),
            estimates=Window(kept.get(Stream.ESTIMATES, 0), ALARMS_LIMIT),
        )
        self._readings = self._backlog.readings
        self._shared = Shared(self._backlog, lambda: self.failing is not None)
        self._over.share(self._shared)
        self._committer = Committer(self._backlog, self._shared, self._epochs.known, self._know)

    def _attach(self, *, first: bool) -> None:
        """Opens the file. Raises what `StoreFile.attach` does."""
        numbers = self._numbers() if self._loaded else None
        if not first:
            # Nobody may step over what is about to be brought over.
            self._over.hold_all()
        try:
            attached = self._file.attach(self._load if first else None, numbers)
        except BaseException:
            if not self._file.awaits_new:
                self._over.hold()
            raise
        db = self._file.db
        assert db is not None
        self._seen_version = None
        if first:
            db.execute(
                "UPDATE request SET done = 0, reply = 'The daemon was not running when this was "
                "asked: ask again.' WHERE done IS NULL"
            )
        else:
            self.tail.reopen()
            self._reconcile(db, new_file=attached.created or attached.rescue is not None)
        self.mishaps += attached.rescue is not None
        self._over.look(db, attached.descriptor)
        if first or attached.rescue is not None:
            source = attached.rescue.source if attached.rescue is not None else ""
            self.opened = OpenReport(
                attached.created,
                attached.migrated_from,
                self.path.with_name(source) if source else None,
            )

    def _numbers(self) -> dict[str, int]:
        """The highest number of each numbered table on file."""
        return {table: self._backlog.window(stream).kept for stream, table in rows.TABLE.items()}

    def _load(self, db: sqlite3.Connection) -> None:
        """Takes over what the file holds."""
        self._epochs.load(db)
        # An epoch that is lost with a damaged page is not given to other readings.
        newest = "SELECT epoch FROM reading ORDER BY seq DESC LIMIT 4096"
        (used,) = db.execute(f"SELECT coalesce(max(epoch), 0) FROM ({newest})").fetchone()
        self._epochs.next_number = max(self._epochs.next_number, used + 1)
        self._cursors = {
            (sink, stream): seq
            for sink, stream, seq in db.execute("SELECT sink, stream, seq FROM cursor")
        }
        self._start_windows({stream: self._newest_on_file(db, stream) for stream in Stream})
        self.tail = Tail(self.path, self._shared)
        self._shared.offsets.update({e.id: e.offset_ms for e in self._epochs.known.values()})
        for row in db.execute(
            f"SELECT {rows.TRANSITION} FROM transition "
            "WHERE seq IN (SELECT seq FROM alarm) ORDER BY seq"
        ):
            transition = rows.to_transition(row, self._shared.offsets)
            self._shared.latest[transition.alarm] = (row[0], transition)
        # Known without the disk: a notice must not go out twice because the file can't be asked.
        self._keys = {
            key
            for (key,) in db.execute(
                "SELECT key FROM notice ORDER BY seq DESC LIMIT ?", (ALARMS_LIMIT,)
            )
        }
        self._done = {
            (job, day)
            for job, day in db.execute(
                "SELECT job, local_date FROM done ORDER BY local_date DESC LIMIT 20000"
            )
        }
        self._committer.look(db)
        self._loaded = True

    def _newest_on_file(self, db: sqlite3.Connection, stream: Stream) -> int:
        table = rows.TABLE[stream]
        numbers = [int(db.execute(f"SELECT coalesce(max(seq), 0) FROM {table}").fetchone()[0])]
        # Sinks may be ahead of a file that was damaged: a number must never be given twice.
        numbers += [seq for (_, name), seq in self._cursors.items() if name == stream]
        numbers += [one.tops.get(table, 0) for one in swap.recorded(db)]
        return max(numbers)

    def _read_what_can_be_read(self) -> None:
        """The disk takes no writes at the start: alarms and numbers go on from what can be read.
        Raises `StoreTooNew`."""
        try:
            try:
                db = connect_reader(self.path)
            except StoreMissing:
                raise
            except StoreError:
                db = connect_alone(self.path)
            with contextlib.closing(db):
                self._load(db)
        except StoreTooNew:
            raise
        except (StoreError, sqlite3.Error, OSError):
            self._know_nothing()

    def _know_nothing(self) -> None:
        """Nothing can be read. Numbers go on far above all that can be in the file, or in one that
        is put there, so that none is given twice."""
        far = max(time.time_ns() // 1_000_000, 1 << 40)
        self._epochs.next_number = far
        self._start_windows(dict.fromkeys(Stream, far))
        self.tail = Tail(self.path, self._shared)

    def _reconcile(self, db: sqlite3.Connection, *, new_file: bool) -> None:
        """After the file was away: what of the backlog is in it already, and what it lacks."""
        self._committer.look(db)
        backlog = self._backlog
        waiting = {step.id for step in backlog.epochs if isinstance(step, EpochBegun)}
        backlog.epochs[:0] = [e for e in self._epochs.unknown_to(db) if e.id not in waiting]
        self._epochs.load(db)
        with self._shared.changed:
            for epoch in self._epochs.known.values():
                self._shared.offsets.setdefault(epoch.id, epoch.offset_ms)
        on_file = {
            (sink, stream): seq
            for sink, stream, seq in db.execute("SELECT sink, stream, seq FROM cursor")
        }
        if not self._loaded:
            self._take_over(db, on_file)
        self._cursors = on_file | self._cursors
        if new_file:
            backlog.cursors = dict(self._cursors)
            backlog.channels = dict(self._described)
        with self._shared.changed:
            for stream, table in rows.TABLE.items():
                window = backlog.window(stream)
                newest = db.execute(f"SELECT max(seq) FROM {table}").fetchone()[0]
                if newest is not None and newest <= window.newest:
                    window.settle(newest)
        if new_file:
            self._carry_alarms(db)

    def _take_over(self, db: sqlite3.Connection, cursors: Mapping[tuple[str, str], int]) -> None:
        """A file that could not be read at the start: sinks have begun without their cursors."""
        for key, seq in cursors.items():
            if key in self._cursors:
                self._backlog.cursors[key] = self._cursors[key] = max(seq, self._cursors[key])
        self._learn("done", db)
        self._learn("notice", db)
        self._loaded = True

    def _learn(self, table: str, db: sqlite3.Connection) -> None:
        """A small table has been filled that could not be read before."""
        if table == "epoch":
            self._epochs.load(db)
            with self._shared.changed:
                for epoch in self._epochs.known.values():
                    self._shared.offsets.setdefault(epoch.id, epoch.offset_ms)
        elif table == "done":
            self._done |= set(db.execute("SELECT job, local_date FROM done").fetchall())
        elif table == "notice":
            found = db.execute(
                "SELECT key FROM notice ORDER BY seq DESC LIMIT ?", (ALARMS_LIMIT,)
            ).fetchall()
            self._keys |= {key for (key,) in found}

    def _carry_alarms(self, db: sqlite3.Connection) -> None:
        db.execute("BEGIN IMMEDIATE")
        for seq, transition in self._shared.latest.values():
            if seq < self._backlog.transitions.first_pending:
                db.execute(
                    f"INSERT OR IGNORE INTO transition ({rows.TRANSITION}) VALUES "
                    f"({', '.join('?' * (rows.TRANSITION.count(',') + 1))})",
                    rows.bindable(rows.from_transition(seq, transition, self._shared.offsets)),
                )
                db.execute(
                    "INSERT OR REPLACE INTO alarm (name, seq) VALUES (?, ?)",
                    (transition.alarm, seq),
                )
        db.execute("COMMIT")

    # -- the clock --------------------------------------------------------------------------------

    def begin_epoch(self, boot_id: str, moment: Moment, trusted: bool) -> int:
        """A new relation of monotonic and wall clock begins. Returns the epoch's id; commits.

        Args:
            boot_id: names the boot; monotonic times are comparable within one.
            moment: now, on both clocks.
            trusted: whether the wall clock is known to be right.
        """
        self._mono_ms = moment.mono_ms
        self._committed_ms = None
        self._retry_ms = 0
        epoch = self._epochs.begin(boot_id, moment, trusted)
        self._keep_epoch(epoch)
        self._commit_at_once()
        return epoch.id

    def _keep_epoch(self, epoch: EpochBegun) -> None:
        self._backlog.epochs.append(epoch)
        with self._shared.changed:
            self._shared.offsets[epoch.id] = epoch.offset_ms

    def _know(self, moment: Moment) -> None:
        epoch = self._epochs.meet(moment)
        if epoch is not None:
            self._keep_epoch(epoch)

    def rebase(self, boot_id: str, offset_ms: int) -> int:
        """The clock is known now: untrusted epochs of the boot get this offset and become trusted.

        Args:
            offset_ms: UTC minus monotonic.

        Returns how many epochs that were; commits.
        """
        moved = self._epochs.rebase(boot_id, offset_ms)
        if moved:
            self._backlog.epochs.append(Rebased(boot_id, offset_ms))
            with self._shared.changed:
                self._shared.offsets.update({epoch.id: offset_ms for epoch in moved})
            self._commit_at_once()
        return len(moved)

    def utc_ms(self, moment: Moment) -> int | None:
        """When a kept moment was, by what is known of its clock now; None when nobody ever set that
        clock."""
        return self._epochs.utc_ms(moment)

    def passed_ms(self, then: Moment, now: Moment) -> int | None:
        """How long it is from one kept moment to a later one; None where that is not known. See
        `Epochs.passed_ms`."""
        return self._epochs.passed_ms(then, now)

    # -- rows -------------------------------------------------------------------------------------

    def describe_channel(self, name: str, quantity: str, label: str = "") -> None:
        """What pages and exports say of a channel; with the open batch."""
        if self._described.get(name) != (quantity, label):
            self._described[name] = self._backlog.channels[name] = (quantity, label)

    def describe(self, key: str, value: str) -> None:
        """Keeps a fact about the tank (its zone, its bands) for those who look at the store without
        the configuration; with the open batch."""
        self._backlog.meta[key] = value

    def put(self, readings: Sequence[Reading]) -> None:
        """Adds readings to the open batch."""
        shared = self._shared
        window = self._readings
        with shared.changed:
            window.items.extend(readings)
            if shared.sleepers:
                shared.changed.notify_all()
        if len(window.items) >= self._full_at:
            if self.failing is None:
                self.commit()
            else:
                self._bound()

    def put_transition(self, t: Transition, notices: Sequence[Notice] = ()) -> None:
        """Keeps a change of an alarm, its notices and the open batch in one transaction, at
        once."""
        self._know(t.moment)
        by_key = {notice.key: notice for notice in notices}
        fresh = [notice for key, notice in by_key.items() if not self._has_notice(key)]
        for notice in fresh:
            self._know(notice.moment)
        with self._shared.changed:
            seq = self._backlog.transitions.add(t)
            for notice in fresh:
                self._keys.add(notice.key)
                self._backlog.notices.add(notice)
            self._shared.changed.notify_all()
        self._commit_at_once()
        with self._shared.changed:
            self._shared.latest[t.alarm] = (seq, t)

    def put_notice(self, n: Notice) -> None:
        """Keeps a notice, at once; one whose key is kept already is not kept again."""
        if self._has_notice(n.key):
            return
        self._know(n.moment)
        self._keys.add(n.key)
        with self._shared.changed:
            self._backlog.notices.add(n)
            self._shared.changed.notify_all()
        self._commit_at_once()

    def _has_notice(self, key: str) -> bool:
        if key in self._keys:
            return True
        if self._file.db is None:
            return False
        try:
            found = self._file.db.execute("SELECT 1 FROM notice WHERE key = ?", (key,)).fetchone()
        except (sqlite3.Error, UnicodeError):
            return False
        return found is not None

    def put_estimates(self, published: Sequence[Published]) -> None:
        """Adds estimates to the open batch."""
        with self._shared.changed:
            for estimate in published:
                self._backlog.estimates.add(estimate)
            self._shared.changed.notify_all()

    def put_journal(self, entry: Entry) -> None:
        """Keeps a journal entry, at once also in a bulk: whoever estimates along reads it back."""
        self._backlog.journal.append(entry if entry.key else replace(entry, key=uuid.uuid4().hex))
        self._commit_at_once(in_bulk=True)

    def journal_waiting(self) -> tuple[Entry, ...]:
        """Entries that a disk in trouble has not taken yet; they have no numbers."""
        return tuple(self._backlog.journal)

    def described(self, key: str) -> str | None:
        """What `describe` has kept under `key`, also what is not on disk yet."""
        waiting = self._backlog.meta.get(key)
        if waiting is not None or self._file.db is None:
            return waiting
        try:
            found = self._file.db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        except sqlite3.Error:
            return None
        return None if found is None else str(found[0])

    def entry(self, entry_id: int) -> Entry | None:
        """One journal entry."""
        found = self._entries("j.id = ?", entry_id)
        return found[0] if found else None

    def journal_after(self, entry_id: int) -> list[Entry]:
        """Entries with ids above `entry_id`, those that other processes wrote included."""
        return self._entries("j.id > ?", entry_id)

    def _entries(self, where: str, value: int) -> list[Entry]:
        if self._file.db is None:
            return []
        try:
            found = self._file.db.execute(
                f"SELECT {rows.ENTRY} FROM journal j WHERE {where} ORDER BY j.id", (value,)
            ).fetchall()
        except sqlite3.Error:
            return []
        return [rows.to_entry(row) for row in found]

    def mark_done(self, job: str, local_date: date | str) -> None:
        """The calendar job of that local date has been done; at once."""
        mark = (job, str(local_date))
        if mark not in self._done:
            self._done.add(mark)
            self._backlog.done.append(mark)
            self._commit_at_once()

    def is_done(self, job: str, local_date: date | str) -> bool:
        return (job, str(local_date)) in self._done

    @property
    def done(self) -> frozenset[tuple[str, str]]:
        """(job, ISO local date) of what has been done: the newest 20,000."""
        return frozenset(self._done)

    def latest_calls(self, alarm: str, limit: int = 1) -> list[Transition]:
        """The newest changes that made an alarm unacknowledged, the newest first, also what is not
        on disk yet; what can't be read is left out."""
        waiting = self._backlog.transitions
        found = [
            t
            for t in reversed(waiting.between(waiting.first_pending, waiting.newest))
            if t.alarm == alarm and t.after is State.UNACKNOWLEDGED
        ]
        if self._file.db is None:
            return found[:limit]
        try:
            kept = self._file.db.execute(
                f"SELECT {rows.TRANSITION} FROM transition WHERE alarm = ? "
                f"AND state_after = '{State.UNACKNOWLEDGED}' ORDER BY seq DESC LIMIT ?",
                (alarm, limit),
            ).fetchall()
        except (sqlite3.Error, UnicodeError):
            kept = []
        found += [rows.to_transition(row, self._shared.offsets) for row in kept]
        return found[:limit]

    def latest_transitions(self) -> list[Transition]:
        """The newest transition of each alarm, oldest first: what the alarm machine is restored
        from."""
        found = [row.body for row in self.tail.latest_transitions()]
        return [body for body in found if isinstance(body, Transition)]

    # -- sinks ------------------------------------------------------------------------------------

    def cursor(self, sink: str, stream: Stream) -> int | None:
        """How far the sink has come; None when it has never moved."""
        return self._cursors.get((sink, str(stream)))

    def newest(self, stream: Stream) -> int:
        """The number of the newest row, kept already or not."""
        return self._backlog.window(stream).newest

    def cursors(self, stream: Stream) -> dict[str, int]:
        """How far each sink has come with a stream."""
        return {sink: seq for (sink, name), seq in self._cursors.items() if name == stream}

    def move_cursor(
        self, sink: str, stream: Stream, seq: int, refused: Sequence[Refusal] = ()
    ) -> None:
        """The sink is done with rows up to `seq`; what it refused goes to the dead letters.

        With the open batch; at once for notices and for dead letters."""
        key = (sink, str(stream))
        self._cursors[key] = seq
        self._backlog.cursors[key] = seq
        now = self._now_ms()
        self._backlog.letters += [
            DeadLetter(sink, stream, refusal.seq, refusal.reason, now) for refusal in refused
        ]
        if stream is Stream.NOTICES or refused:
            self._commit_at_once()

    def dead_letters(self) -> list[DeadLetter]:
        """What sinks refused for good, oldest first."""
        return self._read_letters("")

    def revived(self, sink: str) -> list[tuple[DeadLetter, Row]]:
        """Dead letters that this sink is to be given once more, with their rows; the answer goes to
        `settle_revived`. Letters whose row is gone are dropped."""
        found = []
        for letter in self._read_letters("WHERE again = 1"):
            if letter.sink != sink:
                continue
            row = self.tail.row(letter.stream, letter.seq)
            if row is None:
                if not self.tail.why_waiting(letter.stream, letter.seq - 1):
                    self.settle_revived(letter.id)
                continue
            found.append((letter, row))
        return found

    def revive(self, letter_id: int) -> None:
        """Lets the sink try a dead letter once more."""
        self._mark("UPDATE dead_letter SET again = 1 WHERE id = ?", (letter_id,))

    def settle_revived(self, letter_id: int, reason: str | None = None) -> None:
        """The sink took the letter (`reason` None), or refused it again."""
        if reason is None:
            self._mark("DELETE FROM dead_letter WHERE id = ?", (letter_id,))
        else:
            self._mark(
                "UPDATE dead_letter SET again = 0, reason = ?, at_ms = ? WHERE id = ?",
                (reason, self._now_ms(), letter_id),
            )

    def _mark(self, sql: str, values: tuple[object, ...]) -> None:
        self._backlog.marks.append((sql, rows.bindable(values)))
        self._commit_at_once()

    def _read_letters(self, where: str) -> list[DeadLetter]:
        if self._file.db is None:
            return []
        try:
            found = self._file.db.execute(
                f"SELECT sink, stream, seq, reason, at_ms, id, again FROM dead_letter {where} "
                "ORDER BY id"
            ).fetchall()
        except sqlite3.Error:
            return []
        return [DeadLetter(r[0], Stream(r[1]), r[2], r[3], r[4], r[5], bool(r[6])) for r in found]

    # -- other processes --------------------------------------------------------------------------

    def pending_requests(self) -> list[tuple[int, Request]]:
        """Commands of other processes that have no answer yet, oldest first, a few at a time.
        Cheap to ask every second: the table is only looked at when another process has written
        since."""
        if self._file.db is None:
            return []
        try:
            seen = int(self._file.db.execute("PRAGMA data_version").fetchone()[0])
            if seen == self._seen_version:
                return []
            found, more = requests.open_requests(self._file.db, REQUESTS_AT_ONCE)
        except sqlite3.Error:
            return []
        self._seen_version = None if more else seen
        answered = {number for number, _ in self._backlog.replies}
        return [(number, request) for number, request in found if number not in answered]

    def answer(self, request_id: int, reply: Reply) -> None:
        """Answers a command, at once."""
        self._backlog.replies.append((request_id, reply))
        self._commit_at_once()

    # -- keeping ----------------------------------------------------------------------------------

    @property
    def commits(self) -> int:
        """Transactions written since the start: what wears a card."""
        return self._committer.commits

    @property
    def backlog_lost(self) -> int:
        """Readings that were dropped because too many were waiting for the disk."""
        return self._readings.lost

    @property
    def waiting(self) -> int:
        """Readings that are not on disk yet."""
        return self._readings.pending

    @property
    def bulk(self) -> bool:
        """Whether it is being filled by a replay rather than by a tank's life."""
        return self._bulk

    def tick(self, mono_ms: int) -> None:
        """Commits when it is time to, and tries again after trouble. To be called every second."""
        self._mono_ms = mono_ms
        if self.failing is not None:
            if mono_ms >= self._retry_ms:
                self.commit()
            return
        if self._committed_ms is None:
            self._committed_ms = mono_ms
        elif mono_ms - self._committed_ms >= self._every_ms and not self._bulk:
            self.commit()
        if self._shared.damaged:
            self.suspect()
        elif mono_ms >= self._look_ms:
            self._look_ms = mono_ms + _LOOK_MS
            if self._file.db is None or self._is_another():
                self.commit()
        self._go_on_with_rescue()

    def suspect(self) -> None:
        """Somebody has met a part of the file that can't be read: it is followed by a new one, with
        everything else."""
        self._met(sound.damaged())

    def _go_on_with_rescue(self) -> None:
        if self._file.db is None or self.failing is not None:
            return
        try:
            self._over.step(self._file.db, self._now_ms())
        except (sqlite3.Error, OSError) as error:
            self._met(error)

    def _is_another(self) -> bool:
        """Whether the file is not what it was; lets go of it then."""
        try:
            cause = self._file.look()
        except StoreError as error:
            self._fail(error)
            return False
        if cause is None:
            return False
        self._leave(cause)
        return True

    def _leave(self, cause: Cause) -> None:
        log.error("The store %s: %s.", self.path, cause)
        self._file.let_go(cause)
        if cause is Cause.LOG_GONE:
            self.tail.reopen()  # its hold on the log that is gone would be shared

    def _met(self, error: Exception) -> None:
        """What to do about an error: damage is mended at once (but a card that spoils the new file
        too is not worn out by it), anything else is waited out."""
        if is_corrupt(error) and self._file.db is not None and self._mono_ms >= self._mend_ms:
            self._mend_ms = self._mono_ms + _MEND_MS
            self._leave(Cause.DAMAGED)
            self.commit()
        else:
            self._fail(error)

    def commit(self) -> None:
        """Writes what is waiting, now. Never raises for the disk: see `trouble`."""
        self._committed_ms = self._mono_ms
        if self.failing is None and self._file.db is not None and not self._backlog.waiting():
            return
        self._shared.writing_since_s = time.monotonic()
        try:
            self._write()
        except (sqlite3.Error, OSError, StoreError) as error:
            self._met(error)
        else:
            if self.failing is not None:
                log.warning("The store takes writes again: %s", self.path)
            self.failing = None
            self._pause_s = 0.0
        finally:
            self._shared.writing_since_s = None

    def _commit_at_once(self, *, in_bulk: bool = False) -> None:
        # In trouble `tick` decides when to try again: a burst of alarms must not hammer a dying
        # card.
        if self._together:
            self._owed = True
        elif (in_bulk or not self._bulk) and self.failing is None:
            self.commit()

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """What would be kept at once meanwhile is kept by one commit at the end."""
        self._together, self._owed = True, False
        try:
            yield
        finally:
            self._together = False
            if self._owed:
                self._commit_at_once(in_bulk=True)

    def _write(self) -> None:
        try:
            self._write_with(flush.plain)
        except (sqlite3.Error, OSError, StoreError) as error:
            if not isinstance(error, sqlite3.Error) or _about_the_file(error):
                raise
            self._file.rollback()
            self._write_with(flush.careful)
        except (UnicodeError, OverflowError, TypeError, ValueError):
            self._file.rollback()
            self._write_with(flush.careful)

    def _write_with(self, prepare: flush.Prepare) -> None:
        if self._file.db is not None and (cause := self._file.look()) is not None:
            self._leave(cause)
        if self._file.db is None:
            self._attach(first=False)
        assert self._file.db is not None
        if self.failing is None:
            self._committer.together(self._file.db, prepare)
        else:
            self._committer.in_slices(self._file.db, prepare)

    def _fail(self, error: Exception) -> None:
        by = holder(self.path) if is_busy(error) else ""
        self._file.rollback()
        if is_corrupt(error):
            self._file.let_go(Cause.DAMAGED)
        full = getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL
        if not full and not is_busy(error):
            # A connection that met an I/O error or a read-only disk keeps to what it saw.
            self._file.detach()
        words = in_words(error, self.path, by)
        if self.failing is None:
            log.error("%s", words)
        self.failing = words
        self._pause_s = min(_LONGEST_PAUSE_S, max(1.0, self._pause_s * 2))
        self._retry_ms = self._mono_ms + round(self._pause_s * 1000)
        self._bound()

    def _bound(self) -> None:
        with self._shared.changed:
            self._shared.changed.notify_all()
            for stream in Stream:
                self._backlog.window(stream).bound()
        del self._backlog.letters[:-ALARMS_LIMIT]
        del self._backlog.journal[:-ALARMS_LIMIT]

    def keep_house(self, keep_raw_ms: int, blocks: int = 8) -> retention.Kept:
        """Rolls up and deletes a little; call again while `more`. Does nothing while the clock of
        the running epoch is not trusted or the disk is in trouble."""
        if self._file.db is None or self.failing is not None or not self._epochs.trusted:
            return retention.Kept(0, 0, False)
        try:
            return retention.step(
                self._file.db, self._epochs.boot_id, self._now_ms(), keep_raw_ms, blocks=blocks
            )
        except sqlite3.Error as error:
            self._met(error)
            return retention.Kept(0, 0, False)

    def _now_ms(self) -> int:
        return self._mono_ms + self._epochs.newest_offset_ms()

    def close(self) -> None:
        """Commits, and lets go of file and lock."""
        if self._file.db is not None or self._backlog.waiting():
            self.commit()
        with self._shared.changed:
            self._shared.closed = True
            self._shared.changed.notify_all()
        self._over.stop()
        self.tail.close()
        self._file.detach()
        self._file.release()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def _refuse(error: Exception, path: Path) -> None:
    """Raises `StoreError` for what only a person can put right."""
    if isinstance(error, StoreError):
        raise error
    denied = isinstance(error, PermissionError) and error.errno in (errno.EACCES, errno.EPERM)
    if denied or not path.parent.is_dir() or path.is_dir():
        raise refusal(error, path) from error


def _about_the_file(error: sqlite3.Error) -> bool:
    return is_disk(error) or is_busy(error) or is_corrupt(error)


__all__ = ["OpenReport", "Store", "StoreBusy"]
