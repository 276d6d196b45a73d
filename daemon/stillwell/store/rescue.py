"""A damaged file is moved aside and what can be read of it is carried into a new one.

The daemon never stops for it: watching goes before keeping. The old file stays beside the new one,
for whoever wants to try `sqlite3 FILE .recover` on its readings.
"""

from __future__ import annotations

import contextlib
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from stillwell.store.connect import connect_writer
from stillwell.store.errors import StoreError
from stillwell.store.migrate import APPLICATION_ID, migrate

_SMALL = (
    "meta",
    "channel",
    "epoch",
    "transition",
    "alarm",
    "notice",
    "cursor",
    "dead_letter",
    "journal",
    "done",
)
_CARRIED = (*_SMALL, "tenmin", "estimate")
"""Not the readings: going through millions of rows of a failing card would keep the tank unwatched
for minutes."""


def check(db: sqlite3.Connection, path: Path) -> None:
    """Looks at the small tables whole and at the newest readings; at every start.

    Raises `sqlite3.DatabaseError` when they are damaged, `StoreError` when the file is a sound
    database of some other program.
    """
    application = int(db.execute("PRAGMA application_id").fetchone()[0])
    tables = {name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    if tables and application != APPLICATION_ID:
        raise StoreError(
            f"{path} is a database of another program. Give another path for the store in the "
            "configuration."
        )
    for table in _SMALL:
        if table in tables:
            (found,) = db.execute(f"PRAGMA quick_check({table})").fetchone()
            if found != "ok":
                raise damaged(f"{table}: {found}")
    if "reading" in tables:
        db.execute("SELECT * FROM reading ORDER BY seq DESC LIMIT 4096").fetchall()


def damaged(text: str = "damaged") -> sqlite3.DatabaseError:
    """The error that SQLite itself raises for a damaged file."""
    error = sqlite3.DatabaseError(text)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def move_aside(path: Path) -> Path:
    """Renames the file and its log. Returns the new name; raises OSError when the disk takes no
    rename."""
    stamp = f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    path.rename(aside)
    for suffix in ("-wal", "-shm"):
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + suffix).rename(aside.with_name(aside.name + suffix))
    return aside


def start_again(path: Path, aside: Path, *, durable: bool) -> tuple[sqlite3.Connection, int]:
    """A new database at `path` with everything but the readings that can still be read of `aside`.

    Returns its connection and how many rows were carried over.
    """
    db = connect_writer(path, durable=durable)
    migrate(db, str(path))
    carried = 0
    try:
        old = sqlite3.connect(aside, isolation_level=None, timeout=1.0)
    except sqlite3.Error:
        return db, 0
    try:
        for table in _CARRIED:
            carried += _carry(old, db, table)
        _keep_numbers(old, db)
    finally:
        with contextlib.suppress(sqlite3.Error):
            old.close()
    return db, carried


def _carry(old: sqlite3.Connection, new: sqlite3.Connection, table: str) -> int:
    carried = 0
    new.execute("BEGIN IMMEDIATE")
    try:
        # Columns by name: the damaged file may be of an earlier schema.
        names = [row[1] for row in old.execute(f"PRAGMA table_info({table})")]
        known = {row[1] for row in new.execute(f"PRAGMA table_info({table})")}
        common = ", ".join(name for name in names if name in known)
        if common:
            sql = f"INSERT OR IGNORE INTO {table} ({common}) VALUES ({_places(common)})"
            for row in old.execute(f"SELECT {common} FROM {table}"):
                carried += new.execute(sql, row).rowcount
    except (sqlite3.DatabaseError, UnicodeError) as error:
        if _is_of(error, new):
            raise
    finally:
        if new.in_transaction:
            new.execute("COMMIT")
    return carried


def _is_of(error: BaseException, new: sqlite3.Connection) -> bool:
    """Whether the new file is to blame (a full disk), which is for the caller to handle."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return not new.in_transaction or code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY)


def _places(columns: str) -> str:
    return ", ".join("?" * (columns.count(",") + 1))


def _keep_numbers(old: sqlite3.Connection, new: sqlite3.Connection) -> None:
    # Numbers of readings go on where they were, as far as that can be known: sinks have cursors.
    try:
        newest = old.execute("SELECT max(seq) FROM reading").fetchone()[0]
    except sqlite3.Error:
        newest = None
    if newest:
        new.execute(
            "INSERT OR REPLACE INTO meta (key, value) VALUES ('readings before', ?)", (str(newest),)
        )
