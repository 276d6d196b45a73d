"""Keeps the ten-minute minimum, mean and maximum for good, and raw readings for a while.

Rolling up and deleting both go block by block, each in a transaction of its own: after an
interruption the next call continues where the last one stopped, and no call delays the writer for
longer than one block takes.

A block is rolled up once the clock that stamped it can't be corrected any more: its epoch is
trusted, or it belongs to an earlier boot (only epochs of the running boot are ever rebased).
Readings whose clock may still be corrected are neither rolled up nor deleted.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

CELL_MS = 600_000
"""Ten minutes."""

_ESTIMATES_AT_ONCE = 2000


@dataclass(frozen=True, slots=True)
class Kept:
    """The result of one call."""

    rolled: int
    """Blocks rolled up."""
    deleted: int
    """Raw readings deleted."""
    more: bool
    """Whether there is more to do now."""


ROLL = """
SELECT channel, ((mono_ms + :offset) / 600000) * 600000 AS start,
  count(*) AS n, count(value) FILTER (WHERE flag <= 2) AS n_good,
  min(value) FILTER (WHERE flag <= 2), avg(value) FILTER (WHERE flag <= 2),
  max(value) FILTER (WHERE flag <= 2)
FROM reading WHERE seq BETWEEN :first AND :last AND epoch = :epoch GROUP BY channel, start
"""
"""Aggregates one block. A reading is good if it passed or was not evaluated (QARTOD flags 1
and 2)."""

ROLL_CHANNEL = ROLL.replace(
    " GROUP BY",
    " AND channel = :channel AND mono_ms + :offset >= :start AND mono_ms + :offset < :end GROUP BY",
)
"""The same for one channel, for readings in a window."""

ADD = """
INSERT INTO tenmin (channel, start_ms, n, n_good, min, mean, max) VALUES (?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (channel, start_ms) DO UPDATE SET
  min = CASE WHEN min IS NULL THEN excluded.min WHEN excluded.min IS NULL THEN min
             ELSE min(min, excluded.min) END,
  max = CASE WHEN max IS NULL THEN excluded.max WHEN excluded.max IS NULL THEN max
             ELSE max(max, excluded.max) END,
  mean = CASE WHEN n_good = 0 THEN excluded.mean WHEN excluded.n_good = 0 THEN mean
              ELSE (mean * n_good + excluded.mean * excluded.n_good) / (n_good + excluded.n_good)
  END, n = n + excluded.n,
  n_good = n_good + excluded.n_good
"""

_TO_ROLL = """
SELECT b.first_seq, b.last_seq, e.id, e.offset_ms
FROM block b JOIN epoch e ON e.id = b.epoch
WHERE b.rolled = 0 AND (e.trusted OR e.boot_id <> ?)
ORDER BY b.first_seq LIMIT ?
"""

# A boot whose clock was never set says 1970, or last week; its readings count as old as the start
# of the next epoch that knew the time, and are kept while there is none. The newest block stays,
# because numbers of new readings continue from the newest row.
_TO_DROP = """
SELECT b.first_seq, b.last_seq
FROM block b JOIN epoch e ON e.id = b.epoch
WHERE b.rolled = 1
  AND b.first_seq < (SELECT max(first_seq) FROM block)
  AND CASE WHEN e.trusted THEN b.max_mono_ms + e.offset_ms ELSE (
    SELECT n.began_mono_ms + n.offset_ms FROM epoch n
    WHERE n.id > e.id AND n.trusted ORDER BY n.id LIMIT 1
  ) END < :cutoff
ORDER BY b.first_seq LIMIT :limit
"""


def step(
    db: sqlite3.Connection, boot_id: str, now_ms: int, keep_raw_ms: int, blocks: int = 8
) -> Kept:
    """Rolls up and deletes at most `blocks` blocks each.

    Args:
        db: the writer's connection, with no transaction open.
        boot_id: the running boot; empty when unknown.
        now_ms: UTC; the caller makes sure that it is trusted.
        keep_raw_ms: how long raw readings and estimates are kept.
    """
    rolled = _roll(db, boot_id, blocks)
    dropped, deleted = _drop(db, now_ms - keep_raw_ms, blocks)
    estimates = _drop_estimates(db, now_ms - keep_raw_ms)
    more = rolled == blocks or dropped == blocks or estimates == _ESTIMATES_AT_ONCE
    return Kept(rolled, deleted, more)


def _roll(db: sqlite3.Connection, boot_id: str, limit: int) -> int:
    found = db.execute(_TO_ROLL, (boot_id, limit)).fetchall()
    for first, last, epoch, offset in found:
        with db:
            db.execute("BEGIN IMMEDIATE")
            cells = db.execute(
                ROLL, {"offset": offset, "first": first, "last": last, "epoch": epoch}
            ).fetchall()
            db.executemany(ADD, cells)
            db.execute("UPDATE block SET rolled = 1 WHERE first_seq = ?", (first,))
    return len(found)


def _drop(db: sqlite3.Connection, cutoff_ms: int, limit: int) -> tuple[int, int]:
    found = db.execute(_TO_DROP, {"cutoff": cutoff_ms, "limit": limit}).fetchall()
    deleted = 0
    for first, last in found:
        with db:
            db.execute("BEGIN IMMEDIATE")
            deleted += db.execute(
                "DELETE FROM reading WHERE seq BETWEEN ? AND ?", (first, last)
            ).rowcount
            db.execute("DELETE FROM block WHERE first_seq = ?", (first,))
    return len(found), deleted


def _drop_estimates(db: sqlite3.Connection, cutoff_ms: int) -> int:
    return db.execute(
        "DELETE FROM estimate WHERE seq IN (SELECT seq FROM estimate WHERE time_ms < ? "
        "AND seq < (SELECT max(seq) FROM estimate) ORDER BY time_ms LIMIT ?)",
        (cutoff_ms, _ESTIMATES_AT_ONCE),
    ).rowcount
