"""What must be in a new file at once, brought over from the old one: alarms, notices, the journal,
cursors, and the newest readings. In the one transaction of the caller, so that it is all there or
not at all.
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
"""So many readings come over at once: whoever starts afresh looks back at some."""
_AT_ONCE_BYTES = 64 << 20
"""A file of up to this size is searched page by page at once when a small table can't be read: some
seconds on a small machine."""
_LEAST_ROW = 16
"""Bytes that a row takes at least: bounds how many numbers an unreadable part can have used."""
_NUMBERS = (*NUMBERED, "transition", "notice")

Blocks = Sequence[tuple[int, int, int]]
"""(first_seq, last_seq, rolled) of an old file, by first_seq."""


def insert_rows(db: sqlite3.Connection, table: str, found: Sequence[Sequence[Any]]) -> int:
    """Inserts rows in the columns' order, of which the last may be missing, where their numbers are
    free. Returns how many went in."""
    names = columns_of(db, table)
    kept = 0
    for width, part in groupby(found, len):
        sql = rows.insert(table, ", ".join(names[:width]), "INSERT OR IGNORE")
        kept += db.executemany(sql, part).rowcount
    return kept


def blocks_of(found: Sequence[Any], old: Blocks) -> list[tuple[*BlockRow, int]]:
    """The blocks of readings that were brought over, each with its mark of being rolled up.

    Where the old file's own block can't be read, readings below one that was rolled up were so too;
    others are taken as not: a ten-minute value is then counted twice, and none is missing."""

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
    """Inserts readings of which none is in a block yet. Returns how many went in."""
    # A channel whose name is lost keeps its number: no other may get it.
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
        old: a connection to the old file, where SQLite can open it at all.
        file: the same, for what SQLite can't reach.
        begun: the record so far.
        numbers: the highest number of each table that was given, where somebody knows.
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
    # When an epoch was that is lost, its alarms still say.
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
    """A small table's pages that are whole, with their rows."""
    for leaf in survey.by_page(table):
        with contextlib.suppress(Malformed):
            yield leaf, list(file.rows(table, leaf))


def _copied(old: sqlite3.Connection, new: sqlite3.Connection, table: str) -> bool:
    """Whether a table came over whole; what can't be read is gone around from both ends."""
    try:
        facts = old.execute(f"PRAGMA table_info({table})").fetchall()
    except sqlite3.DatabaseError:
        return False
    known = set(columns_of(new, table))
    # Columns by name: the old file may be of an earlier schema.
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
    """Whether the list of tables can be read: one that is not in it is empty, not lost."""
    try:
        return bool(old.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])
    except sqlite3.DatabaseError:
        return False


def _rows(db: sqlite3.Connection, query: str) -> Iterator[Any]:
    """The rows of a query, and None where they can't be read any further."""
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
    """A number that no row of a table can be above."""
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
    """Ids that were given and whose rows are gone are not given again."""
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
