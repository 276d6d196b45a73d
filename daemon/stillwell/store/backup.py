"""Backs up a store while the daemon writes it, checks the copy before it gets its name, and
restores a backup in the store's place."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from stillwell.barred import way_in
from stillwell.store import copies, sound, swap, whose
from stillwell.store.connect import connect_reader, in_words, is_corrupt, open_reader
from stillwell.store.copies import OnTheWay
from stillwell.store.errors import StoreDamaged, StoreError, StoreForeign, StoreMissing, Words
from stillwell.store.lock import WriterLock, lock_path
from stillwell.store.migrate import check_not_newer, migrations, version


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup file that was checked and is a whole store."""

    file: Path
    size: int
    """Its size in bytes."""
    schema: int
    """Its schema version."""
    newest_ms: int | None
    """UTC of its last reading; None where there is none."""


def backup(store: Path, target: Path, *, force: bool, on_the_way: OnTheWay) -> Backup:
    """Copies the store into `target` as it is at this moment, whoever writes it meanwhile.

    Args:
        force: whether an existing file may be replaced; it is replaced once the new one is whole.

    Raises `StoreError`; `target` is then as it was.
    """
    _check_target(store, target, force=force)
    db = connect_reader(store)
    try:
        copies.check_room(db, store, target)
        copies.copy(db, target, like=store, check=sound.check_whole, on_the_way=on_the_way)
        with contextlib.closing(copies.look(target)) as made:
            return _seen(target, made)
    except (sqlite3.Error, OSError) as error:
        if is_corrupt(error):
            raise StoreDamaged(
                f"The store {store} is damaged: no backup was made of it.",
                "The daemon saves what can be read when it next starts: systemctl restart "
                "stillwell.",
            ) from error
        raise StoreError(*_in_words(error, target)) from error
    finally:
        db.close()


def restore(store: Path, source: Path, *, on_the_way: OnTheWay) -> tuple[Backup, Path | None]:
    """Puts a copy of the backup `source` in the place of the store; no daemon may be using the
    store.

    Returns what it found in the backup, and the name under which the previous store is kept. Raises
    `StoreError`; the store is then as it was.
    """
    with contextlib.suppress(StoreDamaged):  # a damaged store is no reason to refuse
        whose.check(store)
    lock = WriterLock(store)
    ready = store.with_name(store.name + ".restored")
    try:
        lock.take()
        with contextlib.closing(_open_backup(store, source)) as db:
            found = _seen(source, db)
            swap.finish(store)
            copies.check_room(db, store, ready)
            copies.copy(db, ready, like=store, check=sound.check_whole, on_the_way=on_the_way)
        if not store.exists():
            os.replace(ready, store)
            copies.sync(store.parent)
            return found, None
        aside = store.with_name(swap.free_name(store, "replaced", datetime.now(UTC)))
        copies.put_in_place(store, ready, aside)
        return found, aside
    except (sqlite3.Error, OSError) as error:
        with contextlib.suppress(OSError):
            ready.unlink()
        if is_corrupt(error):
            raise StoreDamaged(
                f"{source} is damaged, or no backup at all: it was not used.", "Name another one."
            ) from error
        raise StoreError(*in_words(error, store)) from error
    finally:
        lock.release()


def _check_target(store: Path, target: Path, *, force: bool) -> None:
    own = {store, *(store.with_name(store.name + end) for end in ("-wal", "-shm"))}
    if target.resolve() in {file.resolve() for file in own | {lock_path(store)}} or (
        target.exists() and store.exists() and target.samefile(store)
    ):
        raise StoreError(f"{target} is the store itself.", "Name another file.")
    if target.is_dir():
        raise StoreError(f"{target} is a directory.", f"Name a file in it: {target / store.name}")
    if target.exists() and not target.is_file():
        raise StoreError(f"{target} is no file on a disk.", "Name one.")
    if target.exists() and not force:
        raise StoreError(
            f"{target} exists already.", "Name another file, or give --force to replace it."
        )
    if not target.parent.is_dir():
        raise StoreError(
            f"The folder {target.parent} is not there.", "Make it, or mount the disk that it is on."
        )
    if not os.access(target.parent, os.W_OK) and not _read_only(target.parent):
        raise StoreError(f"This user may not write {target}.", way_in(target, write=True))


def _open_backup(store: Path, source: Path) -> sqlite3.Connection:
    """Opens the backup. Raises `StoreError` if this code can't use it, and what SQLite raises."""
    if source.is_dir():
        raise StoreError(f"{source} is a directory.", "Name the backup in it.")
    if not source.exists():
        raise StoreMissing(f"There is no file {source}.", "Name the backup.")
    if store.exists() and source.samefile(store):
        raise StoreError(f"{source} is the store itself.", "Name a backup of it.")
    if not os.access(source, os.R_OK):
        raise StoreError(f"This user may not read {source}.", way_in(source))
    try:
        whose.check(source)
    except StoreForeign as error:
        raise StoreForeign(error.words.what, "Name a backup of a store.") from error
    db = open_reader(source)
    try:
        check_not_newer(version(db), len(migrations()), str(source))
        if version(db) == 0:
            raise StoreError(f"{source} holds no store.", "Name a backup of one.")
    except BaseException:
        db.close()
        raise
    return db


def _seen(file: Path, db: sqlite3.Connection) -> Backup:
    newest = db.execute(
        "SELECT r.mono_ms + e.offset_ms FROM reading r JOIN epoch e ON e.id = r.epoch "
        "ORDER BY r.seq DESC LIMIT 1"
    ).fetchone()
    return Backup(file, file.stat().st_size, version(db), newest[0] if newest else None)


def _read_only(folder: Path) -> bool:
    return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)


def _in_words(error: sqlite3.Error | OSError, target: Path) -> Words:
    """Why a backup could not be written."""
    if _read_only(target.parent):
        return Words(
            f"The disk that holds {target} takes no writes (read-only).",
            "Mount it for writing, or name another place.",
        )
    free = os.statvfs(target.parent)
    if "full" in str(error) or free.f_bavail * free.f_frsize < 65_536:
        return Words(f"The disk that holds {target} is full.", "Make room on it.")
    why = error.strerror if isinstance(error, OSError) else error
    return Words(f"{target} can't be written: {why}.", "Look at the path, the disk and `dmesg`.")
