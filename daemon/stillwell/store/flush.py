"""Writes the backlog into the tables. Runs inside a transaction that the caller opens and
commits."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from stillwell.store import rows
from stillwell.store.backlog import Backlog, EpochBegun, Window
from stillwell.store.blocks import OpenBlock, ReadingRow, fill

Prepare = Callable[[Iterable[Sequence[Any]]], Iterable[Sequence[Any]]]
"""What is done to rows before they are bound as SQL values: nothing, or `careful`."""


def plain(values: Iterable[Sequence[Any]]) -> Iterable[Sequence[Any]]:
    return values


def careful(values: Iterable[Sequence[Any]]) -> Iterable[Sequence[Any]]:
    """Makes every value bindable; used after SQLite refused one."""
    return (rows.bindable(row) for row in values)


def _pending(window: Window[Any]) -> Iterable[tuple[int, Any]]:
    first = window.first_pending
    return enumerate(window.between(first, window.newest), first)


def write_channels(db: sqlite3.Connection, new: Mapping[str, int]) -> None:
    db.executemany(
        "INSERT OR IGNORE INTO channel (id, name) VALUES (?, ?)",
        ((number, name) for name, number in new.items()),
    )


def write_epochs(db: sqlite3.Connection, backlog: Backlog) -> None:
    for step in backlog.epochs:
        if isinstance(step, EpochBegun):
            db.execute(
                "INSERT OR REPLACE INTO epoch (id, boot_id, offset_ms, trusted, began_mono_ms) "
                "VALUES (?, ?, ?, ?, ?)",
                (step.id, step.boot_id, step.offset_ms, int(step.trusted), step.began_mono_ms),
            )
        else:
            db.execute(
                "UPDATE epoch SET offset_ms = ?, trusted = 1 WHERE boot_id = ? AND trusted = 0",
                (step.offset_ms, step.boot_id),
            )


def write_vital(
    db: sqlite3.Connection,
    backlog: Backlog,
    offsets: rows.Offsets,
    ids: Mapping[str, int],
    prepare: Prepare = plain,
) -> None:
    """Writes what must not be lost: alarms, notices, the journal, answers."""
    verb = "INSERT OR IGNORE" if prepare is careful else "INSERT"
    changes = [(seq, t) for seq, t in _pending(backlog.transitions)]
    db.executemany(
        rows.insert("transition", rows.TRANSITION, verb),
        prepare(rows.from_transition(seq, t, offsets) for seq, t in changes),
    )
    db.executemany(
        "INSERT INTO alarm (name, seq) VALUES (?, ?) "
        "ON CONFLICT (name) DO UPDATE SET seq = max(seq, excluded.seq)",
        prepare((t.alarm, seq) for seq, t in changes),
    )
    db.executemany(
        rows.insert("notice", rows.NOTICE, "INSERT OR IGNORE"),
        prepare(rows.from_notice(seq, n) for seq, n in _pending(backlog.notices)),
    )
    db.executemany(
        rows.insert("journal", rows.JOURNAL, "INSERT OR IGNORE"),
        prepare(rows.from_entry(entry) for entry in backlog.journal),
    )
    db.executemany("INSERT OR IGNORE INTO done (job, local_date) VALUES (?, ?)", backlog.done)
    db.executemany(
        "UPDATE request SET done = ?, reply = ?, alarms = ? WHERE id = ? AND done IS NULL",
        prepare(
            (int(reply.done), reply.text, json.dumps(reply.alarms), number)
            for number, reply in backlog.replies
        ),
    )
    db.executemany(
        "INSERT INTO channel (id, name, quantity, label) "
        "VALUES (?, ?, ?, ?) "
        "ON CONFLICT (name) DO UPDATE SET quantity = excluded.quantity, label = excluded.label",
        prepare(
            (ids[name], name, quantity, label)
            for name, (quantity, label) in backlog.channels.items()
        ),
    )
    db.executemany(
        "INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", prepare(backlog.meta.items())
    )


def write_readings(
    db: sqlite3.Connection,
    values: Sequence[ReadingRow],
    block: OpenBlock | None,
    prepare: Prepare = plain,
) -> OpenBlock | None:
    """Writes readings. Returns the block that is open afterwards."""
    verb = "INSERT OR IGNORE" if prepare is careful else "INSERT"
    db.executemany(rows.insert("reading", rows.READING, verb), prepare(values))
    closed, block = fill(block, values)
    db.executemany(rows.insert("block", rows.BLOCK), closed)
    return block


def write_estimates(db: sqlite3.Connection, backlog: Backlog, prepare: Prepare = plain) -> None:
    verb = "INSERT OR IGNORE" if prepare is careful else "INSERT"
    db.executemany(
        rows.insert("estimate", rows.ESTIMATE, verb),
        prepare(rows.from_estimate(seq, p) for seq, p in _pending(backlog.estimates)),
    )


def write_cursors(db: sqlite3.Connection, backlog: Backlog, prepare: Prepare = plain) -> None:
    """Writes the cursors, last of all: a cursor must never be ahead of the rows on disk."""
    db.executemany(
        "INSERT INTO cursor (sink, stream, seq) VALUES (?, ?, ?) "
        "ON CONFLICT (sink, stream) DO UPDATE SET seq = excluded.seq",
        ((sink, stream, seq) for (sink, stream), seq in backlog.cursors.items()),
    )
    db.executemany(
        "INSERT INTO dead_letter (sink, stream, seq, reason, at_ms) VALUES (?, ?, ?, ?, ?) "
        "ON CONFLICT (sink, stream, seq) "
        "DO UPDATE SET reason = excluded.reason, at_ms = excluded.at_ms, again = 0",
        prepare((d.sink, str(d.stream), d.seq, d.reason, d.at_ms) for d in backlog.letters),
    )
    for sql, values in backlog.marks:
        db.execute(sql, values)
