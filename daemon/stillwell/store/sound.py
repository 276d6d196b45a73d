"""Whether a file is whole where it matters most, and ours."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from stillwell.store.errors import StoreError
from stillwell.store.migrate import APPLICATION_ID
from stillwell.store.rescue import SMALL

_NEWEST = 4096


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
    for table in SMALL:
        if table in tables:
            (found,) = db.execute(f"PRAGMA quick_check({table})").fetchone()
            if found != "ok":
                raise damaged(f"{table}: {found}")
    if "reading" in tables:
        db.execute(f"SELECT * FROM reading ORDER BY seq DESC LIMIT {_NEWEST}").fetchall()


def damaged(text: str = "damaged") -> sqlite3.DatabaseError:
    """The error that SQLite itself raises for a damaged file."""
    error = sqlite3.DatabaseError(text)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error
