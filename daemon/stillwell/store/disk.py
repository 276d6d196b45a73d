"""Commits the backlog when it is due, whatever happens to the disk: it recognises a file that is
damaged, gone or replaced, and tries again with growing pauses."""

from __future__ import annotations

import contextlib
import errno
import logging
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

from stillwell.ports import Stream
from stillwell.store import flush, retention, sound
from stillwell.store.backlog import ALARMS_LIMIT
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
from stillwell.store.errors import StoreBusy, StoreError, StoreMissing, StoreTooNew, Words
from stillwell.store.file import StoreFile
from stillwell.store.holder import holder
from stillwell.store.known import Known
from stillwell.store.rescue import Cause, Rescue
from stillwell.store.tail import Shared, Tail

log = logging.getLogger(__name__)

_LONGEST_PAUSE_S = 60.0
_MEND_MS = 60_000
_LOOK_MS = 30_000
"""How often it checks that the file is still there and whole, so that a deleted file is reported
within a minute."""
BEAT_MS = 30_000
"""How often the writer shows that it is alive: as often as it commits, since each write wears the
card."""


class Disk:
    """Writes to the disk; owned by the writer.

    Args:
        every_s: readings are committed this often.
        bulk: commits only on `commit`, does not wait for the disk, and does not look whether
            somebody has taken the file away: it can be made again, and time passes too quickly.
    """

    def __init__(
        self,
        path: Path,
        known: Known,
        shared: Shared,
        tail: Tail,
        *,
        every_s: float,
        bulk: bool,
    ) -> None:
        self.path = path
        self.failing: Words | None = None
        """Why the disk takes no writes now; None when it does."""
        self.mishaps = 0
        """How often its file was found damaged, removed or replaced since the start."""
        self.file = StoreFile(path, durable=not bulk)
        self.bulk = bulk
        """Whether it is being filled by a replay rather than by live readings."""
        self.mono_ms = 0
        self._known = known
        self._backlog = shared.backlog
        self._shared = shared
        self._tail = tail
        self._committer = Committer(shared, known.epochs)
        self._over = BringOver(path, shared, known.learn)
        self._every_ms = round(every_s * 1000)
        self._committed_ms: int | None = None
        self._retry_ms = 0
        self._pause_s = 0.0
        self._together = self._owed = False
        self._look_ms = 0
        self._beat_ms = 0
        self._mend_ms = 0

    @property
    def rescues(self) -> tuple[Rescue, ...]:
        """The rescues of damaged files, ended and under way, the newest first."""
        return self._over.rescues

    @property
    def commits(self) -> int:
        """Number of transactions written since the start, which is what wears a card."""
        return self._committer.commits

    def open(self, *, watch_anyway: bool) -> None:
        """Opens or makes the file. See `Store.open`."""
        try:
            self._attach(first=True)
        except (sqlite3.Error, OSError, StoreError) as error:
            if isinstance(error, StoreBusy):
                self.file.release()
                raise
            try:
                self._read_what_can_be_read()
                if not watch_anyway:
                    _refuse(error, self.path)
            except StoreError:
                if not watch_anyway:
                    self.file.release()
                    raise
                self._known.know_nothing()
            self._fail(error)

    def _attach(self, *, first: bool) -> None:
        """Opens the file and takes over what it holds. Raises what `StoreFile.attach` does."""
        numbers = self._known.numbers()
        if not first:
            # No sink may skip rows that are about to be brought over.
            self._over.hold_all()
        try:
            attached = self.file.attach(self._load if first else None, numbers)
        except BaseException:
            if not self.file.awaits_new:
                self._over.hold()
            raise
        db = self.file.db
        assert db is not None
        if first:
            db.execute(
                "UPDATE request SET done = 0, reply = 'The daemon was not running when this was "
                "asked: ask again.' WHERE done IS NULL"
            )
        else:
            self._tail.reopen()
            self._committer.look(db)
            self._known.reconcile(db, new_file=attached.created or attached.rescue is not None)
        self.mishaps += attached.rescue is not None
        self._over.look(db, attached.descriptor)

    def _load(self, db: sqlite3.Connection) -> None:
        self._committer.look(db)
        self._known.load(db)

    def _read_what_can_be_read(self) -> None:
        """Loads alarms and numbers from what can be read, when the disk takes no writes at the
        start. Raises `StoreTooNew`."""
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
            self._known.know_nothing()

    def restart(self, mono_ms: int) -> None:
        """Starts its timers again, because the monotonic clock begins anew."""
        self.mono_ms = mono_ms
        self._committed_ms = None
        self._retry_ms = 0
        self._beat()  # the wall clock may have been set

    def tick(self, mono_ms: int) -> None:
        """Commits when it is due, and tries again after trouble. Must be called every second."""
        self.mono_ms = mono_ms
        if mono_ms >= self._beat_ms and not self.bulk:
            self._beat()
        if self.failing is not None:
            if mono_ms >= self._retry_ms:
                self.commit()
            return
        if self._committed_ms is None:
            self._committed_ms = mono_ms
        elif mono_ms - self._committed_ms >= self._every_ms and not self.bulk:
            self.commit()
        if self._shared.damaged:
            self._met(sound.damaged())
        elif mono_ms >= self._look_ms and not self.bulk:
            self._look_ms = mono_ms + _LOOK_MS
            if self.file.db is None or self._is_another():
                self.commit()
        self._go_on_with_rescue()

    def _beat(self) -> None:
        self._beat_ms = self.mono_ms + BEAT_MS
        self.file.beat()

    def _go_on_with_rescue(self) -> None:
        if self.file.db is None or self.failing is not None:
            return
        try:
            self._over.step(self.file.db, self.now_ms())
        except (sqlite3.Error, OSError) as error:
            self._met(error)

    def _is_another(self) -> bool:
        """Whether the file was damaged, removed or replaced; lets go of it if so."""
        try:
            cause = self.file.look()
        except StoreError as error:
            self._fail(error)
            return False
        if cause is None:
            return False
        self._leave(cause)
        return True

    def _leave(self, cause: Cause) -> None:
        log.error("The store %s: %s.", self.path, cause)
        self.file.let_go(cause)
        if cause is Cause.LOG_GONE:
            self._tail.reopen()  # it would otherwise share its hold on the log that is gone

    def _met(self, error: Exception) -> None:
        """Handles an error: damage is repaired at once (but not again and again on a card that
        spoils the new file too, since that wears it out); anything else is waited out."""
        if is_corrupt(error) and self.file.db is not None and self.mono_ms >= self._mend_ms:
            self._mend_ms = self.mono_ms + _MEND_MS
            self._leave(Cause.DAMAGED)
            self.commit()
        else:
            self._fail(error)

    def commit(self) -> None:
        """Writes what is waiting, now. Never raises for a disk error: see `trouble`."""
        self._committed_ms = self.mono_ms
        if self.failing is None and self.file.db is not None and not self._backlog.waiting():
            return
        self._shared.writing_since_s = time.monotonic()
        try:
            self._write()
        except (sqlite3.Error, OSError, StoreError) as error:
            self._met(error)
        else:
            self.failing = None
            self._pause_s = 0.0
        finally:
            self._shared.writing_since_s = None

    def commit_at_once(self, *, in_bulk: bool = False) -> None:
        """Commits, unless the disk is in trouble, the store is filled in bulk, or `together` is
        open."""
        # In trouble, `tick` decides when to try again: a burst of alarms must not hammer a dying
        # card.
        if self._together:
            self._owed = True
        elif (in_bulk or not self.bulk) and self.failing is None:
            self.commit()

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """A context in which everything that is kept at once waits for one commit at its end."""
        self._together, self._owed = True, False
        try:
            yield
        finally:
            self._together = False
            if self._owed:
                self.commit_at_once(in_bulk=True)

    def _write(self) -> None:
        try:
            self._write_with(flush.plain)
        except (sqlite3.Error, OSError, StoreError) as error:
            if not isinstance(error, sqlite3.Error) or _about_the_file(error):
                raise
            self.file.rollback()
            self._write_with(flush.careful)
        except (UnicodeError, OverflowError, TypeError, ValueError):
            self.file.rollback()
            self._write_with(flush.careful)

    def _write_with(self, prepare: flush.Prepare) -> None:
        if self.file.db is not None and (cause := self.file.look()) is not None:
            self._leave(cause)
        if self.file.db is None:
            self._attach(first=False)
        assert self.file.db is not None
        if self.failing is None:
            self._committer.together(self.file.db, prepare)
        else:
            self._committer.in_slices(self.file.db, prepare)

    def _fail(self, error: Exception) -> None:
        by = holder(self.path) if is_busy(error) else ""
        self.file.rollback()
        if is_corrupt(error):
            self.file.let_go(Cause.DAMAGED)
        full = getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL
        if not full and not is_busy(error):
            # A connection that met an I/O error or a read-only disk keeps failing even when the
            # disk recovers.
            self.file.detach()
        self.failing = in_words(error, self.path, by)
        self._pause_s = min(_LONGEST_PAUSE_S, max(1.0, self._pause_s * 2))
        self._retry_ms = self.mono_ms + round(self._pause_s * 1000)
        self._bound()

    def make_room(self) -> None:
        """Commits because many readings are waiting, or drops the oldest of them."""
        if self.failing is None:
            self.commit()
        else:
            self._bound()

    def _bound(self) -> None:
        with self._shared.changed:
            self._shared.changed.notify_all()
            for stream in Stream:
                self._backlog.window(stream).bound()
        del self._backlog.letters[:-ALARMS_LIMIT]
        del self._backlog.journal[:-ALARMS_LIMIT]

    def apply_retention(self, keep_raw_ms: int, blocks: int = 8) -> retention.Kept:
        """Rolls up and deletes a little; call again while `more`. Does nothing while the clock of
        the running epoch is not trusted or the disk is in trouble."""
        epochs = self._known.epochs
        if self.file.db is not None and self.failing is None and epochs.trusted:
            try:
                return retention.step(
                    self.file.db, epochs.boot_id, self.now_ms(), keep_raw_ms, blocks=blocks
                )
            except sqlite3.Error as error:
                self._met(error)
        return retention.Kept(0, 0, False)

    def now_ms(self) -> int:
        """UTC, as far as it is known."""
        return self.mono_ms + self._known.epochs.newest_offset_ms()

    def close(self) -> None:
        """Commits, and lets go of file and lock."""
        if self.file.db is not None or self._backlog.waiting():
            self.commit()
        with self._shared.changed:
            self._shared.closed = True
            self._shared.changed.notify_all()
        self._over.stop()
        self._tail.close()
        self.file.detach()
        self.file.release()


def _refuse(error: Exception, path: Path) -> None:
    """Raises `StoreError` for errors that only a person can put right."""
    if isinstance(error, StoreError):
        raise error
    denied = isinstance(error, PermissionError) and error.errno in (errno.EACCES, errno.EPERM)
    if denied or not path.parent.is_dir() or path.is_dir():
        raise refusal(error, path) from error


def _about_the_file(error: sqlite3.Error) -> bool:
    return is_disk(error) or is_busy(error) or is_corrupt(error)
