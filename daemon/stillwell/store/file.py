"""The writer's hold on its database file: the lock, the connection, and whether the path still
leads to that file. A file that is damaged or gone is replaced by a new one.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stillwell.store import before, bring_over, sound, swap, whose
from stillwell.store.connect import connect_writer, in_words, is_corrupt
from stillwell.store.errors import StoreDamaged
from stillwell.store.holder import open_here
from stillwell.store.lock import WriterLock
from stillwell.store.migrate import migrate, widths
from stillwell.store.pages import PageFile
from stillwell.store.rescue import Cause, Rescue

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Attached:
    """The outcome of opening the file."""

    created: bool
    """There was no file before."""
    rescue: Rescue | None
    """The rescue that began when it was opened, or one that found nothing to do."""
    descriptor: int | None
    """A descriptor of the old file that the rescue reads, if that file has no name any more."""


@dataclass(slots=True)
class _Old:
    """A file that was removed while it was open: it can be read as long as it stays open."""

    cause: Cause
    db: sqlite3.Connection
    descriptor: int


class StoreFile:
    """The file that the writer holds; owned by the writer.

    Args:
        durable: whether a commit waits for the disk.
    """

    def __init__(self, path: Path, *, durable: bool) -> None:
        self.path = path
        self.db: sqlite3.Connection | None = None
        self._damaged: Cause | None = None
        """The damage that is known, for which the next `attach` moves the file aside."""
        self._old: _Old | None = None
        self._folded = False
        """The log was removed, and its content has been saved."""
        self._durable = durable
        self._lock = WriterLock(path)
        self._identity = (0, 0)
        self._log_identity = (0, 0)
        self._size = 0

    def attach(
        self,
        load: Callable[[sqlite3.Connection], None] | None,
        numbers: dict[str, int] | None = None,
    ) -> Attached:
        """Takes the lock, opens the file, and repairs what needs it.

        Args:
            load: reads what is needed from the file; if it finds damage, the file is moved aside as
                well.
            numbers: the highest number that each numbered table has on file, where that is known.

        Raises `StoreBusy`, `StoreTooNew`, `StoreForeign`, and what SQLite and the disk raise.
        """
        cause = self._damaged
        try:
            whose.check(self.path)
        except StoreDamaged:
            cause = cause or Cause.SHORTER
        self._lock.take()
        swap.finish(self.path)
        created = not self.path.exists()
        db: sqlite3.Connection | None = None
        try:
            if cause is not None:
                raise sound.damaged()
            db = connect_writer(self.path, durable=self._durable)
            sound.check(db)
            before.keep_copy(db, self.path)
            migrate(db, str(self.path))
            if load is not None:
                load(db)
        except sqlite3.DatabaseError as error:
            if db is not None:
                db.close()
            if not is_corrupt(error):
                raise
            log.error("%s", in_words(error, self.path).what)
            swap.start_again(self.path, cause or Cause.DAMAGED, numbers, durable=self._durable)
            self._damaged = None
            db = connect_writer(self.path, durable=self._durable)
            if load is not None:
                load(db)
            cause = cause or Cause.DAMAGED
        except BaseException:
            if db is not None:
                db.close()
            raise
        descriptor = self._join_old(db, numbers)
        told = cause is not None or descriptor is not None or self._note_folded(db)
        self.db = db
        self._identity, self._size = _identity(self.path)
        self._log_identity, _ = _identity(self._log)
        rescue = next(iter(bring_over.recorded(db)), None) if told else None
        return Attached(created, rescue, descriptor)

    def _join_old(self, db: sqlite3.Connection, numbers: dict[str, int] | None) -> int | None:
        """Copies from a file that was removed what must be there at once. Returns a descriptor by
        which the rest of it can be read."""
        old = self._old
        if old is None:
            return None
        begun = Rescue(old.cause, _now_ms(), "")
        file = PageFile(old.descriptor, None, widths(db))
        try:
            with db:
                db.execute("BEGIN IMMEDIATE")
                swap.bring(old.db, file, db, begun, numbers)
        except BaseException:
            db.close()
            raise
        self._old = None
        with contextlib.suppress(sqlite3.Error):
            old.db.close()
        return old.descriptor

    def _note_folded(self, db: sqlite3.Connection) -> bool:
        if not self._folded:
            return False
        now_ms = _now_ms()
        begun = Rescue(Cause.LOG_GONE, now_ms, "", ended_ms=now_ms)
        bring_over.keep(db, (begun, *bring_over.recorded(db)))
        self._folded = False
        return True

    @property
    def awaits_new(self) -> bool:
        """Whether the next `attach` makes a new file."""
        return self._damaged is not None or self._old is not None

    @property
    def _log(self) -> Path:
        return self.path.with_name(self.path.name + "-wal")

    def look(self) -> Cause | None:
        """What a person or the card has done to the file since it was opened. SQLite would not
        notice, and its writes would be lost."""
        try:
            identity, size = _identity(self.path)
        except OSError:
            return None
        if identity == (0, 0):
            return Cause.REMOVED
        if identity != self._identity:
            return Cause.REPLACED
        if size < self._size:
            return Cause.SHORTER
        self._size = size
        if self._log_identity == (0, 0):
            self._log_identity, _ = _identity(self._log)
        elif _identity(self._log)[0] != self._log_identity:
            return Cause.LOG_GONE
        self._lock.look()
        return None

    def beat(self) -> None:
        """Shows other processes that the writer is alive."""
        self._lock.beat()

    def let_go(self, cause: Cause) -> None:
        """Lets go of the file, so that the next `attach` makes a new one."""
        self.rollback()
        if self.db is None:
            if cause in (Cause.DAMAGED, Cause.SHORTER):
                self._damaged = cause
            return
        if cause in (Cause.DAMAGED, Cause.SHORTER):
            self._damaged = cause
        else:
            folded = self._fold()
            descriptor = _descriptor(self._identity)
            if cause is Cause.LOG_GONE:
                self._folded = folded
                self._damaged = None if folded else Cause.DAMAGED
            elif descriptor is not None:
                self._old = _Old(cause, self.db, descriptor)
                self.db = None
        self.detach()

    def _fold(self) -> bool:
        """Writes the log into the file, even if the file has no name any more."""
        assert self.db is not None
        try:
            busy, *_ = self.db.execute("PRAGMA wal_checkpoint(FULL)").fetchone()
        except sqlite3.Error:
            return False
        return not busy

    def ask(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        """The rows of a query; none if the file can't be read."""
        if self.db is None:
            return []
        try:
            return self.db.execute(sql, values).fetchall()
        except (sqlite3.Error, UnicodeError):
            return []

    def rollback(self) -> None:
        """Rolls back the open transaction, if there is one; drops a connection that can't do so."""
        if self.db is not None and self.db.in_transaction:
            try:
                self.db.execute("ROLLBACK")
            except sqlite3.Error:
                self.detach()

    def detach(self) -> None:
        """Closes the connection; the lock stays."""
        if self.db is not None:
            with contextlib.suppress(sqlite3.Error):
                self.db.close()
            self.db = None

    def release(self) -> None:
        """Releases the lock."""
        if self._old is not None:
            with contextlib.suppress(sqlite3.Error):
                self._old.db.close()
            os.close(self._old.descriptor)
            self._old = None
        self._lock.release()


def _identity(file: Path) -> tuple[tuple[int, int], int]:
    """The identity of the file at the path (device and inode), and its size; zeros where there is
    none."""
    try:
        status = file.stat()
    except FileNotFoundError:
        return (0, 0), 0
    return (status.st_dev, status.st_ino), status.st_size


def _descriptor(identity: tuple[int, int]) -> int | None:
    """A new descriptor of a file that this process has open; None where it can't be had."""
    with contextlib.suppress(OSError):
        here = open_here(identity)
        if here is not None:
            return os.open(f"/proc/self/fd/{here}", os.O_RDONLY | os.O_CLOEXEC)
    return None


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
