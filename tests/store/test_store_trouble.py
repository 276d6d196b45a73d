"""Disks that are full, read-only or damaged: watching goes on, and keeping resumes by itself.

The small disk is a real file system; where none can be mounted, SQLite's own page limit gives the
same error code from the same place.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import damaged_store as damage
from stillwell.ports import Refusal, Stream
from stillwell.reading import Moment
from stillwell.store import Entry, Store, StoreError, StoreReader, StoreTooNew
from stillwell.store.migrate import APPLICATION_ID

if TYPE_CHECKING:
    from tests.store.conftest import Rows, SmallDisk

NOON = 1_767_268_800_000
Opener = Callable[..., Store]


def integrity(path: Path) -> str:
    db = sqlite3.connect(path)
    try:
        return str(db.execute("PRAGMA integrity_check").fetchone()[0])
    finally:
        db.close()


def put_until_trouble(store: Store, rows: Rows) -> int:
    """Puts and commits readings until the disk takes no more; returns how many."""
    count = 0
    while store.trouble is None:
        store.put([rows.reading(count + i, float(count + i)) for i in range(500)])
        count += 500
        store.commit()
        assert count < 500_000, "the disk never became full"
    return count


class TestFullDisk:
    def test_rows_wait_in_order_and_are_kept_when_there_is_room(
        self, small_disk: SmallDisk, rows: Rows
    ) -> None:
        path = small_disk.root / "tank.db"
        store = Store.open(path)
        store.begin_epoch("boot", rows.at(0), True)
        store.put([rows.reading(0, 0.0)])
        store.commit()
        small_disk.fill()
        count = put_until_trouble(store, rows)
        assert "is full" in (store.trouble or "")
        assert "Make room" in (store.trouble or "")

        # An alarm during it: in memory, on its way to people, its cursor moving.
        store.put_transition(rows.transition(count), [rows.notice(count, "full")])
        told = store.tail.rows(Stream.NOTICES, 0, 9, committed_only=False)
        assert [row.body for row in told] == [rows.notice(count, "full")]
        assert store.tail.rows(Stream.NOTICES, 0, 9) == []
        store.sinks.move_cursor("broker", Stream.NOTICES, 1, [Refusal(1, "no such topic")])
        store.put_journal(Entry("pour", NOON, 1.2, "L"))
        assert store.trouble is not None

        small_disk.empty()
        store.tick(120_000)
        assert store.trouble is None
        assert store.backlog_lost == 0
        store.close()
        assert integrity(path) == "ok"
        with StoreReader.open(path) as reader:
            values = [r.value for r in reader.all_readings()]
            assert values == [0.0, *map(float, range(count))]
            assert reader.transitions() == [rows.transition(count)]
            assert reader.notices() == [rows.notice(count, "full")]
            assert [(c.sink, c.seq) for c in reader.cursors()] == [("broker", 1)]
            assert [d.reason for d in reader.dead_letters()] == ["no such topic"]
            assert [e.value for e in reader.journal()] == [1.2]

    @pytest.mark.parametrize("crashed", [False, True], ids=["after a stop", "after a crash"])
    def test_a_start_on_a_full_disk_watches_and_keeps_later(
        self, small_disk: SmallDisk, rows: Rows, crashed: bool
    ) -> None:
        path = small_disk.root / "tank.db"
        with Store.open(path) as store:
            store.begin_epoch("boot", rows.at(0), True)
            store.put_transition(rows.transition(5))
        if crashed:  # its log was not folded back
            store = Store.open(path)
            store.put_transition(rows.transition(6, "room.silent"))
            files = {p.name: p.read_bytes() for p in small_disk.root.glob("tank.db*")}
            store.close()
            assert files["tank.db-wal"]
            for name in ("tank.db", "tank.db-wal"):
                (small_disk.root / name).write_bytes(files[name])
        small_disk.fill()
        store = Store.open(path)
        # Whether SQLite notices at the open or at the first commit depends on the file system.
        assert [t.alarm for t in store.latest_transitions()] == (
            ["water.low", "room.silent"] if crashed else ["water.low"]
        )
        epoch = store.begin_epoch("boot-2", Moment(0, NOON + 10_000), True)
        later = type(rows)(epoch, NOON + 10_000)
        store.put([later.reading(1)])
        store.commit()
        assert "is full" in (store.trouble or "")
        small_disk.empty()
        store.tick(600_000)
        assert store.trouble is None
        store.put_transition(later.transition(2, event="acknowledge"))
        store.close()
        with StoreReader.open(path) as reader:
            assert list(reader.all_readings()) == [later.reading(1)]
            assert [t.event for t in reader.transitions()][-1] == "acknowledge"
            assert len(reader.transitions()) == (3 if crashed else 2)

    def test_the_page_limit_of_sqlite_is_met_the_same_way(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        store = open_store()
        assert store.disk.file.db is not None
        pages = store.disk.file.db.execute("PRAGMA page_count").fetchone()[0]
        store.disk.file.db.execute(f"PRAGMA max_page_count = {pages + 8}")
        count = put_until_trouble(store, rows)
        store.disk.file.db.execute("PRAGMA max_page_count = 1000000")
        store.tick(3_600_000)
        assert store.trouble is None
        with StoreReader.open(path) as reader:
            assert [r.value for r in reader.all_readings()] == list(map(float, range(count)))

    def test_beyond_the_bound_the_oldest_readings_go_and_are_counted(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        store = open_store(backlog=1000)
        assert store.disk.file.db is not None
        store.disk.file.db.execute("PRAGMA query_only = ON")
        store.put([rows.reading(i, float(i)) for i in range(2500)])
        store.put_transition(rows.transition(2500), [rows.notice(2500, "n")])
        assert store.trouble is not None
        assert store.backlog_lost == 1500
        store.tick(3_600_000)  # a new connection, so the pragma is gone
        assert store.trouble is None
        with StoreReader.open(path) as reader:
            assert [r.value for r in reader.all_readings()] == list(map(float, range(1500, 2500)))
            assert len(reader.notices()) == 1
        assert [row.seq for row in store.tail.rows(Stream.READINGS, 0, 2)] == [1501, 1502]


class TestReadOnlyDisk:
    def test_a_card_that_turns_read_only_under_the_daemon(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        # A kernel that remounts a failing card read-only makes every write fail; a mount can't be
        # made read-only while the file is open for writing, so SQLite is told to refuse instead.
        store = open_store()
        assert store.disk.file.db is not None
        store.disk.file.db.execute("PRAGMA query_only = ON")
        store.put_transition(rows.transition(1), [rows.notice(1, "a")])
        assert "read-only" in (store.trouble or "")
        assert store.tail.rows(Stream.TRANSITIONS, 0, 9, committed_only=False)
        assert store.latest_transitions() == [rows.transition(1)]
        store.tick(3_600_000)
        assert store.trouble is None
        with StoreReader.open(path) as reader:
            assert reader.notices() == [rows.notice(1, "a")]

    def test_a_start_on_a_read_only_disk_restores_alarms_and_keeps_later(
        self, small_disk: SmallDisk, rows: Rows
    ) -> None:
        path = small_disk.root / "tank.db"
        with Store.open(path) as store:
            store.begin_epoch("boot", rows.at(0), True)
            store.put_transition(rows.transition(5), [rows.notice(5, "a")])
        small_disk.remount("ro")
        store = Store.open(path)
        try:
            assert "read-only" in (store.trouble or "")
            assert store.latest_transitions() == [rows.transition(5)]
            later = type(rows)(store.begin_epoch("b2", Moment(0, NOON), True))
            store.put_notice(later.notice(1, "b"))
            told = store.tail.rows(Stream.NOTICES, 0, 9, committed_only=False)

            bodies = [row.body for row in told]
            assert [row.seq for row in told] == [1, 2]
            assert bodies == [rows.notice(5, "a"), later.notice(1, "b")]
            with StoreReader.open(path) as reader:
                assert [n.key for n in reader.notices()] == ["a"]
        finally:
            small_disk.remount("rw")
        store.tick(600_000)
        assert store.trouble is None
        store.close()
        with StoreReader.open(path) as reader:
            assert [n.key for n in reader.notices()] == ["a", "b"]


class TestRetries:
    def test_pauses_grow_and_are_not_skipped(self, store: Store, rows: Rows) -> None:
        tries = []
        real = store.disk._write

        def refuse() -> None:
            # Stands at the disk's edge: only when it is tried is looked at here.
            tries.append(store.disk.mono_ms)
            raise OSError(5, "Input/output error")

        store.disk._write = refuse  # type: ignore[method-assign]
        store.put([rows.reading(1)])
        store.commit()
        for t in range(0, 300_000, 1000):
            store.tick(t)
            store.put_notice(rows.notice(t, f"n{t}"))  # alarms don't hammer the card either
        store.disk._write = real  # type: ignore[method-assign]
        gaps = [b - a for a, b in pairwise(tries[1:])]
        assert gaps[:6] == [2000, 4000, 8000, 16000, 32000, 60000]
        assert "fails to read or write" in (store.trouble or "")


class TestDamage:
    def test_a_damaged_file_is_moved_aside_and_what_can_be_read_is_carried_over(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        store = open_store()
        store.put([rows.reading(i) for i in range(5000)])
        store.put_transition(rows.transition(6000), [rows.notice(6000, "a")])
        store.sinks.move_cursor("broker", Stream.READINGS, 4000)
        store.close()
        db = sqlite3.connect(path)
        root, size = db.execute(
            "SELECT rootpage, (SELECT * FROM pragma_page_size) FROM sqlite_schema WHERE name = "
            "'done'"
        ).fetchone()
        db.close()
        with path.open("r+b") as file:
            file.seek((root - 1) * size)
            file.write(b"\xa5" * size)

        again = open_store()
        assert path.with_name(again.disk.rescues[0].source).exists()
        assert again.trouble is None
        assert again.latest_transitions() == [rows.transition(6000)]
        assert again.sinks.cursor("broker", Stream.READINGS) == 4000
        again.put([type(rows)(2).reading(1)])
        again.commit()
        damage.bring_over(again)
        # Numbers go on, so that a sink with a cursor misses nothing.
        found = [row.seq for row in again.tail.rows(Stream.READINGS, 4000, 2000)]
        assert found == list(range(4001, 5002))
        assert integrity(path) == "ok"

    @pytest.mark.parametrize(
        "content", [b"\0" * 8192, b"SQLite format 3\0" + b"\xff" * 5000, b"x" * 99]
    )
    def test_a_file_that_is_no_database_any_more(
        self, open_store: Opener, path: Path, rows: Rows, content: bytes
    ) -> None:
        open_store().close()
        path.write_bytes(content)
        store = open_store()
        assert path.with_name(store.disk.rescues[0].source).read_bytes() == content
        store.put_notice(rows.notice(1, "a"))
        assert store.trouble is None
        assert integrity(path) == "ok"

    def test_damage_that_shows_while_running_costs_no_row_that_waits(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        store = open_store()
        store.describe_channel("water-a", "temperature", "A")
        store.put([rows.reading(i) for i in range(3000)])
        store.put_transition(rows.transition(1), [rows.notice(1, "a")])
        assert store.disk.file.db is not None
        store.disk.file.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        with path.open("r+b") as file:
            file.seek(4096)
            file.write(b"\xa5" * (path.stat().st_size - 4096))
        store.disk.file.db.execute("PRAGMA shrink_memory")
        store.put([rows.reading(5000)])
        store.put_transition(rows.transition(5001, event="acknowledge"), [rows.notice(5001, "b")])
        for t in (10_000, 20_000, 80_000):
            store.tick(t)
        assert store.trouble is None
        assert store.disk.rescues[0].source
        store.close()
        assert integrity(path) == "ok"
        with StoreReader.open(path) as reader:
            assert rows.reading(5000) in list(reader.all_readings())
            assert [n.key for n in reader.notices()][-1] == "b"
            assert [t.event for t in reader.alarms()] == ["acknowledge"]
            assert [c.label for c in reader.channels()] == ["A"]

    def test_wherever_it_lies_a_reader_gets_its_answer_or_is_told(self, tmp_path: Path) -> None:
        whole, path = tmp_path / "whole.db", tmp_path / "tank.db"
        damage.live(whole, 3000)
        ever = (NOON - 10**9, NOON + 10**9)
        told = set()
        for page in range(2, whole.stat().st_size // damage.PAGE + 1):
            path.write_bytes(whole.read_bytes())
            damage.spoil(path, [page], seed=page)
            for ask in (
                lambda reader: reader.ten_minutes("water-1", *ever),
                lambda reader: list(reader.readings("water-1", *ever)),
                lambda reader: list(reader.journal()),
                StoreReader.latest_readings,
                StoreReader.alarms,
                StoreReader.cursors,
            ):
                try:
                    with StoreReader.open(path) as reader:
                        ask(reader)
                except StoreError:
                    told.add(page)
        assert told


class TestRemoval:
    def test_a_file_that_somebody_removes_is_made_again(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        store = open_store()
        store.put_transition(rows.transition(1), [rows.notice(1, "a")])
        store.sinks.move_cursor("broker", Stream.READINGS, 7)
        for file in path.parent.glob("tank.db*"):
            file.unlink()
        store.put([rows.reading(5)])
        store.commit()
        assert store.trouble is None
        store.close()
        with StoreReader.open(path) as reader:
            assert list(reader.all_readings()) == [rows.reading(5)]
            assert reader.alarms() == [rows.transition(1)]
            assert [c.seq for c in reader.cursors()] == [7]

    def test_so_is_one_that_somebody_puts_another_file_in_the_place_of(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        with Store.open(path.with_name("other.db")):
            pass
        store = open_store()
        store.put_transition(rows.transition(1), [rows.notice(1, "a")])
        for file in path.parent.glob("tank.db-*"):
            file.unlink()
        path.with_name("other.db").rename(path)
        store.put([rows.reading(5)])
        store.commit()
        assert store.trouble is None
        store.close()
        with StoreReader.open(path) as reader:
            assert list(reader.all_readings()) == [rows.reading(5)]


class TestRefusals:
    def test_a_later_schema_is_refused_and_left_alone(self, open_store: Opener, path: Path) -> None:
        open_store().close()
        db = sqlite3.connect(path)
        db.execute("PRAGMA user_version = 9999")
        db.close()
        before = path.read_bytes()
        with pytest.raises(StoreTooNew, match="version 9999"):
            Store.open(path)
        with pytest.raises(StoreTooNew, match="version 9999"):
            StoreReader.open(path)
        assert path.read_bytes() == before

    def test_a_database_of_another_program_is_left_alone(self, path: Path) -> None:
        db = sqlite3.connect(path)
        db.execute("CREATE TABLE photo (id)")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID + 1}")
        db.close()
        with pytest.raises(StoreError, match="another program"):
            Store.open(path)

    def test_a_missing_directory_is_named(self, tmp_path: Path) -> None:
        with pytest.raises(StoreError, match=r"folder .*nowhere of the store is not there"):
            Store.open(tmp_path / "nowhere" / "tank.db")
