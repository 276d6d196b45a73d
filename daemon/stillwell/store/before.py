"""The store as it was before its schema was brought up to date: copied beside it, and put back for
the program that knows no later one.

A migration can't lose a row by itself, it is one transaction a step. The copy is for going back to
the program that was there before. So the watch does not wait for it longer than `COPY_PATIENCE_S`,
and a disk without room for it only costs the way back.
"""

from __future__ import annotations

import contextlib
import glob
import logging
import os
import shutil
import sqlite3
import time
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from stillwell.store import sound, whose
from stillwell.store.connect import WRITER_PATIENCE_S, in_words
from stillwell.store.errors import StoreError, StoreForeign
from stillwell.store.lock import WriterLock
from stillwell.store.migrate import migrations, version

log = logging.getLogger(__name__)

COPY_PATIENCE_S = 40.0
"""The daemon watches nothing yet while it copies. Ninety days of seven channels are 50 MB: a card
that writes 10 MB a second takes 5 s for them."""

ROOM_LEFT = 64 << 20
"""Bytes that stay free beside the copy: a full disk would keep the new readings out."""

_PAGES_AT_ONCE = 1024


def copy_path(path: Path, holds: int) -> Path:
    """Where the copy of a store with schema version `holds` is: it bears the number of the first
    migration that is not in it."""
    return path.with_name(f"{path.name}.before-{holds + 1:04d}")


def keep_copy(db: sqlite3.Connection, path: Path) -> Path | None:
    """Copies the store where this code is about to migrate it, and removes the copy before that.

    Returns the copy; None when there is nothing to migrate or no copy could be made, which is
    logged. Raises what SQLite raises when the store itself can't be read.
    """
    found = version(db)
    if not 0 < found < len(migrations()):
        return None
    copy = copy_path(path, found)
    part = copy.with_name(copy.name + ".part")
    try:
        _check_room(db, path)
        part.unlink(missing_ok=True)
        _copy(db, part)
        status = path.stat()
        os.chmod(part, status.st_mode & 0o777)
        with contextlib.suppress(PermissionError):
            os.chown(part, status.st_uid, status.st_gid)
        os.replace(part, copy)
        _sync(path.parent)
        for older in _copies(path):
            if older != copy:
                older.unlink()
    except (OSError, sqlite3.Error, StoreError, _TooSlow) as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        why = str(error) if isinstance(error, StoreError | _TooSlow) else in_words(error, path)
        log.warning(
            "The store is brought up to date without a copy of how it was before, so that "
            "`install.sh --rollback` can't give it back to the earlier program. %s",
            why,
        )
        return None
    log.info("The store as it was before it is brought up to date is kept as %s.", copy)
    return copy


def give_back(path: Path) -> Path | None:
    """Puts the copy that was made before the migration in the place of a store that is too new for
    this code.

    Returns the name under which the newer store is kept, with all that was written since; None when
    this code can use the store as it is. At no moment is there no store at `path`. Raises
    `StoreError` when it can't be done; then nothing was changed.
    """
    if not path.exists():
        return None
    whose.check(path)
    lock = WriterLock(path)
    lock.take()
    try:
        with contextlib.closing(
            sqlite3.connect(path, timeout=WRITER_PATIENCE_S, isolation_level=None)
        ) as db:
            found = version(db)
            if found <= len(migrations()):
                return None
            copy = _fitting(path)
            # What is in the log goes into the file, which then is all of the store. Refused while
            # another program has it open: its log would be taken for that of the copy.
            db.execute("PRAGMA journal_mode = DELETE").fetchone()
        for cut_off in path.parent.glob(glob.escape(path.name) + ".schema-*"):
            if cut_off.samefile(path):  # killed between the next two steps
                cut_off.unlink()
        aside = path.with_name(f"{path.name}.schema-{found:04d}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
        os.link(path, aside)
        os.replace(copy, path)
        _sync(path.parent)
        return aside
    except (sqlite3.Error, OSError) as error:
        raise StoreError(*in_words(error, path)) from error
    finally:
        lock.release()


def _fitting(path: Path) -> Path:
    """The newest copy that this code can use."""
    known = len(migrations())
    for copy in sorted(_copies(path), reverse=True):
        with (
            contextlib.suppress(sqlite3.Error, StoreForeign),
            contextlib.closing(_look(copy)) as db,
        ):
            whose.check(copy)
            sound.check(db)
            if version(db) <= known:
                return copy
    raise StoreError(
        f"The store {path} was written by a later program, and there is no copy of it from before "
        f"beside it ({copy_path(path, known).name}). To go on with an empty store, move it and the "
        "files whose names begin like it to another place."
    )


class _TooSlow(Exception):  # noqa: N818
    """The copy takes longer than the watch may wait."""


def _check_room(db: sqlite3.Connection, path: Path) -> None:
    pages, size = (db.execute(f"PRAGMA {of}").fetchone()[0] for of in ("page_count", "page_size"))
    free = shutil.disk_usage(path.parent).free
    if free < pages * size + ROOM_LEFT:
        raise StoreError(
            f"The copy takes {pages * size >> 20} MiB, and {free >> 20} MiB are free on the disk "
            f"that holds {path}: make room on it before the next update."
        )


def _copy(db: sqlite3.Connection, part: Path) -> None:
    until = time.monotonic() + COPY_PATIENCE_S

    def on_the_way(_status: int, remaining: int, _total: int) -> None:
        if remaining and time.monotonic() > until:
            raise _TooSlow(f"The disk takes more than {COPY_PATIENCE_S:g} s for the copy.")

    with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as target:
        db.backup(target, pages=_PAGES_AT_ONCE, progress=on_the_way)
    _sync(part)
    with contextlib.closing(_look(part)) as target:
        sound.check(target)


def _look(copy: Path) -> sqlite3.Connection:
    # Nobody writes it: read without the files that SQLite would make beside it.
    uri = "file:" + quote(str(copy.absolute())) + "?mode=ro&immutable=1"
    return sqlite3.connect(uri, uri=True, isolation_level=None)


def _copies(path: Path) -> list[Path]:
    pattern = glob.escape(path.name) + ".before-[0-9][0-9][0-9][0-9]"
    return list(path.parent.glob(pattern))


def _sync(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
