"""Moves a damaged file aside and puts a new one in its place, so that after a kill at any moment
the next start can continue.

The new file is completed under another name; it holds what must be there at once and the name that
the old file will get. Only then are the two renamed. A start that finds a new file under its
temporary name finishes the renaming.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from stillwell.store import bring_over, carry
from stillwell.store.connect import connect_writer
from stillwell.store.copies import sync
from stillwell.store.migrate import migrate, widths
from stillwell.store.pages import PageFile, opened
from stillwell.store.rescue import Cause, Rescue

_BESIDE = ("-wal", "-shm")


def start_again(path: Path, cause: Cause, numbers: dict[str, int] | None, *, durable: bool) -> None:
    """Makes a new file at `path`, and moves the old one aside, which the new one's record of
    rescues names. Raises what SQLite and the disk raise."""
    new = _new(path)
    _remove(new)
    now = datetime.now(UTC)
    begun = Rescue(cause, round(now.timestamp() * 1000), free_name(path, "damaged", now))
    db = connect_writer(new, durable=durable)
    try:
        migrate(db, str(path))
        log = path.with_name(path.name + "-wal")
        with _old(path) as old, opened(path, log, widths(db)) as file, db:
            db.execute("BEGIN IMMEDIATE")
            bring(old, file, db, begun, numbers)
    except BaseException:
        db.close()
        _remove(new)
        raise
    db.close()
    finish(path)


def bring(
    old: sqlite3.Connection | None,
    file: PageFile,
    new: sqlite3.Connection,
    begun: Rescue,
    numbers: dict[str, int] | None,
) -> None:
    """Copies what must be in the new file at once, with the record of the rescue that has begun.
    Runs in the caller's transaction."""
    begun = carry.carry(old, file, new, begun, numbers)
    bring_over.keep(new, (begun, *bring_over.recorded(new)))


def finish(path: Path) -> None:
    """Puts a completed new file in its place if that was interrupted; removes one that was not
    completed."""
    new = _new(path)
    if not new.exists():
        return
    begun = None
    with contextlib.suppress(sqlite3.Error), contextlib.closing(sqlite3.connect(new)) as db:
        begun = next(iter(bring_over.recorded(db)), None)
    aside = path.with_name(begun.source) if begun else path
    if begun is None or (path.exists() and aside.exists()):
        _remove(new)
        return
    # The log goes first: beside a file that is not its own, SQLite would damage that file.
    for suffix in (*_BESIDE, ""):
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + suffix).rename(aside.with_name(aside.name + suffix))
    new.rename(path)
    with contextlib.suppress(OSError):
        sync(path.parent)


@contextlib.contextmanager
def _old(path: Path) -> Iterator[sqlite3.Connection | None]:
    """A connection for reading; None if SQLite can't open the file, or if the file is empty and
    SQLite would remove its log."""
    if not path.stat().st_size:
        yield None
        return
    try:
        db = sqlite3.connect(
            "file:" + quote(str(path)) + "?mode=ro", uri=True, timeout=1.0, isolation_level=None
        )
    except sqlite3.Error:
        yield None
        return
    with contextlib.closing(db):
        try:
            db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        except sqlite3.Error:
            yield None
        else:
            yield db


def _new(path: Path) -> Path:
    return path.with_name(path.name + ".new")


def free_name(path: Path, what: str, now: datetime) -> str:
    """A free name beside the store for a file that is moved aside:
    ``tank.db.damaged-20260131T080000Z``."""
    stem = f"{path.name}.{what}-{now:%Y%m%dT%H%M%SZ}"
    number, name = 1, stem
    while path.with_name(name).exists():
        number += 1
        name = f"{stem}-{number}"
    return name


def _remove(file: Path) -> None:
    for suffix in ("", *_BESIDE):
        file.with_name(file.name + suffix).unlink(missing_ok=True)
