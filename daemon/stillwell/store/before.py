"""Copies the store before its schema is migrated, so that an older program, which doesn't know the
new schema, can go back to that copy.

A migration itself can't lose a row: each step is one transaction. The copy is only for going back
to the previous program. So watching waits for it no longer than `COPY_PATIENCE_S`, and a disk
without room for it only costs the way back.
"""

from __future__ import annotations

import contextlib
import glob
import logging
import sqlite3
import time
from datetime import UTC, datetime
from pathlib import Path

from stillwell.store import copies, sound, whose
from stillwell.store.connect import WRITER_PATIENCE_S, in_words
from stillwell.store.errors import StoreError, StoreForeign
from stillwell.store.lock import WriterLock
from stillwell.store.migrate import migrations, version

log = logging.getLogger(__name__)

COPY_PATIENCE_S = 40.0
"""How long copying may take, in seconds, since nothing is watched meanwhile. Ninety days of seven
channels are 50 MB: a card that writes 10 MB a second takes 5 s for them."""


def copy_path(path: Path, holds: int) -> Path:
    """The path of the copy of a store with schema version `holds`: its name has the number of the
    first migration that the copy lacks."""
    return path.with_name(f"{path.name}.before-{holds + 1:04d}")


def keep_copy(db: sqlite3.Connection, path: Path) -> Path | None:
    """Copies the store if this code is about to migrate it, and removes the copy made before an
    earlier migration.

    Returns the copy's path; None when there is nothing to migrate or when no copy could be made,
    which is logged. Raises what SQLite raises when the store itself can't be read.
    """
    found = version(db)
    if not 0 < found < len(migrations()):
        return None
    copy = copy_path(path, found)
    try:
        copies.check_room(db, path, copy)
        copies.copy(db, copy, like=path, check=sound.check, on_the_way=_patience())
        for older in _copies(path):
            if older != copy:
                older.unlink()
    except (OSError, sqlite3.Error, StoreError, _TooSlow) as error:
        why = str(error) if isinstance(error, StoreError | _TooSlow) else in_words(error, path)
        log.warning(
            "The store is brought up to date without a copy of how it was before, so that "
            "going back to the earlier program can't give it back. %s",
            why,
        )
        return None
    log.info("The store as it was before it is brought up to date is kept as %s.", copy)
    return copy


def give_back(path: Path) -> Path | None:
    """Replaces a store that is too new for this code by the copy that was made before its
    migration.

    Returns the name under which the newer store is kept, with all that was written since; None when
    this code can use the store as it is. There is a store at `path` at every moment. Raises
    `StoreError` when it can't be done; nothing is changed then.
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
        aside = path.with_name(f"{path.name}.schema-{found:04d}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
        copies.put_in_place(path, copy, aside)
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
            contextlib.closing(copies.look(copy)) as db,
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
    """Copying takes longer than watching may wait for it."""


def _patience() -> copies.OnTheWay:
    until = time.monotonic() + COPY_PATIENCE_S

    def on_the_way(done: int, total: int) -> None:
        if done < total and time.monotonic() > until:
            raise _TooSlow(f"The disk takes more than {COPY_PATIENCE_S:g} s for the copy.")

    return on_the_way


def _copies(path: Path) -> list[Path]:
    pattern = glob.escape(path.name) + ".before-[0-9][0-9][0-9][0-9]"
    return list(path.parent.glob(pattern))
