"""SQLite connections, and what their errors mean in words."""

from __future__ import annotations

import errno
import os
import sqlite3
from pathlib import Path
from urllib.parse import quote

from stillwell.barred import way_in
from stillwell.store.errors import StoreDamaged, StoreError, StoreMissing, Words
from stillwell.store.migrate import check_not_newer, migrations, version
from stillwell.store.sharing import make_shared
from stillwell.store.whose import check as check_whose

WRITER_PATIENCE_S = 2.0
"""How long the writer waits for another process (a command that leaves a request) before it keeps
the rows in memory and tries again. Readings wait for as long."""

READER_PATIENCE_S = 10.0


_CACHE_KIB = 512
"""So much of the file a connection keeps in memory. A reader asks for each page once or twice, the
writer for the newest ones; with SQLite's own 2 MB a daemon would grow for days."""


def connect_writer(path: Path, *, durable: bool = True) -> sqlite3.Connection:
    """Opens or creates the file for writing.

    WAL, because readers then never wait for the writer. `synchronous=FULL`, because NORMAL loses
    committed rows in a power cut (https://www.sqlite.org/pragma.html#pragma_synchronous: "a
    transaction committed in WAL mode with synchronous=NORMAL might roll back following a power
    loss").
    """
    check_whose(path)
    make_shared(path)
    db = sqlite3.connect(
        path, timeout=WRITER_PATIENCE_S, isolation_level=None, check_same_thread=False
    )
    try:
        db.execute("PRAGMA journal_mode = WAL").fetchone()
        db.execute(f"PRAGMA synchronous = {'FULL' if durable else 'OFF'}")
        # Some builds zero what they delete, which only wears the card.
        db.execute("PRAGMA secure_delete = OFF")
        db.execute("PRAGMA journal_size_limit = 8388608")
        db.execute("PRAGMA temp_store = MEMORY")
        db.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
    except BaseException:
        db.close()
        raise
    return db


def connect_reader(path: Path) -> sqlite3.Connection:
    """Opens the file for reading only. Raises `StoreMissing`, `StoreError`, `StoreTooNew`,
    `StoreForeign`."""
    check_whose(path)
    if not path.exists():
        raise StoreMissing(
            f"There is no store at {path}. It is made when the daemon first runs; "
            "look at `[store] path` in the configuration."
        )
    try:
        db = open_reader(path)
        db.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        found = version(db)
    except sqlite3.Error as error:
        raise refusal(error, path) from error
    try:
        check_not_newer(found, len(migrations()), str(path))
        if found < len(migrations()):
            raise StoreError(
                f"The store {path} has schema version {found}, this stillwell reads version "
                f"{len(migrations())}. Start the daemon once: it brings the store up to date."
            )
    except StoreError:
        db.close()
        raise
    return db


def open_reader(path: Path) -> sqlite3.Connection:
    """Opens a file of any program and version for reading only. Raises what SQLite raises."""
    uri = "file:" + quote(str(path.absolute()))
    try:
        return _probe(uri + "?mode=ro")
    except sqlite3.OperationalError as error:
        # A WAL database can only be read where its -shm file exists or can be made. Where nothing
        # can be written, nobody else writes either, so the file may be read as immutable, unless
        # there is a log beside it whose rows would be missed.
        log = path.with_name(path.name + "-wal")
        if not is_disk(error):
            raise
        if log.exists() and log.stat().st_size > 0:
            raise
        return _probe(uri + "?mode=ro&immutable=1")


def connect_alone(path: Path) -> sqlite3.Connection:
    """Opens the file, and reads its log too, on a disk without room even for the -shm file: with
    exclusive locking SQLite keeps that index in memory. Only the holder of the writer's lock may
    call it.
    """
    check_whose(path)
    db = sqlite3.connect(
        "file:" + quote(str(path)) + "?mode=rw", uri=True, timeout=1.0, isolation_level=None
    )
    try:
        db.execute("PRAGMA locking_mode = EXCLUSIVE").fetchone()
        db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        found = version(db)
        check_not_newer(found, len(migrations()), str(path))
        if found < len(migrations()):
            raise StoreError(
                f"The store {path} has schema version {found} and can't be migrated now."
            )
    except BaseException:
        db.close()
        raise
    return db


def _probe(uri: str) -> sqlite3.Connection:
    db = sqlite3.connect(
        uri, uri=True, timeout=READER_PATIENCE_S, isolation_level=None, check_same_thread=False
    )
    try:
        db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        db.execute("PRAGMA query_only = ON")
    except BaseException:
        db.close()
        raise
    return db


def _code(error: BaseException) -> int:
    return getattr(error, "sqlite_errorcode", 0) & 0xFF


def is_corrupt(error: BaseException) -> bool:
    """Whether the file itself is damaged, so that waiting does not help."""
    # SQLite gives no error code for text that Python can't decode.
    garbled = isinstance(error, sqlite3.OperationalError) and "decode to UTF-8" in str(error)
    return garbled or _code(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def is_busy(error: BaseException) -> bool:
    return _code(error) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def is_disk(error: BaseException) -> bool:
    """Whether the disk is to blame, so that the error may go away."""
    if isinstance(error, sqlite3.Error):
        return _code(error) in (
            sqlite3.SQLITE_FULL,
            sqlite3.SQLITE_READONLY,
            sqlite3.SQLITE_IOERR,
            sqlite3.SQLITE_CANTOPEN,
        )
    return isinstance(error, OSError) and error.errno in (
        errno.ENOSPC,
        errno.EDQUOT,
        errno.EROFS,
        errno.EIO,
        errno.ENODEV,
    )


def refusal(error: BaseException, path: Path) -> StoreError:
    """The error, in words, for somebody who reads the file as one of the store's own."""
    return damaged(path) if is_corrupt(error) else StoreError(*in_words(error, path))


def damaged(path: Path) -> StoreDamaged:
    """The error for somebody who reads a part of the file that is damaged."""
    return StoreDamaged(
        f"The store {path} is damaged: a part of the file can't be read.",
        "The daemon rescues it where it meets the damage, while it writes or when it starts: it "
        "moves all that is whole into a new file, keeps the old one beside it, and says what was "
        "lost. So start it anew: sudo systemctl restart stillwell. The card may be failing: "
        "replace it soon.",
    )


def in_words(error: BaseException, path: Path, holder: str = "") -> Words:
    """What the error means for the person beside the tank, and what to do.

    Args:
        holder: which program has locked the file, where that is known.
    """
    if isinstance(error, StoreError):
        return error.words
    folder = path.parent
    free, read_only = _file_system(path)
    code = _code(error)
    number = error.errno if isinstance(error, OSError) else 0
    if is_corrupt(error):
        return Words(f"The store {path} is damaged.", "The card may be failing: replace it soon.")
    if is_busy(error):
        return Words(
            f"{holder or 'Another program'} has been holding the store {path} for more than "
            f"{WRITER_PATIENCE_S:g} s.",
            "Close whatever has the file open for writing. Keeping resumes by itself.",
        )
    try:
        found = folder.is_dir()
    except OSError:
        found = True
    if not found:
        return Words(
            f"The folder {folder} of the store is not there.",
            "Mount the disk that it is on, or make it, or give another `[store] path`. "
            "Keeping begins by itself then.",
        )
    if path.is_dir():
        return Words(
            f"The store's path {path} is a directory.",
            "Give the path of a file as `[store] path`.",
        )
    if read_only or number == errno.EROFS:
        return Words(
            f"The disk that holds {path} takes no writes (read-only).",
            "A card that turns read-only is often about to fail: look at `dmesg`, mount it again "
            "for writing or replace it.",
        )
    barred = next((p for p in (path, folder) if p.exists() and not os.access(p, os.W_OK)), None)
    if barred is not None or number in (errno.EACCES, errno.EPERM):
        return Words(f"This user may not write {barred or path}.", way_in(path, write=True))
    if code == sqlite3.SQLITE_FULL or number in (errno.ENOSPC, errno.EDQUOT) or free < 65_536:
        return Words(
            f"The disk that holds {path} is full ({free // 1024} KiB free).",
            "Make room on it: nothing else is needed, keeping resumes by itself.",
        )
    if code == sqlite3.SQLITE_READONLY:
        return Words(
            f"The store {path} takes no writes (read-only).",
            "Look at `dmesg`: the card may be failing.",
        )
    if code in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN) or isinstance(error, OSError):
        return Words(
            f"The disk that holds {path} fails to read or write ({error}).",
            "Look at `dmesg`; the card or its slot may be failing.",
        )
    return Words(f"The store {path} does not take writes: {error}.", "")


def _file_system(path: Path) -> tuple[int, bool]:
    """Free bytes, and whether the file system is mounted read-only; (a large number, False) where
    it can't be asked."""
    try:
        status = os.statvfs(path.parent)
    except OSError:
        return 1 << 40, False
    return status.f_bavail * status.f_frsize, bool(status.f_flag & os.ST_RDONLY)
