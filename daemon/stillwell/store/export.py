"""Writes what the store holds into files that other programs read.

Everything streams, a few thousand rows in memory. Times are RFC 3339 in UTC.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

from stillwell.reading import UNIT, Quantity, Reading, rfc3339
from stillwell.store.errors import StoreError
from stillwell.store.reader import ALWAYS, FOREVER, StoreReader

Progress = Callable[[int, int], None]
"""Called now and then with the approximate number of rows done and of all rows."""

_PARQUET_ROWS = 50_000


@dataclass(frozen=True, slots=True)
class Exported:
    readings: int
    entries: int = 0


def number(value: float | None) -> str:
    """The shortest text that reads back as the same number; whole numbers without a point."""
    if value is None:
        return ""
    return str(int(value)) if abs(value) < 1e15 and value.is_integer() else repr(value)


def export_csv(
    reader: StoreReader,
    out: TextIO,
    start_ms: int = ALWAYS,
    end_ms: int = FOREVER,
    channels: frozenset[str] | None = None,
    progress: Progress | None = None,
) -> Exported:
    """Every reading with its judgement: ``time,channel,value,unit,flag,tests`` (flag: QARTOD
    number).

    Args:
        channels: only these; all when None.
    """
    units = _units(reader)
    write = csv.writer(out, lineterminator="\n").writerow
    write(("time", "channel", "value", "unit", "flag", "tests"))
    count = 0
    for reading in _chosen(reader, start_ms, end_ms, channels, progress):
        write(
            (
                rfc3339(reading.moment.utc_ms),
                reading.channel,
                number(reading.value),
                units.get(reading.channel, ""),
                int(reading.flag),
                reading.tests,
            )
        )
        count += 1
    return Exported(count)


def export_trace(
    reader: StoreReader,
    readings: TextIO,
    journal: TextIO | None = None,
    start_ms: int = ALWAYS,
    end_ms: int = FOREVER,
    channels: frozenset[str] | None = None,
    progress: Progress | None = None,
) -> Exported:
    """Writes a trace: what the daemon read and what the keeper noted, for a replay or a bug report.

    Readings are ``time,channel,value,looks``; the value is empty where a reading was missed, and
    looks where they were not counted. The judgement is left out, because a replay makes its own.
    Entries are ``time,kind,value,unit``, those that stand.
    """
    write = csv.writer(readings, lineterminator="\n").writerow
    write(("time", "channel", "value", "looks"))
    count = 0
    for reading in _chosen(reader, start_ms, end_ms, channels, progress):
        at = rfc3339(reading.moment.utc_ms)
        write((at, reading.channel, number(reading.value), reading.looks or ""))
        count += 1
    entries = 0
    if journal is not None:
        write = csv.writer(journal, lineterminator="\n").writerow
        write(("time", "kind", "value", "unit"))
        for entry in reader.journal(start_ms, end_ms):
            write((rfc3339(entry.at_ms), entry.kind, number(entry.value), entry.unit_in_file))
            entries += 1
    return Exported(count, entries)


def export_parquet(
    reader: StoreReader,
    path: Path,
    start_ms: int = ALWAYS,
    end_ms: int = FOREVER,
    channels: frozenset[str] | None = None,
    progress: Progress | None = None,
) -> Exported:
    """Readings as a Parquet file (time in UTC milliseconds). Raises `StoreError` without
    pyarrow."""
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
    found = _chosen(reader, start_ms, end_ms, channels, progress)
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
    return Exported(count)


def _chosen(
    reader: StoreReader,
    start_ms: int,
    end_ms: int,
    channels: frozenset[str] | None,
    progress: Progress | None,
) -> Iterator[Reading]:
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


def _units(reader: StoreReader) -> dict[str, str]:
    return {
        channel.name: UNIT[Quantity(channel.quantity)]
        for channel in reader.channels()
        if channel.quantity in set(Quantity)
    }
