"""What is exported reads back as what was kept."""

from __future__ import annotations

import csv
import io
import tracemalloc
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.reading import Flag, number, rfc3339
from stillwell.store import (
    Entry,
    Store,
    StoreError,
    StoreReader,
    chosen,
    export_csv,
    export_journal,
    export_parquet,
    export_trace,
    note,
)

if TYPE_CHECKING:
    from tests.store.conftest import Rows

NOON = 1_767_268_800_000


def fill(store: Store, rows: Rows) -> None:
    store.describe_channel("water-a", "temperature", "A")
    store.put(
        [
            rows.reading(500, 25.3125),
            rows.reading(1000, 1.0, "float-low"),
            rows.reading(800, 85.0, flag=Flag.FAIL, tests="power-on,rate"),
            rows.reading(2000, None, flag=Flag.MISSING, tests="gone"),
        ]
    )
    store.commit()


class TestText:
    @given(st.integers(-62_135_596_800_000, 253_402_300_799_999))
    def test_times_read_back(self, utc_ms: int) -> None:
        parsed = datetime.fromisoformat(rfc3339(utc_ms))
        assert round(parsed.timestamp() * 1000) == utc_ms

    @given(st.floats(allow_nan=False, allow_infinity=False))
    def test_numbers_read_back(self, value: float) -> None:
        assert float(number(value)) == value

    def test_whole_numbers_have_no_point(self) -> None:
        assert [number(v) for v in (1.0, 0.0, 0.25, None, -45.0)] == ["1", "0", "0.25", "", "-45"]


class TestCsv:
    def test_holds_value_and_judgement_by_time(self, store: Store, path: Path, rows: Rows) -> None:
        fill(store, rows)
        out = io.StringIO()
        with StoreReader.open(path) as reader:
            assert export_csv(reader, out, chosen(reader)) == 4
        assert out.getvalue().splitlines() == [
            "time,channel,value,unit,flag,tests",
            "2026-01-01T12:00:00.500Z,water-a,25.3125,Cel,1,",
            '2026-01-01T12:00:00.800Z,water-a,85,Cel,4,"power-on,rate"',
            "2026-01-01T12:00:01Z,float-low,1,,1,",
            "2026-01-01T12:00:02Z,water-a,,Cel,9,gone",
        ]

    def test_a_channel_that_is_not_there_is_named(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        fill(store, rows)
        with (
            StoreReader.open(path) as reader,
            pytest.raises(StoreError, match=r"no channel room\. It has: float-low, water-a"),
        ):
            list(chosen(reader, channels=frozenset({"room"})))


class TestTrace:
    def test_reads_back_as_what_was_read(self, store: Store, path: Path, rows: Rows) -> None:
        fill(store, rows)
        wrong = note(path, Entry("pour", NOON + 1000, 12.0, "L"))
        note(path, Entry("pour", NOON + 1000, 1.2, "L", strikes=wrong))
        readings, journal = io.StringIO(), io.StringIO()
        with StoreReader.open(path) as reader:
            written = export_trace(readings, chosen(reader))
            entries = export_journal(journal, reader.journal())
            kept = list(reader.all_readings())
        assert (written, entries) == (4, 1)
        back = list(csv.DictReader(io.StringIO(readings.getvalue())))
        assert [
            (
                round(datetime.fromisoformat(row["time"]).timestamp() * 1000),
                row["channel"],
                float(row["value"]) if row["value"] else None,
            )
            for row in back
        ] == [(r.moment.utc_ms, r.channel, r.value) for r in kept]
        assert journal.getvalue() == "time,kind,value,unit\n2026-01-01T12:00:01Z,pour,1.2,L\n"


class TestParquet:
    def test_reads_back(self, store: Store, path: Path, rows: Rows, tmp_path: Path) -> None:
        pq = pytest.importorskip("pyarrow.parquet")
        fill(store, rows)
        with StoreReader.open(path) as reader:
            assert export_parquet(reader, tmp_path / "r.parquet", chosen(reader)) == 4
            kept = list(reader.all_readings())
        back = pq.read_table(tmp_path / "r.parquet").to_pylist()
        assert [(r["channel"], r["value"], r["flag"]) for r in back] == [
            (r.channel, r.value, int(r.flag)) for r in kept
        ]
        assert [round(r["time"].timestamp() * 1000) for r in back] == [
            r.moment.utc_ms for r in kept
        ]


class TestBounds:
    def test_progress_reaches_its_end_and_memory_does_not_grow_with_the_rows(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        told: list[tuple[int, int]] = []
        peaks = []
        for first, last in ((0, 5_000), (5_000, 25_000)):
            store.put([rows.reading(i * 10) for i in range(first, last)])
            store.commit()
            with StoreReader.open(path) as reader, (path.parent / "out.csv").open("w") as out:
                tracemalloc.start()
                rows_of = chosen(reader, progress=lambda done, of: told.append((done, of)))
                export_csv(reader, out, rows_of)
                peaks.append(tracemalloc.get_traced_memory()[1])
                tracemalloc.stop()
            assert told[-1][0] == told[-1][1]
            assert all(done <= of for done, of in told)
        assert told[-1] == (25_000, 25_000)
        # Five times the rows: a list of them all would be 4 MB more.
        assert peaks[1] < peaks[0] + 700_000
