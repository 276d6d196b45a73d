"""The store is copied before its schema is brought up to date, and given back to an earlier
program."""

from __future__ import annotations

import logging
import random
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from stillwell.store import Store, StoreReader, before
from stillwell.store.before import copy_path, give_back
from stillwell.store.errors import StoreBusy, StoreError
from stillwell.store.lock import WriterLock
from stillwell.store.migrate import migrate, migrations, version

if TYPE_CHECKING:
    from tests.store.conftest import SmallDisk

KNOWN = len(migrations())
OLD = KNOWN - 1


def make_old(path: Path, readings: int = 1) -> None:
    """A store as the program before this one leaves it."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    migrate(db, "old", migrations()[:OLD])
    db.execute("INSERT INTO epoch VALUES (1, 'boot', 1780000000000, 1, 0)")
    db.execute("INSERT INTO channel (id, name) VALUES (1, 'water-a')")
    db.execute("BEGIN")
    db.executemany(
        "INSERT INTO reading (channel, epoch, mono_ms, value, flag, raw) "
        "VALUES (1, 1, ?, 25, 1, ?)",
        ((number * 1000, "x" * 200) for number in range(readings)),
    )
    db.execute("COMMIT")
    db.close()


def make_newer(path: Path) -> None:
    """What a later program does to the store: a schema that this code doesn't know."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("CREATE TABLE later (x)")
    db.execute("INSERT INTO later VALUES ('since then')")
    db.execute(f"PRAGMA user_version = {KNOWN + 1}")
    db.close()


def version_of(path: Path) -> int:
    db = sqlite3.connect(path)
    try:
        return version(db)
    finally:
        db.close()


def count(path: Path) -> int:
    db = sqlite3.connect(path)
    try:
        return int(db.execute("SELECT count(*) FROM reading").fetchone()[0])
    finally:
        db.close()


def names(path: Path) -> set[str]:
    return {each.name for each in path.parent.iterdir() if not each.name.endswith(".lock")}


class TestKeepCopy:
    def test_what_was_there_before_the_migration_is_beside_it(self, path: Path) -> None:
        make_old(path, readings=500)
        path.chmod(0o660)
        older = copy_path(path, 0)
        older.write_text("of the update before")
        Store.open(path).close()
        copy = copy_path(path, OLD)
        assert names(path) == {path.name, copy.name}
        assert (version_of(path), version_of(copy)) == (KNOWN, OLD)
        assert (count(path), count(copy)) == (500, 500)
        assert copy.stat().st_mode & 0o777 == 0o660

    def test_nothing_is_copied_where_nothing_is_migrated(self, path: Path) -> None:
        Store.open(path).close()
        Store.open(path).close()
        assert names(path) == {path.name}

    def test_without_room_it_goes_on_without_a_copy_and_says_so(
        self, small_disk: SmallDisk, caplog: pytest.LogCaptureFixture
    ) -> None:
        path = small_disk.root / "tank.db"
        make_old(path)
        with caplog.at_level(logging.WARNING), Store.open(path) as store:
            assert store.trouble is None
        assert version_of(path) == KNOWN
        assert names(path) == {path.name}
        assert "without a copy" in caplog.text
        assert "Make room" in caplog.text

    def test_a_slow_disk_does_not_hold_the_watch_up(
        self, path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
    ) -> None:
        make_old(path, readings=40_000)
        monkeypatch.setattr(before, "COPY_PATIENCE_S", 0.0)
        Store.open(path).close()
        assert version_of(path) == KNOWN
        assert names(path) == {path.name}
        assert "takes more than 0 s" in caplog.text

    def test_a_kill_at_any_moment_leaves_a_store_that_the_next_start_brings_up_to_date(
        self, path: Path, long_run: bool
    ) -> None:
        seed = 20261128
        chance = random.Random(seed)
        opens = "import sys; from stillwell.store import Store; print(1, flush=True); "
        opens += "Store.open(sys.argv[1]).close()"
        for _ in range(60 if long_run else 4):
            for each in path.parent.glob("tank.db*"):
                each.unlink()
            make_old(path, readings=40_000)
            with subprocess.Popen(
                [sys.executable, "-c", opens, str(path)], stdout=subprocess.PIPE
            ) as child:
                assert child.stdout is not None
                child.stdout.readline()
                try:
                    child.wait(chance.uniform(0, 0.2))
                except subprocess.TimeoutExpired:
                    child.kill()
            Store.open(path).close()
            assert (version_of(path), count(path)) == (KNOWN, 40_000)
            copy = copy_path(path, OLD)
            assert names(path) == {path.name, copy.name}
            assert (version_of(copy), count(copy)) == (OLD, 40_000)


class TestGiveBack:
    def newer(self, path: Path) -> None:
        """A store of this code that a later program has brought up to date, after a copy."""
        Store.open(path).close()
        path.chmod(0o660)
        copy_path(path, KNOWN).write_bytes(path.read_bytes())
        make_newer(path)

    def test_the_copy_takes_the_place_of_the_newer_store_which_is_kept(self, path: Path) -> None:
        self.newer(path)
        aside = give_back(path)
        assert aside is not None
        assert names(path) == {path.name, aside.name}
        with StoreReader.open(path):
            assert version_of(path) == KNOWN
        db = sqlite3.connect(aside)
        assert db.execute("SELECT x FROM later").fetchall() == [("since then",)]
        db.close()

    def test_rows_that_are_in_the_log_only_are_kept_with_the_newer_store(self, path: Path) -> None:
        self.newer(path)
        # A daemon that was killed leaves its log behind.
        leave = (
            "import os, sqlite3, sys; db = sqlite3.connect(sys.argv[1], isolation_level=None); "
            "db.execute('PRAGMA journal_mode = WAL'); "
            "db.execute(\"INSERT INTO later VALUES ('in the log')\"); os.kill(os.getpid(), 9)"
        )
        subprocess.run([sys.executable, "-c", leave, str(path)])
        assert f"{path.name}-wal" in names(path)
        aside = give_back(path)
        assert aside is not None
        db = sqlite3.connect(aside)
        assert db.execute("SELECT x FROM later").fetchall() == [("since then",), ("in the log",)]
        db.close()
        assert names(path) == {path.name, aside.name}

    def test_one_that_was_killed_between_its_two_steps_leaves_no_second_name(
        self, path: Path
    ) -> None:
        self.newer(path)
        path.with_name("tank.db.schema-0099-20260101T000000Z").hardlink_to(path)
        aside = give_back(path)
        assert aside is not None
        assert names(path) == {path.name, aside.name}

    def test_a_store_that_this_code_can_use_stays(self, path: Path) -> None:
        assert give_back(path) is None
        Store.open(path).close()
        assert give_back(path) is None
        assert names(path) == {path.name}

    def test_without_a_copy_nothing_is_changed_and_it_is_told(self, path: Path) -> None:
        self.newer(path)
        copy_path(path, KNOWN).write_bytes(b"torn")
        with pytest.raises(StoreError, match="no copy of it from before"):
            give_back(path)
        assert version_of(path) == KNOWN + 1

    def test_a_store_that_somebody_reads_is_left_alone(self, path: Path) -> None:
        self.newer(path)
        reads = sqlite3.connect(path, isolation_level=None)
        reads.execute("PRAGMA journal_mode = WAL")
        reads.execute("SELECT * FROM later").fetchall()
        before_it = names(path)
        with pytest.raises(StoreError, match="Close whatever has the file open"):
            give_back(path)
        assert (names(path), version_of(path)) == (before_it, KNOWN + 1)
        reads.close()

    def test_a_store_that_is_being_written_is_left_alone(self, path: Path) -> None:
        self.newer(path)
        lock = WriterLock(path)
        lock.take()
        with pytest.raises(StoreBusy):
            give_back(path)
        lock.release()
        assert version_of(path) == KNOWN + 1
