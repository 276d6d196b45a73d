"""Copies a store into one file, and puts such a copy in a store's place."""

from __future__ import annotations

import contextlib
import fcntl
import glob
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import quote

from stillwell.store.connect import WRITER_PATIENCE_S, is_corrupt
from stillwell.store.errors import StoreBusy, StoreError
from stillwell.store.sharing import share

ROOM_LEFT = 64 << 20
"""Bytes that must stay free beside the store, because a full disk would keep out new readings."""

OnTheWay = Callable[[int, int], None]
"""Called with pages done and pages in all; an error that it raises ends the copying."""

_PAGES_AT_ONCE = 1024
_BESIDE = ("-journal", "-wal", "-shm")


def copy(
    db: sqlite3.Connection,
    target: Path,
    *,
    like: Path,
    check: Callable[[sqlite3.Connection], None],
    on_the_way: OnTheWay,
) -> None:
    """Makes `target` a copy of the database that `db` has open, as it was at one moment; if that
    fails, `target` stays as it was.

    Others may write the store meanwhile; its log just can't be folded back until the copy is done.
    Pages are copied rather than rows (VACUUM INTO), which is quicker and tells how far it is.

    Args:
        like: the store whose access rights the copy gets; if it doesn't exist, those of its folder.
        check: raises when the copy is not good enough to take the name.

    Raises `StoreBusy` when another process is writing `target`, what `check` and `on_the_way`
    raise, and what SQLite and the disk raise.
    """
    part = target.with_name(target.name + ".part")
    with _alone(part):
        try:
            with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as new:
                new.execute("PRAGMA synchronous = OFF")  # synced as a whole below
                # This avoids a -shm file beside it, for which a shared folder or a full disk may
                # have no room.
                new.execute("PRAGMA locking_mode = EXCLUSIVE").fetchone()
                _copy_pages(db, new, on_the_way)
                # A single file without a log can be read where nothing can be written.
                new.execute("PRAGMA journal_mode = DELETE").fetchone()
            with contextlib.closing(look(part)) as new:
                check(new)
            _share(part, like)
            sync(part)
            os.replace(part, target)
            sync(target.parent)
        except BaseException:
            _remove(part)
            raise


def check_room(db: sqlite3.Connection, store: Path, target: Path) -> None:
    """Raises `StoreError` where the disk has no room for a copy."""
    pages, size = (db.execute(f"PRAGMA {of}").fetchone()[0] for of in ("page_count", "page_size"))
    beside = target.parent.stat().st_dev == store.parent.stat().st_dev
    free = shutil.disk_usage(target.parent).free
    if free < pages * size + (ROOM_LEFT if beside else 0):
        left = f", of which {ROOM_LEFT >> 20} MiB stay for new readings" if beside else ""
        raise StoreError(
            f"The copy takes {-(-pages * size >> 20)} MiB, and {free >> 20} MiB are free on the "
            f"disk that holds {target}{left}.",
            "Make room on it.",
        )


def look(copy: Path) -> sqlite3.Connection:
    """A connection to a file that nobody writes; it makes none of SQLite's files beside it."""
    uri = "file:" + quote(str(copy.absolute())) + "?mode=ro&immutable=1"
    return sqlite3.connect(uri, uri=True, isolation_level=None)


def put_in_place(path: Path, copy: Path, aside: Path) -> None:
    """Gives `copy` the name of the store, and gives what is there the name `aside`. There is a
    store at `path` at every moment. Only the holder of the writer's lock may call it.

    Raises what SQLite and the disk raise, also when another program has the store open, because its
    log would be taken for that of the copy.
    """
    log, log_aside = (file.with_name(file.name + "-wal") for file in (path, aside))
    if log.exists():
        os.link(log, log_aside)
    with contextlib.closing(
        sqlite3.connect(path, timeout=WRITER_PATIENCE_S, isolation_level=None)
    ) as db:
        try:
            # This moves the log into the file, which then holds all of the store.
            db.execute("PRAGMA journal_mode = DELETE").fetchone()
        except sqlite3.DatabaseError as error:
            if not is_corrupt(error):
                log_aside.unlink(missing_ok=True)
                raise
        else:
            log_aside.unlink(missing_ok=True)
    kind = aside.suffix.split("-")[0]
    for cut_off in path.parent.glob(f"{glob.escape(path.name + kind)}-*"):
        if cut_off.samefile(path):  # an earlier run was killed between the next steps
            cut_off.unlink()
    os.link(path, aside)
    log.unlink(missing_ok=True)
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    os.replace(copy, path)
    sync(path.parent)


def sync(path: Path) -> None:
    """Returns when the file or the folder is on the disk."""
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _copy_pages(db: sqlite3.Connection, new: sqlite3.Connection, on_the_way: OnTheWay) -> None:
    # One read transaction holds the copying together. Without it each commit of another process
    # would start the copying again (https://www.sqlite.org/backup.html, "File and Database
    # Connection Locking"), and beside a daemon it might never end.
    db.execute("BEGIN")
    try:
        db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        db.backup(
            new,
            pages=_PAGES_AT_ONCE,
            progress=lambda _, left, total: on_the_way(total - left, total),
        )
    finally:
        db.execute("ROLLBACK")


@contextlib.contextmanager
def _alone(part: Path) -> Iterator[None]:
    """A context in which an empty file at `part` is this process's own."""
    while True:
        handle = os.open(part, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with contextlib.suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(handle), part.stat()):
                    _remove(part, *_BESIDE)  # left by a process that was killed
                    os.ftruncate(handle, 0)
                    yield
                    return
        except BlockingIOError:
            raise StoreBusy(
                f"Another process is just writing {part}.", "Wait until it has ended."
            ) from None
        finally:
            os.close(handle)


def _share(part: Path, like: Path) -> None:
    try:
        found = like.stat()
    except FileNotFoundError:
        share(part)
        return
    # Changing the owner is refused by a file system without owners (a stick with FAT), and to a
    # member of the group who would give the file to its owner.
    for owner in (found.st_uid, -1):
        with contextlib.suppress(PermissionError):
            os.chown(part, owner, found.st_gid)
            break
    with contextlib.suppress(PermissionError):
        part.chmod(found.st_mode & 0o777)


def _remove(part: Path, *suffixes: str) -> None:
    for suffix in suffixes or ("", *_BESIDE):
        with contextlib.suppress(OSError):
            part.with_name(part.name + suffix).unlink()
