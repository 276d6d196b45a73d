"""The writer's hold on its database file: the lock, the connection, and whether it is still the
file at that path. A damaged one is moved aside and started again.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from stillwell.store import before, rescue
from stillwell.store.connect import connect_writer, in_words, is_corrupt
from stillwell.store.lock import WriterLock
from stillwell.store.migrate import migrate

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Attached:
    """What opening the file came to."""

    created: bool
    """There was none before."""
    migrated_from: int | None
    """The schema version before, when it was brought up to date."""
    moved_aside: Path | None
    """Where the damaged file went, when there was one."""
    carried_over: int
    """Rows of the damaged file that could still be read."""


class StoreFile:
    """Owned by the writer.

    Args:
        durable: whether a commit waits for the disk.
    """

    def __init__(self, path: Path, *, durable: bool) -> None:
        self.path = path
        self.db: sqlite3.Connection | None = None
        self.damaged = False
        """Known to be: moved aside at the next `attach`."""
        self._durable = durable
        self._lock = WriterLock(path)
        self._identity = (0, 0)

    def attach(self, load: Callable[[sqlite3.Connection], None] | None) -> Attached:
        """Takes the lock, opens the file, repairs what has to be.

        Args:
            load: reads what is needed of it; a file that it finds damaged is moved aside as well.

        Raises `StoreBusy`, `StoreTooNew`, and what SQLite and the disk raise.
        """
        self._lock.take()
        created = not self.path.exists()
        aside: Path | None = None
        carried = 0
        migrated = None
        db: sqlite3.Connection | None = None
        try:
            if self.damaged:
                raise rescue.damaged()
            db = connect_writer(self.path, durable=self._durable)
            rescue.check(db, self.path)
            before.keep_copy(db, self.path)
            migrated = migrate(db, str(self.path))
            if load is not None:
                load(db)
        except sqlite3.DatabaseError as error:
            if db is not None:
                db.close()
            if not is_corrupt(error):
                raise
            aside = rescue.move_aside(self.path)
            log.error("%s Moved to %s.", in_words(error, self.path), aside)
            db, carried = rescue.start_again(self.path, aside, durable=self._durable)
            self.damaged = False
            if load is not None:
                load(db)
        except BaseException:
            if db is not None:
                db.close()
            raise
        self.db = db
        status = self.path.stat()
        self._identity = (status.st_dev, status.st_ino)
        return Attached(created, migrated or None, aside, carried)

    def is_gone(self) -> bool:
        """Whether somebody removed or replaced the file: SQLite would go on writing into
        nowhere."""
        try:
            status = self.path.stat()
        except FileNotFoundError:
            return True
        except OSError:
            return False
        return (status.st_dev, status.st_ino) != self._identity

    def rollback(self) -> None:
        """Leaves the open transaction, if there is one; lets go of a connection that can't."""
        if self.db is not None and self.db.in_transaction:
            try:
                self.db.execute("ROLLBACK")
            except sqlite3.Error:
                self.detach()

    def detach(self) -> None:
        """Lets go of the connection; the lock stays."""
        if self.db is not None:
            with contextlib.suppress(sqlite3.Error):
                self.db.close()
            self.db = None

    def release(self) -> None:
        """Lets go of the lock."""
        self._lock.release()
