"""Brings a database to the schema of this code: numbered SQL files, each in a transaction of its
own.

The version of a database is its ``user_version``: the number of the last file that was applied. A
file and its number are committed together, so that a power cut between two files leaves a database
that the next start goes on with.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

from stillwell.store.errors import StoreError, StoreTooNew

APPLICATION_ID = 0x5711_7E11
"""Marks the file as ours in the SQLite header (`file` and a curious engineer can tell)."""


@dataclass(frozen=True, slots=True)
class Migration:
    number: int
    name: str
    sql: str


@cache
def migrations() -> tuple[Migration, ...]:
    """Every migration that this code ships, in order, numbered from 1 without gaps."""
    found = []
    for file in resources.files("stillwell.store").joinpath("schema").iterdir():
        match = re.fullmatch(r"(\d{4})_(\w+)\.sql", file.name)
        if match:
            found.append(Migration(int(match[1]), match[2], file.read_text(encoding="utf-8")))
    found.sort(key=lambda migration: migration.number)
    if [migration.number for migration in found] != list(range(1, len(found) + 1)):
        raise StoreError(
            "The installation is damaged: its schema files have gaps. Install it again."
        )
    return tuple(found)


def version(db: sqlite3.Connection) -> int:
    """The schema version of the database; 0 when it is empty."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def check_not_newer(found: int, known: int, where: str) -> None:
    """Raises `StoreTooNew` when the database is ahead of the code."""
    if found > known:
        raise StoreTooNew(
            f"The store {where} has schema version {found}; this stillwell knows versions up to "
            f"{known}.",
            "Install the version that wrote it, or a later one, or give another `[store] path`.",
        )


def migrate(
    db: sqlite3.Connection, where: str, steps: Sequence[Migration] | None = None
) -> int | None:
    """Applies the missing migrations.

    Args:
        db: a connection in autocommit mode (``isolation_level=None``).
        where: the path, for the error text.
        steps: the migrations; those of the package by default.

    Returns the version that it started from, or None when there was nothing to do. Raises
    `StoreTooNew`, and `sqlite3.Error` when the file takes no writes; steps that were applied before
    stay.
    """
    steps = migrations() if steps is None else steps
    before = version(db)
    check_not_newer(before, len(steps), where)
    for step in steps[before:]:
        with db:
            db.execute("BEGIN IMMEDIATE")
            for statement in _statements(step.sql):
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {step.number}")
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    return before if before < len(steps) else None


def columns_of(db: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in db.execute(f"PRAGMA table_info({table})")]


def widths(db: sqlite3.Connection) -> dict[str, int]:
    """How many columns each table has."""
    tables = [name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    return {table: len(columns_of(db, table)) for table in tables}


def renew_rows(db: sqlite3.Connection) -> None:
    """Applies the migrations' UPDATEs to rows that came from a file of an earlier schema. Each
    UPDATE leaves a row alone that it has already changed. Runs in the caller's transaction."""
    for step in migrations():
        for statement in _statements(step.sql):
            lines = (line for line in statement.splitlines() if not line.startswith("--"))
            if "".join(lines).lstrip().startswith("UPDATE"):
                db.execute(statement)


def _statements(sql: str) -> list[str]:
    # executescript() commits first, which would separate the file's statements from its number; so
    # the script is cut into statements by SQLite's own test for a complete one.
    statements = []
    part = ""
    for piece in sql.split(";"):
        part += piece + ";"
        if sqlite3.complete_statement(part):
            statements.append(part)
            part = ""
    rest = part.removesuffix(";")
    return [*statements, rest] if rest.strip() else statements
