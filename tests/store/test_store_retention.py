"""Ten-minute values for good, raw readings for a while, a clock that may still be put right."""

from __future__ import annotations

import sqlite3
import statistics
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from stillwell.ports import Published, Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store, StoreReader, TenMinutes
from stillwell.store.blocks import SIZE

if TYPE_CHECKING:
    from tests.store.conftest import Rows

NOON = 1_767_268_800_000
DAY = 86_400_000
CELL = 600_000
Opener = Callable[..., Store]


def expected(put: list[Reading], channel: str) -> list[TenMinutes]:
    cells: dict[int, list[Reading]] = {}
    for reading in put:
        if reading.channel == channel:
            cells.setdefault(reading.moment.utc_ms // CELL * CELL, []).append(reading)
    found = []
    for start, readings in sorted(cells.items()):
        good = [r.value for r in readings if r.value is not None and r.flag <= 2]
        mean: Any = pytest.approx(statistics.fmean(good), rel=1e-12) if good else None
        found.append(
            TenMinutes(
                start,
                len(readings),
                len(good),
                min(good, default=None),
                mean,
                max(good, default=None),
            )
        )
    return found


def three_days(rows: Rows) -> list[Reading]:
    flags = (Flag.PASS, Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.FAIL)
    return [
        rows.reading(
            i * 30_000,
            None if i % 97 == 0 else 25 + (i * 31 % 101) / 100,
            "water-a" if i % 2 else "room",
            Flag.MISSING if i % 97 == 0 else flags[i % 5 if i // 500 % 2 else 4],
        )
        for i in range(3 * 2880)
    ]


def house(store: Store, keep_ms: int) -> int:
    """Keeps house until there is no more to do; returns how many readings were deleted."""
    deleted = 0
    while (kept := store.disk.apply_retention(keep_ms, blocks=1)).more:
        deleted += kept.deleted
    return deleted + kept.deleted


class TestRollUp:
    def test_ten_minute_values_are_those_of_the_readings(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        put = three_days(rows)
        store.put(put)
        store.commit()
        store.tick(3 * DAY)
        with StoreReader.open(path) as reader:
            # Before, half way through and after the roll-up, and when the raw readings are gone.
            for _ in range(3):
                for channel in ("water-a", "room"):
                    found = reader.ten_minutes(channel, NOON - DAY, NOON + 9 * DAY)
                    assert found == expected(put, channel)
                store.disk.apply_retention(90 * DAY, blocks=2)
            assert house(store, 0) == 3 * SIZE  # the newest block stays
            for channel in ("water-a", "room"):
                found = reader.ten_minutes(channel, NOON - DAY, NOON + 9 * DAY)
                assert found == expected(put, channel)
                part = reader.ten_minutes(channel, NOON + 2 * CELL, NOON + 4 * CELL)
                assert part == expected(put, channel)[2:4]

    def test_goes_on_after_a_restart_and_counts_nothing_twice(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        put = three_days(rows)
        store = open_store()
        store.put(put)
        store.commit()
        while True:
            store.tick(3 * DAY)
            more = store.disk.apply_retention(90 * DAY, blocks=1).more
            store.close()
            if not more:
                break
            store = open_store()
        with StoreReader.open(path) as reader:
            assert reader.ten_minutes("room", NOON, NOON + 9 * DAY) == expected(put, "room")


class TestClock:
    def test_waits_while_the_clock_may_still_be_put_right(self, path: Path, rows: Rows) -> None:
        wrong = type(rows)(1, 0)
        with Store.open(path) as store:
            store.begin_epoch("boot", wrong.at(0), False)
            store.put(three_days(wrong))
            store.tick(3 * DAY)
            store.commit()
            assert house(store, 0) == 0
            store.rebase("boot", NOON)
            assert store.disk.apply_retention(90 * DAY, blocks=1).rolled > 0
            house(store, 90 * DAY)
        with StoreReader.open(path) as reader:
            put = three_days(type(rows)(1, NOON))
            assert reader.ten_minutes("room", NOON, NOON + 9 * DAY) == expected(put, "room")
            assert reader.ten_minutes("room", 0, NOON) == []

    def test_an_unset_epoch_of_the_running_boot_waits_for_its_rebase(
        self, path: Path, rows: Rows
    ) -> None:
        wrong = type(rows)(1, 0)
        with Store.open(path) as store:
            store.begin_epoch("boot", wrong.at(0), False)
            store.put(three_days(wrong))
            store.begin_epoch("boot", Moment(3 * DAY, NOON + 3 * DAY), True)
            assert store.disk.apply_retention(90 * DAY).rolled == 0
            store.rebase("boot", NOON)
            assert store.disk.apply_retention(90 * DAY).rolled > 0
            house(store, 90 * DAY)
        with StoreReader.open(path) as reader:
            put = three_days(type(rows)(1, NOON))
            assert reader.ten_minutes("room", 0, NOON + 9 * DAY) == expected(put, "room")

    def test_an_unset_clock_of_an_earlier_boot_does_not_make_readings_old(
        self, path: Path, rows: Rows
    ) -> None:
        wrong = type(rows)(1, 0)  # 1970
        with Store.open(path) as store:
            store.begin_epoch("boot-1", wrong.at(0), False)
            store.put(three_days(wrong))
            store.commit()
        with Store.open(path) as store:
            store.begin_epoch("boot-2", Moment(0, NOON), True)
            assert house(store, 90 * DAY) == 0
            store.tick(91 * DAY)
            assert house(store, 90 * DAY) == 3 * SIZE
            assert store.tail.newest(Stream.READINGS) == 3 * 2880


class TestDeletion:
    def test_numbers_are_never_given_again(self, open_store: Opener, rows: Rows) -> None:
        store = open_store()
        store.put([rows.reading(i) for i in range(SIZE)])
        store.put_estimates([Published("level", NOON, "mm", 1.0, 0.0, 2.0, "gauge")])
        store.commit()
        store.put([rows.reading(SIZE)])
        store.commit()
        store.tick(100 * DAY)
        house(store, DAY)
        store.close()
        again = open_store()
        again.put([rows.reading(9)])
        again.put_estimates([Published("level", NOON, "mm", 1.0, 0.0, 2.0, "gauge")])
        again.commit()
        assert again.tail.newest(Stream.READINGS) == SIZE + 2
        assert again.tail.newest(Stream.ESTIMATES) == 2

    def test_a_sink_that_was_away_goes_on_behind_what_is_gone(
        self, store: Store, rows: Rows
    ) -> None:
        store.put([rows.reading(i) for i in range(SIZE * 3)])
        store.commit()
        store.tick(100 * DAY)
        house(store, DAY)
        found = store.tail.rows(Stream.READINGS, 5, 10)
        assert found
        assert found[0].seq == SIZE * 2 + 1

    def test_every_step_leaves_a_sound_file(self, store: Store, path: Path, rows: Rows) -> None:
        store.put(three_days(rows))
        store.commit()
        store.tick(100 * DAY)
        while store.disk.apply_retention(DAY, blocks=1).more:
            db = sqlite3.connect(path)
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            unblocked = db.execute(
                "SELECT count(*) FROM reading r WHERE seq <= (SELECT max(last_seq) FROM block) AND "
                "NOT EXISTS (SELECT 1 FROM block WHERE r.seq BETWEEN first_seq AND last_seq)"
            ).fetchone()
            assert unblocked == (0,)
            db.close()
