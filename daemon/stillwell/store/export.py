"""Writes what the store holds into files that other programs read.

Everything streams, a few thousand rows in memory. Times are RFC 3339 in UTC.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

from stillwell.entry import Entry
from stillwell.reading import UNIT, Quantity, Reading, number, rfc3339
from stillwell.store.errors import StoreError
from stillwell.store.reader import ALWAYS, FOREVER, StoreReader

Progress = Callable[[int, int], None]
"""Called now and then with the approximate number of rows done and of all rows."""

_PARQUET_ROWS = 50_000


def chosen(
    reader: StoreReader,
    start_ms: int = ALWAYS,
    end_ms: int = FOREVER,
    channels: frozenset[str] | None = None,
    progress: Progress | None = None,
) -> Iterator[Reading]:
    """Yields the readings to export.

    Args:
        channels: only these; all when None.
    """
    if channels is not None:
        known = {channel.name for channel in reader.channels()}
        unknown = sorted(channels - known)
        if unknown:
            raise StoreError(
                f"The store has no channel {', '.join(unknown)}. It has: "
                f"{', '.join(sorted(known))}."
            )
    for reading in reader.all_readings(start_ms, end_ms, progress):
        if channels is None or reading.channel in channels:
            yield reading


def export_csv(reader: StoreReader, out: TextIO, found: Iterable[Reading]) -> int:
    """Writes readings with their judgement: ``time,channel,value,unit,flag,tests`` (flag: QARTOD
    number). Returns how many."""
    units = _units(reader)
    rows = (
        (
            rfc3339(r.moment.utc_ms),
            r.channel,
            number(r.value),
            units.get(r.channel, ""),
            int(r.flag),
            r.tests,
        )
        for r in found
    )
    return _written(out, ("time", "channel", "value", "unit", "flag", "tests"), rows)


def export_trace(out: TextIO, found: Iterable[Reading]) -> int:
    """Writes a trace: what the daemon read, for a replay or a bug report. Returns how many
    readings.

    Rows are ``time,channel,value,looks``; the value is empty where a reading was missed, and looks
    where they were not counted. The judgement is left out, because a replay makes its own.
    """
    rows = ((rfc3339(r.moment.utc_ms), r.channel, number(r.value), r.looks or "") for r in found)
    return _written(out, ("time", "channel", "value", "looks"), rows)


def export_journal(out: TextIO, entries: Iterable[Entry]) -> int:
    """Writes what the keeper noted, to be replayed beside a trace: ``time,kind,value,unit``.
    Returns how many entries."""
    rows = ((rfc3339(e.at_ms), e.kind, number(e.value), e.unit_in_file) for e in entries)
    return _written(out, ("time", "kind", "value", "unit"), rows)


def _written(out: TextIO, columns: tuple[str, ...], rows: Iterable[tuple[object, ...]]) -> int:
    write = csv.writer(out, lineterminator="\n").writerow
    write(columns)
    count = 0
    for row in rows:
        write(row)
        count += 1
    return count


def export_parquet(reader: StoreReader, path: Path, found: Iterator[Reading]) -> int:
    """Writes readings as a Parquet file (time in UTC milliseconds). Returns how many. Raises
    `StoreError` without pyarrow."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise StoreError(
            "Parquet needs pyarrow: write it into /etc/stillwell/packages.txt, then run `sudo "
            "dpkg-reconfigure stillwell`, or install.sh again. CSV works without."
        ) from None
    schema = pa.schema(
        [
            ("time", pa.timestamp("ms", tz="UTC")),
            ("channel", pa.dictionary(pa.int32(), pa.string())),
            ("value", pa.float64()),
            ("unit", pa.dictionary(pa.int32(), pa.string())),
            ("flag", pa.int8()),
            ("tests", pa.string()),
        ]
    )
    units = _units(reader)
    count = 0
    with closing(pq.ParquetWriter(path, schema)) as writer:
        while part := list(islice(found, _PARQUET_ROWS)):
            columns: dict[str, list[Any]] = {
                "time": [r.moment.utc_ms for r in part],
                "channel": [r.channel for r in part],
                "value": [r.value for r in part],
                "unit": [units.get(r.channel, "") for r in part],
                "flag": [int(r.flag) for r in part],
                "tests": [r.tests for r in part],
            }
            writer.write_table(pa.table(columns, schema=schema))
            count += len(part)
    return count


def _units(reader: StoreReader) -> dict[str, str]:
    return {
        channel.name: UNIT[Quantity(channel.quantity)]
        for channel in reader.channels()
        if channel.quantity in set(Quantity)
    }
