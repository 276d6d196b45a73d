"""Copies from the old file what must be in a new file at once: alarms, notices, the journal,
cursors, and the newest readings. It runs in the caller's one transaction, so that all of it is
there or none.
"""

from __future__ import annotations

import contextlib
import sqlite3
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from typing import Any

from stillwell.store import rows
from stillwell.store.blocks import BlockRow, fill
from stillwell.store.epochs import NO_BOOT
from stillwell.store.migrate import columns_of, renew_rows
from stillwell.store.pages import Malformed, PageFile, Survey
from stillwell.store.rescue import NUMBERED, SMALL, Rescue

NEWEST = 4096
"""This many readings are copied at once, because observers look back at some when they start."""
_AT_ONCE_BYTES = 64 << 20
"""A file of up to this size is searched page by page at once when a small table can't be read; this
takes some seconds on a small machine."""
_LEAST_ROW = 16
"""The fewest bytes that a row takes; it bounds how many numbers an unreadable part can have
used."""
_NUMBERS = (*NUMBERED, "transition", "notice")

Blocks = Sequence[tuple[int, int, int]]
"""Blocks of an old file as (first_seq, last_seq, rolled), by first_seq."""


def insert_rows(db: sqlite3.Connection, table: str, found: Sequence[Sequence[Any]]) -> int:
    """Inserts rows whose numbers are free and returns how many. Values are in the order of the
    table's columns; the last ones may be missing."""
    names = columns_of(db, table)
    kept = 0
    for width, part in groupby(found, len):
        sql = rows.insert(table, ", ".join(names[:width]), "INSERT OR IGNORE")
        kept += db.executemany(sql, part).rowcount
    return kept


def blocks_of(found: Sequence[Any], old: Blocks) -> list[tuple[*BlockRow, int]]:
    """The blocks of readings that were brought over, each with its mark of being rolled up.

    Where the old file's block can't be read, readings below a rolled-up block count as rolled up.
    Others count as not rolled up: a ten-minute value may then be counted twice, but none is
    missing.
    """

    ends = [last for _, last, _ in old]

    def rolled(row: Any) -> int:
        above = bisect_left(ends, row[0])
        return old[above][2] if above < len(old) else 0

    made: list[tuple[*BlockRow, int]] = []
    for mark, part in groupby(found, rolled):
        closed, left = fill(None, list(part))
        made += [(*block, mark) for block in [*closed, *([left.row()] if left else [])]]
    return made


def insert_readings(db: sqlite3.Connection, found: Sequence[Any], old: Blocks) -> int:
    """Inserts readings that are in no block yet. Returns how many were inserted."""
    # A channel whose name is lost keeps its number, so that no other channel gets it.
    db.executemany(
        "INSERT OR IGNORE INTO channel (id, name) VALUES (?, ?)",
        ((number, f"channel-{number}") for number in {row[1] for row in found}),
    )
    kept = insert_rows(db, "reading", found)
    db.executemany(rows.insert("block", f"{rows.BLOCK}, rolled"), blocks_of(found, old))
    return kept


def carry(
    old: sqlite3.Connection | None,
    file: PageFile,
    new: sqlite3.Connection,
    begun: Rescue,
    numbers: Mapping[str, int] | None,
) -> Rescue:
    """Fills the new file with what must be in it at once. Returns the rescue's record.

    Args:
        old: a connection to the old file, if SQLite can open it at all.
        file: the same file, for what SQLite can't reach.
        begun: the record so far.
        numbers: the highest number given in each table, where it is known.
    """
    floors = {t: _top(new, t) or 0 for t in NUMBERED}
    short = [t for t in SMALL if old is None or not _copied(old, new, t)]
    wounded = tuple(short)
    tops = {t: None if old is None else _top(old, t) for t in _NUMBERS}
    survey = None
    if (short or (numbers is None and None in tops.values())) and file.bytes <= _AT_ONCE_BYTES:
        *_, survey = file.survey()
        for table in short:
            for _, found in pages_of(file, survey, table):
                insert_rows(new, table, found)
        short = []
    renew_rows(new)
    new.execute(
        "INSERT OR IGNORE INTO alarm (name, seq) SELECT alarm, max(seq) FROM transition "
        "GROUP BY alarm"
    )
    # The alarms of an epoch that is lost still tell when it was.
    new.execute(
        "INSERT OR IGNORE INTO epoch (id, boot_id, offset_ms, trusted, began_mono_ms) "
        "SELECT since_epoch, ?, max(since_utc_ms - since_mono_ms), 0, min(since_mono_ms) "
        "FROM transition WHERE since_epoch IS NOT NULL GROUP BY since_epoch",
        (NO_BOOT,),
    )
    _keep_counting(old, new, "journal" in short)
    known = {
        t: (numbers or {}).get(t, top if top is not None else _guess(file, survey, new, t))
        for t, top in tops.items()
    }
    begun = replace(begun, tops=known, floors=floors, short=tuple(short), wounded=wounded)
    return begun if old is None else _newest_readings(old, new, begun)


def pages_of(
    file: PageFile, survey: Survey, table: str
) -> Iterator[tuple[int, list[Sequence[Any]]]]:
    """The undamaged pages of a small table, with their rows."""
    for leaf in survey.by_page(table):
        with contextlib.suppress(Malformed):
            yield leaf, list(file.rows(table, leaf))


def _copied(old: sqlite3.Connection, new: sqlite3.Connection, table: str) -> bool:
    """Copies a table and returns whether it came over whole; unreadable rows are skipped by reading
    from both ends."""
    try:
        facts = old.execute(f"PRAGMA table_info({table})").fetchall()
    except sqlite3.DatabaseError:
        return False
    known = set(columns_of(new, table))
    # Columns are matched by name: the old file may have an earlier schema.
    common = [row[1] for row in facts if row[1] in known]
    keys = [row[1] for row in sorted(facts, key=lambda row: int(row[5])) if row[5]]
    if not common:
        return not facts and _readable(old)
    sql = rows.insert(table, ", ".join(common), "INSERT OR IGNORE")
    for way in ("ASC", "DESC"):
        query = f"SELECT {', '.join(common)} FROM {table} ORDER BY {f' {way}, '.join(keys)} {way}"
        whole = True
        reading = _rows(old, query)
        for row in reading:
            if row is None:
                whole = False
                break
            new.execute(sql, row)
        if whole:
            return way == "ASC"
    return False


def _readable(old: sqlite3.Connection) -> bool:
    """Whether the list of tables can be read: if so, a table that is not listed is empty,
    not lost."""
    try:
        return bool(old.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])
    except sqlite3.DatabaseError:
        return False


def _rows(db: sqlite3.Connection, query: str) -> Iterator[Any]:
    """The rows of a query, followed by None if the rest can't be read."""
    try:
        yield from db.execute(query)
    except (sqlite3.DatabaseError, UnicodeError):
        yield None


def _top(db: sqlite3.Connection, table: str) -> int | None:
    try:
        return int(db.execute(f"SELECT coalesce(max(seq), 0) FROM {table}").fetchone()[0])
    except sqlite3.DatabaseError:
        return None


def _guess(file: PageFile, survey: Survey | None, new: sqlite3.Connection, table: str) -> int:
    """An upper bound for the row numbers of a table."""
    stream = next(stream for stream, name in rows.TABLE.items() if name == table)
    asked = new.execute("SELECT coalesce(max(seq), 0) FROM cursor WHERE stream = ?", (str(stream),))
    known = [_top(new, table) or 0, int(asked.fetchone()[0])]
    for leaf in () if survey is None else survey.newest_first(table):
        with contextlib.suppress(Malformed):
            known.append(file.rows(table, leaf)[-1][0])
            break
    bad = file.bytes if survey is None else survey.bad * file.size
    return max(known) + bad // _LEAST_ROW + 1


def _keep_counting(old: sqlite3.Connection | None, new: sqlite3.Connection, lost: bool) -> None:
    """Makes sure that ids of lost rows are not given again."""
    found = [] if old is None else list(_rows(old, "SELECT name, seq FROM sqlite_sequence"))
    for row in found:
        if row is not None and row[0] in ("journal", "dead_letter", "request"):
            held = new.execute("SELECT max(seq) FROM sqlite_sequence WHERE name = ?", (row[0],))
            highest = max(int(row[1]), int(held.fetchone()[0] or 0))
            new.execute("DELETE FROM sqlite_sequence WHERE name = ?", (row[0],))
            new.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)", (row[0], highest))
    if lost:
        new.execute("UPDATE sqlite_sequence SET seq = seq + 1000 WHERE name = 'journal'")


def _newest_readings(old: sqlite3.Connection, new: sqlite3.Connection, begun: Rescue) -> Rescue:
    floor = begun.floors.get("reading", 0)
    if floor:
        return begun  # it has some, and between them others may be missing
    try:  # an earlier schema lacks the last columns
        there = set(columns_of(old, "reading"))
    except sqlite3.DatabaseError:
        return begun
    columns = ", ".join(name for name in rows.READING.split(", ") if name in there)
    query = f"SELECT {columns} FROM reading ORDER BY seq DESC LIMIT {NEWEST}"
    found = []
    for row in _rows(old, query):
        if row is None:
            break
        found.append(row)
    if not found:
        return begun
    found.reverse()
    blocks = [b for b in _rows(old, "SELECT first_seq, last_seq, rolled FROM block") if b]
    kept = insert_readings(new, found, sorted(blocks))
    return begun.through("reading", found[0][0], kept, done=False)
