"""What keeps a store from being written, each in its own words, and that rows wait in memory until
it is put right. As the user and the processes that meet it."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from stillwell.ports import Stream
from stillwell.reading import Moment
from stillwell.store import Store, StoreBusy, StoreReader, is_held
from stillwell.store.lock import lock_path
from stillwell.store.migrate import APPLICATION_ID

if TYPE_CHECKING:
    from tests.store.conftest import Rows, SmallDisk

NOON = 1_767_268_800_000
WRITES = (
    "import sys, time\nfrom stillwell.store import Store\ns = Store.open(sys.argv[1])\n"
    "print('open', flush=True)\nsys.stdin.readline()"
)


def watching(path: Path, rows: Rows) -> tuple[Store, Rows]:
    """A store that is opened whatever is wrong, with an alarm and a reading in it."""
    store = Store.open(path, watch_anyway=True)
    assert store.failing is not None
    epoch = store.begin_epoch("boot", Moment(0, NOON), True)
    here = type(rows)(epoch)
    store.put([here.reading(1)])
    store.put_transition(here.transition(2), [here.notice(2, "a")])
    newest = store.tail.newest(Stream.NOTICES, committed_only=False)
    told = store.tail.rows(Stream.NOTICES, newest - 1, 9, committed_only=False)
    assert [row.body for row in told] == [here.notice(2, "a")]
    return store, here


def taken_up(store: Store, path: Path, here: Rows) -> None:
    """After the trouble: everything that waited is in the file."""
    store.tick(600_000)
    assert store.failing is None
    store.close()
    with StoreReader.open(path) as reader:
        assert here.reading(1) in list(reader.all_readings())
        assert here.transition(2) in reader.transitions()
        assert "a" in [notice.key for notice in reader.notices()]


class TestTold:
    def test_once_by_the_alarm_and_not_in_the_log_as_well(
        self, path: Path, caplog: pytest.LogCaptureFixture
    ) -> None:
        path.mkdir()
        with Store.open(path, watch_anyway=True) as store:
            path.rmdir()
            store.tick(600_000)
            assert store.failing is None
        assert caplog.records == []


class TestWatchesAnyway:
    def test_beside_a_store_of_a_later_version(self, path: Path, rows: Rows) -> None:
        with Store.open(path) as store:
            store.begin_epoch("boot", Moment(0, NOON), True)
            store.put([rows.reading(n) for n in range(100)])
            store.sinks.move_cursor("history", Stream.READINGS, 90)
        newest = sqlite3.connect(path)
        (version,) = newest.execute("PRAGMA user_version").fetchone()
        newest.execute("PRAGMA user_version = 9999")
        newest.close()
        store, here = watching(path, rows)
        assert store.failing is not None
        assert "version 9999" in store.failing.what
        assert "Install the version that wrote it" in store.failing.do
        store.sinks.move_cursor("history", Stream.READINGS, 0)
        older = sqlite3.connect(path)
        older.execute(f"PRAGMA user_version = {version}")
        older.close()
        store.tick(600_000)
        # Nothing that was in it is overwritten, and what it had been sent is not sent again.
        assert store.sinks.cursor("history", Stream.READINGS) == 90
        taken_up(store, path, here)
        with StoreReader.open(path) as reader:
            assert len(list(reader.all_readings())) == 101

    def test_without_a_folder(self, tmp_path: Path, rows: Rows) -> None:
        path = tmp_path / "disk" / "tank.db"
        store, here = watching(path, rows)
        assert store.failing is not None
        assert "is not there" in store.failing.what
        assert "Mount the disk" in store.failing.do
        path.parent.mkdir()
        taken_up(store, path, here)

    def test_where_the_path_is_a_folder(self, path: Path, rows: Rows) -> None:
        path.mkdir()
        store, here = watching(path, rows)
        assert store.failing is not None
        assert "is a directory" in store.failing.what
        path.rmdir()
        taken_up(store, path, here)

    def test_beside_the_database_of_another_program(self, path: Path, rows: Rows) -> None:
        db = sqlite3.connect(path)
        db.execute("CREATE TABLE photo (id)")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID + 1}")
        db.close()
        before = path.read_bytes()
        store, here = watching(path, rows)
        assert store.failing is not None
        assert "another program" in store.failing.what
        assert path.read_bytes() == before
        path.unlink()
        taken_up(store, path, here)

    def test_a_disk_that_is_plugged_in_later_keeps_what_it_has(
        self, tmp_path: Path, rows: Rows
    ) -> None:
        disk, path = tmp_path / "elsewhere", tmp_path / "disk" / "tank.db"
        disk.mkdir()
        with Store.open(disk / "tank.db") as store:
            store.begin_epoch("boot", Moment(0, NOON), True)
            store.put([rows.reading(n + 5, float(n)) for n in range(100)])
        store, here = watching(path, rows)
        disk.rename(path.parent)
        taken_up(store, path, here)
        with StoreReader.open(path) as reader:
            assert len(list(reader.all_readings())) == 101

    def test_a_second_writer_is_refused_all_the_same(self, path: Path) -> None:
        with Store.open(path), pytest.raises(StoreBusy, match="is being written by process"):
            Store.open(path, watch_anyway=True)


class TestReasons:
    def test_another_program_that_holds_it(self, path: Path, rows: Rows) -> None:
        with Store.open(path) as store, holding(path) as other:
            store.begin_epoch("boot", Moment(0, NOON), True)
            assert store.failing is not None
            assert f"(process {other.pid}) has been holding" in store.failing.what
            assert "Close whatever has the file open" in store.failing.do
            other.communicate("\n", timeout=60)
            store.tick(60_000)
            assert store.failing is None

    def test_a_full_disk_and_a_read_only_one(self, small_disk: SmallDisk, rows: Rows) -> None:
        path = small_disk.root / "tank.db"
        store = Store.open(path)
        store.begin_epoch("boot", rows.at(0), True)
        small_disk.fill()
        while store.failing is None:
            store.put([rows.reading(n, float(n)) for n in range(500)])
            store.commit()
        assert "is full" in store.failing.what
        small_disk.empty()
        store.tick(60_000)
        assert store.failing is None
        store.close()
        small_disk.remount("ro")
        store = Store.open(path)
        assert store.failing is not None
        assert "read-only" in store.failing.what
        assert "dmesg" in store.failing.do
        small_disk.remount("rw")
        store.close()

    def test_a_folder_that_goes_while_it_runs(self, tmp_path: Path, rows: Rows) -> None:
        path = tmp_path / "disk" / "tank.db"
        path.parent.mkdir()
        store = Store.open(path)
        store.begin_epoch("boot", rows.at(0), True)
        store.put([rows.reading(n, float(n)) for n in range(300)])
        store.commit()
        path.parent.rename(tmp_path / "unplugged")
        for at in range(1000, 61_000, 1000):
            store.tick(at)
        assert store.failing is not None
        assert f"folder {path.parent} of the store is not there" in store.failing.what
        store.put([rows.reading(300, 300.0)])
        (tmp_path / "unplugged").rename(path.parent)
        store.tick(600_000)
        assert store.failing is None
        store.close()
        with StoreReader.open(path) as reader:
            assert [r.value for r in reader.all_readings()] == list(map(float, range(301)))


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root to become somebody else")
class TestOtherUsers:
    @pytest.fixture
    def folder(self) -> Iterator[Path]:
        """One that others can get to."""
        with tempfile.TemporaryDirectory() as made:
            Path(made).chmod(0o755)
            yield Path(made)

    WATCHES = (
        "from stillwell.reading import Moment\n"
        "s = Store.open(sys.argv[1], watch_anyway=True)\n"
        "s.begin_epoch('boot', Moment(0, 1767268800000), True)\n"
        "print(json.dumps(s.failing), flush=True)\nsys.stdin.readline()\ns.tick(600000)\n"
        "print(json.dumps(s.failing), flush=True)\n"
        "s.close()"
    )

    def test_a_folder_that_may_not_be_written_until_it_may(self, folder: Path) -> None:
        with as_nobody(self.WATCHES, folder / "tank.db") as daemon:
            assert daemon.stdout is not None
            assert daemon.stdin is not None
            what, do = json.loads(daemon.stdout.readline())
            assert f"This user may not write {folder}" in what
            assert "Only root may" in do
            # A second one would not watch beside it.
            second = as_nobody("Store.open(sys.argv[1])", folder / "tank.db")
            assert "is being written by" in second.communicate("\n", timeout=60)[1]
            os.chown(folder, 65534, 65534)
            daemon.stdin.write("\n")
            daemon.stdin.flush()
            assert json.loads(daemon.stdout.readline()) is None
        assert (folder / "tank.db").exists()

    def test_an_outsider_is_told_of_the_group(self, folder: Path) -> None:
        path = folder / "tank.db"
        Store.open(path).close()
        os.chown(path, 0, 100)
        path.chmod(0o660)
        asks = "print(Store.open(sys.argv[1]).trouble)"
        said = as_nobody(asks, path).communicate("", timeout=60)[0]
        assert "sudo adduser nobody users" in said
        assert "chown" not in said


AS_NOBODY = (
    "import json, os, sys\nfrom stillwell.store import Store\n"
    "from stillwell.store.migrate import migrations\nmigrations()\n"
    "os.setgroups([]), os.setgid(65534), os.setuid(65534)\n"
)


def as_nobody(code: str, path: Path) -> subprocess.Popen[str]:
    """A process that becomes the user nobody once it has imported the store."""
    return subprocess.Popen(
        [sys.executable, "-c", AS_NOBODY + code, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def holding(path: Path) -> subprocess.Popen[str]:
    """A process that has begun a transaction."""
    other = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, sqlite3\ndb = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
            "db.execute('BEGIN IMMEDIATE'); print('held', flush=True); sys.stdin.readline()",
            str(path),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert other.stdout is not None
    assert other.stdout.readline() == "held\n"
    return other


class TestTheLock:
    def test_stays_when_the_store_is_deleted(self, path: Path, rows: Rows) -> None:
        with Store.open(path) as store:
            for file in path.parent.glob("tank.db*"):
                file.unlink()
            assert is_held(path)
            made = subprocess.run(
                [sys.executable, "-c", WRITES, str(path)],
                input="\n",
                capture_output=True,
                text=True,
                timeout=60,
            )
            assert "StoreBusy" in made.stderr
            assert f"process {os.getpid()}" in made.stderr
            store.tick(40_000)
            assert path.exists()

    def test_is_taken_anew_when_it_is_deleted_itself(self, path: Path, rows: Rows) -> None:
        with Store.open(path) as store:
            lock_path(path).unlink()
            assert not is_held(path)
            store.tick(40_000)
            assert is_held(path)

    def test_of_two_that_run_after_all_one_stops_writing_and_says_so(
        self, path: Path, rows: Rows
    ) -> None:
        store = Store.open(path)
        store.begin_epoch("boot", rows.at(0), True)
        for file in [*path.parent.glob("tank.db*"), lock_path(path)]:
            file.unlink()
        with subprocess.Popen(
            [sys.executable, "-c", WRITES, str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as second:
            assert second.stdout is not None
            assert second.stdout.readline() == "open\n"
            store.tick(40_000)
            assert store.failing is not None
            assert f"is being written by process {second.pid}" in store.failing.what
            second.communicate("\n", timeout=60)
        store.tick(600_000)
        assert store.failing is None
        store.close()

    def test_two_stores_in_one_folder_do_not_mind_each_other(self, path: Path) -> None:
        with Store.open(path), Store.open(path.with_name("other.db")) as other:
            assert other.trouble is None
