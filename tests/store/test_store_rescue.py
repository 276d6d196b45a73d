"""A damaged file: everything on its other pages is brought over, once, wherever it is cut off."""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stillwell.ports import Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Cause, Store, StoreReader
from tests.store import damage

NOON = damage.NOON
CHILD = Path(__file__).with_name("brings_over.py")


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sound store with a life behind it."""
    path = tmp_path_factory.mktemp("lived") / "tank.db"
    damage.live(path)
    return path


@pytest.fixture
def store_path(lived: Path, tmp_path: Path) -> Iterator[Path]:
    path = tmp_path / "tank.db"
    shutil.copy(lived, path)
    yield path


def key_of(table: str, row: tuple[object, ...]) -> object:
    return row[:2] if table in ("tenmin", "cursor", "done") else row[0]


def held_against(path: Path, lived: Path, spoilt: set[int]) -> None:
    """Every row on a page that is whole is there; none is there twice, and none that never was."""
    before = damage.rows_of(lived)
    after = damage.rows_of(path)
    pages = damage.rows_by_page(lived)
    for table in (*damage.BIG, *damage.SMALL):
        was = {key_of(table, row): row for row in before[table]}
        now = {key_of(table, row): row for row in after[table]}
        for page, tables in pages.items():
            if page not in spoilt:
                for row in tables.get(table, ()):
                    text = [x for x in row if isinstance(x, str) and len(x) > 3000]
                    key = key_of(table, row)
                    assert key in now or text, (table, key, page)
        for key, row in now.items():
            if key in was and table not in ("epoch", "cursor", "channel"):
                assert row == was[key], (table, key)
            elif table in ("reading", "tenmin", "journal", "notice"):
                assert key in was, (table, key)
    with StoreReader.open(path) as reader:
        found = [reading.value for reading in reader.all_readings()]
    assert len(found) == len(set(found)) == len(after["reading"])


class TestPages:
    def test_without_sqlite_a_sound_file_reads_the_same(self, lived: Path) -> None:
        found: dict[str, list[object]] = {}
        for tables in damage.rows_by_page(lived).values():
            for table, rows in tables.items():
                found.setdefault(table, []).extend(rows)
        for table, rows in damage.rows_of(lived).items():
            assert sorted(found.get(table, []), key=repr) == sorted(rows, key=repr), table


class TestAnyPages:
    @settings(
        max_examples=40,
        deadline=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture],
    )
    @given(data=st.data())
    def test_the_rows_of_all_the_others_are_there_once(
        self, lived: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
    ) -> None:
        count = lived.stat().st_size // damage.PAGE
        spoilt = data.draw(st.sets(st.integers(1, count), min_size=1, max_size=8))
        seed = data.draw(st.integers(0, 99))
        path = tmp_path_factory.mktemp("spoilt") / "tank.db"
        shutil.copy(lived, path)
        damage.spoil(path, sorted(spoilt), seed)
        cursors = {row[:2]: row[2] for row in damage.rows_of(lived)["cursor"]}
        on_page = {p for p, t in damage.rows_by_page(lived).items() if "cursor" in t}

        store = Store.open(path)
        store.begin_epoch("boot-2", Moment(0, NOON + 10**9), True)
        if not store.rescues:
            store.suspect()  # as whoever meets the damage later does
        kept = store.tail.newest(Stream.READINGS)
        store.put([Reading("water-0", Moment(5, NOON + 10**9 + 5, 9), -1.0, Flag.PASS)])
        at = damage.bring_over(store)
        if not on_page & spoilt:
            for (sink, stream), seq in cursors.items():
                assert store.cursor(sink, Stream(stream)) == seq
        assert store.trouble is None
        assert store.rescues[0].ended_ms is not None
        assert not store.rescues[0].given_up
        store.tick(at + 40_000)
        store.close()
        db = sqlite3.connect(path)
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        # The new reading has a number that no other had.
        (number,) = db.execute("SELECT seq FROM reading WHERE value = -1").fetchone()
        db.execute("DELETE FROM reading WHERE seq = ?", (number,))
        db.commit()
        db.close()
        assert number == kept + 1
        assert number > max(row[0] for row in damage.rows_of(lived)["reading"])
        held_against(path, lived, spoilt)
