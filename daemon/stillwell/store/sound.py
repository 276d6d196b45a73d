"""Checks that a file is whole where it matters most."""

from __future__ import annotations

import sqlite3

from stillwell.store.rescue import SMALL

_NEWEST = 4096


def check(db: sqlite3.Connection) -> None:
    """Checks all of the small tables and the newest readings; called at every start.

    Raises `sqlite3.DatabaseError` when they are damaged.
    """
    tables = {name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    for table in SMALL:
        if table in tables:
            (found,) = db.execute(f"PRAGMA quick_check({table})").fetchone()
            if found != "ok":
                raise damaged(f"{table}: {found}")
    if "reading" in tables:
        db.execute(f"SELECT * FROM reading ORDER BY seq DESC LIMIT {_NEWEST}").fetchall()


def check_whole(db: sqlite3.Connection) -> None:
    """Checks every page. Raises `sqlite3.DatabaseError` when one is damaged."""
    (found,) = db.execute("PRAGMA integrity_check(1)").fetchone()
    if found != "ok":
        raise damaged(found)


def damaged(text: str = "damaged") -> sqlite3.DatabaseError:
    """The error that SQLite itself raises for a damaged file."""
    error = sqlite3.DatabaseError(text)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error
