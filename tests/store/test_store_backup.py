"""The store's backup: whole whoever writes, whoever is killed; put back without losing what was
there."""

from __future__ import annotations

import contextlib
import os
import random
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from as_user import as_user, needs_root
from damaged_store import live
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store, StoreReader, copies
from stillwell.store.backup import backup, restore
from stillwell.store.errors import StoreBusy, StoreDamaged, StoreError, StoreTooNew
from stillwell.store.migrate import migrate, migrations, version

if TYPE_CHECKING:
    from tests.store.conftest import SmallDisk

WRITES = Path(__file__).with_name("keeps_writing.py")
NOON = 1_767_268_800_000


def goes_on(done: int, total: int) -> None:
    """Nobody looks how far it is."""


def fill(path: Path, readings: int = 3000) -> None:
    with Store.open(path) as store:
        epoch = store.begin_epoch("boot", Moment(0, NOON), True)
        store.put(
            [
                Reading("water-a", Moment(n, NOON + n, epoch), float(n), Flag.PASS)
                for n in range(readings)
            ]
        )


def count(path: Path) -> int:
    with contextlib.closing(copies.look(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return int(db.execute("SELECT count(*) FROM reading").fetchone()[0])


def names(folder: Path) -> set[str]:
    return {each.name for each in folder.iterdir() if not each.name.endswith(".lock")}


@pytest.fixture
def small_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(copies, "_PAGES_AT_ONCE", 8)


class Writer:
    """A process that commits to the store as fast as it can."""

    def __init__(self, path: Path) -> None:
        self._child = subprocess.Popen(
            [sys.executable, str(WRITES), str(path)], stdout=subprocess.PIPE, text=True
        )

    def commits(self, number: int) -> list[int]:
        """Waits for so many commits; returns the newest reading, transition and notice of the
        last."""
        assert self._child.stdout is not None
        lines = [self._child.stdout.readline() for _ in range(number)]
        return [int(newest) for newest in lines[-1].split()]

    def kill(self) -> None:
        self._child.kill()
        self._child.wait()


@pytest.fixture
def writer(path: Path) -> Iterator[Writer]:
    made = Writer(path)
    yield made
    made.kill()


@pytest.mark.usefixtures("small_steps")
class TestBesideAWriter:
    def test_is_whole_and_of_one_moment(self, path: Path, tmp_path: Path, writer: Writer) -> None:
        least = writer.commits(800)
        steps = 0

        def slowly(done: int, total: int) -> None:
            nonlocal steps
            steps += 1
            assert steps <= total, "each commit begins the copying anew"
            writer.commits(2)

        backup(path, tmp_path / "copy.db", force=False, on_the_way=slowly)
        assert steps > 3, "the writer has committed while it was copied"
        self.whole(tmp_path / "copy.db", least)

    def test_is_whole_where_the_writer_is_killed(
        self, path: Path, tmp_path: Path, writer: Writer
    ) -> None:
        least = writer.commits(400)
        backup(
            path,
            tmp_path / "copy.db",
            force=False,
            on_the_way=lambda done, total: writer.kill() if done > total / 2 else None,
        )
        self.whole(tmp_path / "copy.db", least)

    def whole(self, copy: Path, least: list[int]) -> None:
        with contextlib.closing(sqlite3.connect(copy)) as db:
            assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            rows = db.execute("SELECT seq, value FROM reading ORDER BY seq").fetchall()
            assert [row[0] for row in rows] == list(range(1, len(rows) + 1))
            assert all(seq == value for seq, value in rows)
            found = [
                db.execute(f"SELECT count(*), max(seq) FROM {table}").fetchone()
                for table in ("reading", "transition", "notice")
            ]
        assert all(number == newest for number, newest in found)
        assert all(number >= n for (number, _), n in zip(found, least, strict=True))
        assert found[1] == found[2], "a transition and its notice are one commit"


BACKS_UP = """
import sys
from pathlib import Path
from stillwell.store import copies
from stillwell.store.backup import backup, restore
copies._PAGES_AT_ONCE = 2
def told(done, total):
    print(total, flush=True)
    sys.stdin.readline()
store, file = map(Path, sys.argv[2:])
if sys.argv[1] == "backup":
    backup(store, file, force=True, on_the_way=told)
else:
    restore(store, file, on_the_way=told)
print("done", flush=True)
"""


def killed(deed: str, store: Path, file: Path, chance: random.Random) -> None:
    """A process that is killed at one of its steps, or somewhere after the last of them."""
    with subprocess.Popen(
        [sys.executable, "-c", BACKS_UP, deed, str(store), str(file)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        assert child.stdin is not None
        steps = -(-int(child.stdout.readline()) // 2)
        for step in range(1, chance.choice([chance.randrange(steps), steps]) + 1):
            child.stdin.write("\n")
            child.stdin.flush()
            if step < steps:
                child.stdout.readline()
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(chance.uniform(0, 0.05))
        child.kill()
        child.stdin = None


class TestKilled:
    def test_leaves_what_was_there_and_nothing_that_the_next_one_does_not_remove(
        self, path: Path, tmp_path: Path, long_run: bool
    ) -> None:
        chance = random.Random(20261128)
        target = tmp_path / "kept" / "copy.db"
        target.parent.mkdir()
        fill(path)
        for kill in range(60 if long_run else 5):
            killed("backup", path, target, chance)
            assert not target.exists() or count(target) == 3000, kill
        backup(path, target, force=True, on_the_way=goes_on)
        assert count(target) == 3000
        assert names(target.parent) == {target.name}

    def test_a_restore_leaves_the_one_store_or_the_other(
        self, path: Path, tmp_path: Path, long_run: bool
    ) -> None:
        chance = random.Random(20261129)
        saved = tmp_path / "saved.db"
        fill(saved, 3000)
        fill(path, 4000)
        now = path.read_bytes()
        found = set()
        for _ in range(100 if long_run else 8):
            for each in tmp_path.glob("tank.db*"):
                each.unlink()
            path.write_bytes(now)
            killed("restore", path, saved, chance)
            found.add(count(path))
        assert found <= {3000, 4000}
        restore(path, saved, on_the_way=goes_on)
        assert count(path) == 3000


class TestTarget:
    def test_an_earlier_one_stays_where_there_is_no_room(self, small_disk: SmallDisk) -> None:
        path, target = small_disk.root.parent / "tank.db", small_disk.root / "copy.db"
        fill(path)
        backup(path, target, force=False, on_the_way=goes_on)
        fill(path, 100_000)
        with pytest.raises(StoreError, match="Make room on it"):
            backup(path, target, force=True, on_the_way=goes_on)
        assert count(target) == 3000
        assert names(small_disk.root) == {"copy.db"}

    def test_a_disk_that_fills_on_the_way_is_told(self, small_disk: SmallDisk) -> None:
        path, target = small_disk.root.parent / "tank.db", small_disk.root / "copy.db"
        fill(path)
        with pytest.raises(StoreError, match="is full"):
            backup(path, target, force=False, on_the_way=lambda done, total: small_disk.fill())
        assert names(small_disk.root) == {"ballast"}

    def test_a_disk_for_reading_is_told(self, small_disk: SmallDisk) -> None:
        path = small_disk.root.parent / "tank.db"
        fill(path)
        small_disk.remount("ro")
        with pytest.raises(StoreError, match="takes no writes"):
            backup(path, small_disk.root / "copy.db", force=False, on_the_way=goes_on)

    def test_has_one_writer(self, path: Path, tmp_path: Path) -> None:
        fill(path)
        target = tmp_path / "copy.db"

        def again(done: int, total: int) -> None:
            with pytest.raises(StoreBusy, match=r"just writing .*copy\.db\.part"):
                backup(path, target, force=True, on_the_way=goes_on)

        backup(path, target, force=False, on_the_way=again)
        assert count(target) == 3000

    def test_of_a_damaged_store_an_earlier_one_stays(self, path: Path, tmp_path: Path) -> None:
        target = tmp_path / "copy.db"
        live(path)
        backup(path, target, force=False, on_the_way=goes_on)
        good = target.read_bytes()
        with path.open("r+b") as file:
            file.seek(40 * 4096)
            file.write(os.urandom(60 * 4096))
        with pytest.raises(StoreDamaged, match="no backup was made"):
            backup(path, target, force=True, on_the_way=goes_on)
        assert target.read_bytes() == good

    @needs_root
    def test_whoever_may_read_the_store_may_read_it(self, path: Path, tmp_path: Path) -> None:
        fill(path)
        os.chown(path, 8, 8)
        path.chmod(0o640)
        backup(path, tmp_path / "copy.db", force=False, on_the_way=goes_on)
        found = (tmp_path / "copy.db").stat()
        assert (found.st_uid, found.st_gid, stat.S_IMODE(found.st_mode)) == (8, 8, 0o640)


class TestRestore:
    @pytest.fixture
    def saved(self, path: Path, tmp_path: Path) -> Path:
        """A backup; the store has gone on since."""
        saved = tmp_path / "elsewhere" / "saved.db"
        saved.parent.mkdir()
        fill(path)
        backup(path, saved, force=False, on_the_way=goes_on)
        fill(path, 500)
        return saved

    def test_the_store_is_as_it_was_and_the_other_is_kept(self, path: Path, saved: Path) -> None:
        path.chmod(0o660)
        found, aside = restore(path, saved, on_the_way=goes_on)
        assert aside is not None
        assert (count(path), count(aside), count(saved)) == (3000, 3500, 3000)
        assert found.newest_ms == NOON + 2999
        assert stat.S_IMODE(path.stat().st_mode) == 0o660
        assert names(path.parent) == {path.name, aside.name, "elsewhere"}
        assert names(saved.parent) == {saved.name}
        fill(path, 10)
        assert count(path) == 3010, "it goes on from there"

    def test_rows_that_are_in_the_log_only_are_kept_with_the_other(
        self, path: Path, saved: Path
    ) -> None:
        writer = Writer(path)
        least = writer.commits(30)[0]
        writer.kill()
        _, aside = restore(path, saved, on_the_way=goes_on)
        assert aside is not None
        assert (count(path), count(aside) >= least) == (3000, True)

    def test_where_there_is_no_store_there_is_one_for_whoever_has_the_folder(
        self, path: Path, saved: Path, tmp_path: Path
    ) -> None:
        new = tmp_path / "new"
        new.mkdir()
        new.chmod(0o770)
        assert restore(new / "tank.db", saved, on_the_way=goes_on)[1] is None
        assert count(new / "tank.db") == 3000
        assert stat.S_IMODE((new / "tank.db").stat().st_mode) == 0o660

    def test_is_refused_while_somebody_writes_or_reads(self, path: Path, saved: Path) -> None:
        writer = Writer(path)
        writer.commits(1)
        with pytest.raises(StoreBusy, match="systemctl stop stillwell"):
            restore(path, saved, on_the_way=goes_on)
        writer.kill()
        with StoreReader.open(path), pytest.raises(StoreError, match="has the file open"):
            restore(path, saved, on_the_way=goes_on)
        assert not list(path.parent.glob("tank.db.*"))

    def test_a_damaged_backup_is_refused(self, path: Path, saved: Path) -> None:
        with saved.open("r+b") as file:
            file.seek(-2 * 4096, os.SEEK_END)
            file.write(os.urandom(4096))
        with pytest.raises(StoreDamaged, match="was not used"):
            restore(path, saved, on_the_way=goes_on)
        assert count(path) == 3500

    def test_a_damaged_store_is_kept_with_its_log(self, path: Path, saved: Path) -> None:
        writer = Writer(path)
        writer.commits(30)
        writer.kill()
        log = b"rust" * 4000
        path.with_name("tank.db-wal").write_bytes(log)
        path.write_bytes(spoilt := b"rust" * 5000)
        _, aside = restore(path, saved, on_the_way=goes_on)
        assert aside is not None
        assert aside.read_bytes() == spoilt
        assert aside.with_name(aside.name + "-wal").read_bytes() == log
        assert count(path) == 3000

    def test_a_rescue_that_was_cut_off_does_not_take_its_place(
        self, path: Path, saved: Path, tmp_path: Path
    ) -> None:
        # The new file of a rescue is whole, and the two were not yet renamed.
        with Store.open(tmp_path / "tank.db.new") as store:
            store.describe(
                "rescue",
                '[{"cause": "damaged", "at_ms": 1, "source": "tank.db.damaged-1", "gaps": []}]',
            )
        restore(path, saved, on_the_way=goes_on)
        fill(path, 1)
        assert count(path) == 3001

    def test_an_older_layout_is_brought_up_to_date_by_the_next_start(
        self, path: Path, tmp_path: Path
    ) -> None:
        old = tmp_path / "old.db"
        with contextlib.closing(sqlite3.connect(old, isolation_level=None)) as db:
            migrate(db, "old", migrations()[:-1])
        found, _ = restore(path, old, on_the_way=goes_on)
        assert found.schema == len(migrations()) - 1
        Store.open(path).close()
        with contextlib.closing(copies.look(path)) as db:
            assert version(db) == len(migrations())

    def test_what_a_later_program_wrote_is_refused(self, path: Path, saved: Path) -> None:
        with contextlib.closing(sqlite3.connect(saved, isolation_level=None)) as db:
            db.execute("PRAGMA user_version = 9999")
        with pytest.raises(StoreTooNew):
            restore(path, saved, on_the_way=goes_on)

    @pytest.mark.parametrize("place", ["tank.db", "elsewhere/saved.db"])
    def test_a_database_of_another_program_is_neither_used_nor_moved(
        self, path: Path, saved: Path, tmp_path: Path, place: str
    ) -> None:
        theirs = tmp_path / place
        for each in theirs.parent.glob(theirs.name + "*"):
            each.unlink()
        with contextlib.closing(sqlite3.connect(theirs, isolation_level=None)) as db:
            db.execute("CREATE TABLE recipe (x)")
        before = theirs.read_bytes()
        with pytest.raises(StoreError, match="another program"):
            restore(path, saved, on_the_way=goes_on)
        assert theirs.read_bytes() == before

    @needs_root
    def test_by_a_member_of_the_group_it_stays_the_groups(
        self, path: Path, saved: Path, tmp_path: Path
    ) -> None:
        for folder in (saved.parent, tmp_path, *tmp_path.parents[:-2]):
            folder.chmod(0o2777)
        saved.chmod(0o644)
        for each in (path, tmp_path / ".tank.db.lock"):
            os.chown(each, 8, 8)
            each.chmod(0o660)
        said = as_user(
            "games", lambda: restore(path, saved, on_the_way=goes_on)[1] is not None, also=["mail"]
        )
        assert said == "True"
        found = path.stat()
        assert (found.st_gid, stat.S_IMODE(found.st_mode)) == (8, 0o660)
