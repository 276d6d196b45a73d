"""Finds readings by time, through the blocks. Reads in small pieces, each a short query of its own,
so that no reader keeps the write-ahead log from being folded back."""

from __future__ import annotations

import json
import sqlite3
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from stillwell.store.blocks import channel_bit
from stillwell.store.rows import ESTIMATE, READING

TimedRow = tuple[Any, ...]
"""A reading as a row: utc_ms, seq, channel id, epoch, value, flag, tests, raw, looks, measured,
mono_ms. Such rows sort by time, then by arrival."""


LAST_BLOCKED = "SELECT last_seq FROM block ORDER BY first_seq DESC LIMIT 1"
"""The number of the newest reading that is in a block. (`max(last_seq)` would go through them
all.)"""

# CROSS JOIN keeps the order of the tables: from an epoch straight to its blocks in the window. The
# second half selects the readings after the last block. Their minimum and maximum are taken within
# the window, so that only those few are looked at.
_SEGMENTS = f"""
SELECT b.min_mono_ms + e.offset_ms, b.max_mono_ms + e.offset_ms,
  b.first_seq, b.last_seq, e.id, e.offset_ms, b.rolled
FROM epoch e CROSS JOIN block b INDEXED BY block_by_time
  ON b.epoch = e.id AND b.max_mono_ms >= :start - e.offset_ms
WHERE b.min_mono_ms < :end - e.offset_ms AND b.channels & :mask
UNION ALL
SELECT min(r.mono_ms) + e.offset_ms, max(r.mono_ms) + e.offset_ms,
  min(r.seq), max(r.seq), e.id, e.offset_ms, 0
FROM reading r JOIN epoch e ON e.id = r.epoch
WHERE r.seq > coalesce(({LAST_BLOCKED}), 0)
  AND r.mono_ms >= :start - e.offset_ms AND r.mono_ms < :end - e.offset_ms
GROUP BY e.id
ORDER BY 1, 3
"""

_LOAD = """
SELECT mono_ms + :offset, seq, channel, epoch, value, flag, tests, raw, looks,
  measured, mono_ms
FROM reading
WHERE seq BETWEEN :first AND :last AND epoch = :epoch
  AND mono_ms >= :start - :offset AND mono_ms < :end - :offset
  AND (:channel IS NULL OR channel = :channel)
ORDER BY mono_ms, seq
"""

_AT_ONCE = 500
"""So many estimates are read at a time: what a process once took it keeps."""
_ESTIMATES = f"""
SELECT {ESTIMATE} FROM estimate
WHERE (time_ms, seq) > (?, ?) AND time_ms < ? AND (?4 IS NULL OR name = ?4)
ORDER BY time_ms, seq LIMIT {_AT_ONCE}
"""
# From each span straight to its last row: however many rows and years there are.
_NEWEST_WITHIN = f"""
WITH span(place, start, until) AS
  (SELECT key, json_extract(value, '$[0]'), json_extract(value, '$[1]') FROM json_each(:spans))
SELECT place, {ESTIMATE} FROM span CROSS JOIN estimate ON seq = (
  SELECT e.seq FROM estimate e
  WHERE e.time_ms >= start AND e.time_ms < until AND e.name = :name
    AND NOT (:known AND (e.value IS NULL OR e.low IS NULL OR e.high IS NULL))
  ORDER BY e.time_ms DESC, e.seq DESC LIMIT 1)
"""

_NEWEST = f"""
SELECT {READING} FROM reading WHERE channel = ? AND seq BETWEEN ? AND ?
ORDER BY seq DESC LIMIT 1
"""


@dataclass(frozen=True, slots=True)
class Segment:
    """Readings of one epoch that lie together, with their earliest and latest time."""

    start_ms: int
    end_ms: int
    first_seq: int
    last_seq: int
    epoch: int
    offset_ms: int
    rolled: int
    """1 when its readings are counted in the ten-minute values."""


def segments(
    db: sqlite3.Connection, start_ms: int, end_ms: int, channel_id: int | None = None
) -> list[Segment]:
    """The segments that may hold readings with start_ms <= UTC < end_ms, by their earliest time."""
    mask = -1 if channel_id is None else channel_bit(channel_id)
    rows = db.execute(_SEGMENTS, {"start": start_ms, "end": end_ms, "mask": mask})
    return [Segment(*row) for row in rows]


def in_time_order(
    found: Sequence[Segment], load: Callable[[Segment], list[TimedRow]]
) -> Iterator[TimedRow]:
    """The rows of the segments by time. Holds only as many of them as overlap in time."""
    held: list[TimedRow] = []
    for segment in found:
        ready = bisect_left(held, segment.start_ms, key=lambda row: row[0])
        yield from held[:ready]
        held = sorted(held[ready:] + load(segment))
    yield from held


def readings(
    db: sqlite3.Connection,
    start_ms: int,
    end_ms: int,
    channel_id: int | None = None,
    seen: Callable[[Segment], None] = lambda segment: None,
) -> Iterator[TimedRow]:
    """Readings with start_ms <= UTC < end_ms, of one channel or of all, by time."""

    def load(segment: Segment) -> list[TimedRow]:
        seen(segment)
        return db.execute(
            _LOAD,
            {
                "offset": segment.offset_ms,
                "first": segment.first_seq,
                "last": segment.last_seq,
                "epoch": segment.epoch,
                "start": start_ms,
                "end": end_ms,
                "channel": channel_id,
            },
        ).fetchall()

    return in_time_order(segments(db, start_ms, end_ms, channel_id), load)


def last_blocked(db: sqlite3.Connection) -> int:
    """The number of the newest reading that is in a block; 0 when there is none."""
    row = db.execute(LAST_BLOCKED).fetchone()
    return int(row[0]) if row else 0


def latest(db: sqlite3.Connection, channel_id: int) -> Sequence[Any] | None:
    """The channel's newest reading by arrival, as a row of the table."""
    end = last_blocked(db)
    row: Sequence[Any] | None = db.execute(_NEWEST, (channel_id, end + 1, 2**63 - 1)).fetchone()
    if row is not None:
        return row
    blocks = db.execute(
        "SELECT first_seq, last_seq FROM block WHERE channels & ? ORDER BY first_seq DESC",
        (channel_bit(channel_id),),
    )
    for first, last in blocks:
        row = db.execute(_NEWEST, (channel_id, first, last)).fetchone()
        if row is not None:
            return row
    return None


def estimates(
    db: sqlite3.Connection, name: str | None, start_ms: int, end_ms: int
) -> Iterator[Sequence[Any]]:
    """The rows of estimates with start_ms <= UTC < end_ms, of one name or of all, by time."""
    after: tuple[int, int] = (start_ms, -1)
    while True:
        part = db.execute(_ESTIMATES, (*after, end_ms, name)).fetchall()
        yield from part
        if len(part) < _AT_ONCE:
            return
        after = (part[-1][2], part[-1][0])


def newest_within(
    db: sqlite3.Connection, name: str, spans: Sequence[tuple[int, int]], *, known: bool
) -> list[Sequence[Any] | None]:
    """The row of the newest estimate of that name in each of these times (start_ms <= UTC <
    end_ms); with `known` the newest that has a value and an interval."""
    given = {"spans": json.dumps(spans), "name": name, "known": known}
    found = {place: row for place, *row in db.execute(_NEWEST_WITHIN, given)}
    return [found.get(place) for place in range(len(spans))]
