"""The store's one writer.

Rows get their numbers here and wait in memory for the next commit: readings for the batch; what
concerns a person is committed at once. Between commits the database is not locked. When the disk
takes no writes, nothing here raises: rows stay in memory, in order and with their numbers,
`trouble` says why, and `tick` tries again with growing pauses.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import date
from pathlib import Path

from stillwell.entry import Entry
from stillwell.notice import Notice, Transition
from stillwell.ports import Published, Stream
from stillwell.reading import Moment, Reading
from stillwell.request import Reply
from stillwell.store.backlog import ALARMS_LIMIT, READINGS_LIMIT, REMEMBERED, Backlog, Window
from stillwell.store.disk import Disk
from stillwell.store.epochs import Epochs
from stillwell.store.errors import Words
from stillwell.store.kept import KeptRows
from stillwell.store.known import Known
from stillwell.store.sinks import Sinks
from stillwell.store.tail import Shared, Tail

_BATCH_ROWS = 4096


class Store:
    """The writer's side of the store. Owned by one thread and made by `open`; everything but the
    constructor is public."""

    def __init__(self, path: Path, commit_every_s: float, bulk: bool, backlog_limit: int) -> None:
        self.path = path
        self._full_at = min(_BATCH_ROWS, backlog_limit)
        self._backlog = Backlog(
            readings=Window(backlog_limit),
            transitions=Window(ALARMS_LIMIT, REMEMBERED),
            notices=Window(ALARMS_LIMIT, REMEMBERED),
            estimates=Window(ALARMS_LIMIT),
        )
        self._readings = self._backlog.readings
        self._shared = Shared(self._backlog, lambda: self.failing is not None)
        self._epochs = Epochs(self._shared)
        self._known = Known(self._shared, self._epochs)
        self.tail = Tail(path, self._shared)
        self.disk = Disk(
            path, self._known, self._shared, self.tail, every_s=commit_every_s, bulk=bulk
        )
        self.kept = KeptRows(self.disk.file, self._shared)
        self.sinks = Sinks(self.disk, self._known, self._shared, self.tail)

    @property
    def failing(self) -> Words | None:
        """Why the disk takes no writes now; None when it does."""
        return self.disk.failing

    @property
    def trouble(self) -> str | None:
        """The same as one text."""
        return None if self.failing is None else str(self.failing)

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

        A damaged file, a full or a read-only disk are no errors: see `disk.rescues` and `trouble`.
        Raises `StoreBusy` when another process writes this store; unless `watch_anyway`,
        `StoreTooNew`, and `StoreError` when the path can't be right.
        """
        store = cls(Path(path).absolute(), commit_every_s, bulk, backlog)
        store.disk.open(watch_anyway=watch_anyway)
        return store

    # -- the clock --------------------------------------------------------------------------------

    def begin_epoch(self, boot_id: str, moment: Moment, trusted: bool) -> int:
        """A new relation of monotonic and wall clock begins. Returns the epoch's id; commits.

        Args:
            boot_id: names the boot; monotonic times are comparable within one.
            moment: now, on both clocks.
            trusted: whether the wall clock is known to be right.
        """
        self.disk.restart(moment.mono_ms)
        number = self._epochs.begin(boot_id, moment, trusted)
        self.disk.commit_at_once()
        return number

    def rebase(self, boot_id: str, offset_ms: int) -> int:
        """Gives the untrusted epochs of a boot this offset and makes them trusted, because its
        clock is known now.

        Args:
            offset_ms: UTC minus monotonic.

        Returns how many epochs that were; commits.
        """
        moved = self._epochs.rebase(boot_id, offset_ms)
        if moved:
            self.disk.commit_at_once()
        return moved

    def utc_ms(self, moment: Moment) -> int | None:
        """The UTC of a kept moment, by what is now known of its clock; None when nobody ever set
        that clock."""
        return self._epochs.utc_ms(moment)

    def passed_ms(self, then: Moment, now: Moment) -> int | None:
        """The time from one kept moment to a later one, ms; None if unknown. See
        `Epochs.passed_ms`."""
        return self._epochs.passed_ms(then, now)

    # -- rows -------------------------------------------------------------------------------------

    def describe_channel(self, name: str, quantity: str, label: str = "") -> None:
        """Keeps what pages and exports say about a channel; written with the open batch."""
        if self._known.described.get(name) != (quantity, label):
            self._known.described[name] = self._backlog.channels[name] = (quantity, label)

    def describe(self, key: str, value: str) -> None:
        """Keeps a fact about the tank (its zone, its bands) for those who read the store without
        the configuration; written with the open batch."""
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
            self.disk.make_room()

    def put_transition(self, t: Transition, notices: Sequence[Notice] = ()) -> None:
        """Keeps a change of an alarm, its notices and the open batch in one transaction, at
        once."""
        self._epochs.meet(t.moment)
        by_key = {notice.key: notice for notice in notices}
        fresh = [notice for key, notice in by_key.items() if not self._has_notice(key)]
        for notice in fresh:
            self._epochs.meet(notice.moment)
        with self._shared.changed:
            seq = self._backlog.transitions.add(t)
            for notice in fresh:
                self._backlog.notices.add(notice)
            self._shared.changed.notify_all()
        self.disk.commit_at_once()
        with self._shared.changed:
            self._shared.latest[t.alarm] = (seq, t)

    def put_notice(self, n: Notice) -> None:
        """Keeps a notice, at once; does nothing if its key is kept already."""
        if self._has_notice(n.key):
            return
        self._epochs.meet(n.moment)
        with self._shared.changed:
            self._backlog.notices.add(n)
            self._shared.changed.notify_all()
        self.disk.commit_at_once()

    def _has_notice(self, key: str) -> bool:
        if any(notice.key == key for notice in self._backlog.notices.items):
            return True
        return key in self._known.keys or self.kept.has_notice(key)

    def put_estimates(self, published: Sequence[Published]) -> None:
        """Adds estimates to the open batch."""
        with self._shared.changed:
            for estimate in published:
                self._backlog.estimates.add(estimate)
            self._shared.changed.notify_all()

    def put_journal(self, entry: Entry) -> None:
        """Keeps a journal entry, at once even in bulk mode, because the estimators read it back."""
        self._backlog.journal.append(entry if entry.key else replace(entry, key=uuid.uuid4().hex))
        self.disk.commit_at_once(in_bulk=True)

    def mark_done(self, job: str, local_date: date | str) -> None:
        """Notes that the calendar job of that local date has been done; at once."""
        mark = (job, str(local_date))
        if mark not in self._known.done:
            self._known.done.add(mark)
            self._backlog.done.append(mark)
            self.disk.commit_at_once()

    def is_done(self, job: str, local_date: date | str) -> bool:
        return (job, str(local_date)) in self._known.done

    def latest_transitions(self) -> list[Transition]:
        """The newest transition of each alarm, oldest first, from which the alarms' states are
        restored."""
        found = [row.body for row in self.tail.latest_transitions()]
        return [body for body in found if isinstance(body, Transition)]

    def newest(self, stream: Stream) -> int:
        """The number of the newest row, kept already or not."""
        return self._backlog.window(stream).newest

    def answer(self, request_id: int, reply: Reply) -> None:
        """Answers a command, at once."""
        self._backlog.replies.append((request_id, reply))
        self.disk.commit_at_once()

    # -- keeping ----------------------------------------------------------------------------------

    @property
    def backlog_lost(self) -> int:
        """Readings that were dropped because too many were waiting for the disk."""
        return self._readings.lost

    @property
    def waiting(self) -> int:
        """Readings that are not on disk yet."""
        return self._readings.pending

    def tick(self, mono_ms: int) -> None:
        """Commits when it is due, and tries again after trouble. Must be called every second."""
        self.disk.tick(mono_ms)

    def commit(self) -> None:
        """Writes what is waiting, now. Never raises for a disk error: see `trouble`."""
        self.disk.commit()

    def together(self) -> AbstractContextManager[None]:
        """A context in which everything that is kept at once waits for one commit at its end."""
        return self.disk.together()

    def close(self) -> None:
        """Commits, and lets go of file and lock."""
        self.disk.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()
