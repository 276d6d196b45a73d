"""A file at the store's path that is no store of ours is refused and left exactly as it is; one
that was ours and is damaged is rescued, by whatever is left of it."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

import damaged_store as damage
from command_line import call, tank
from stillwell.entry import Entry
from stillwell.store import Store, StoreDamaged, StoreForeign, StoreReader, note
from stillwell.store.before import give_back
from stillwell.store.lock import lock_path

LETTER = b"Dear Niamh,\n\nthe anemone has moved again.\n" * 300


def letter(path: Path) -> None:
    path.write_bytes(LETTER)


def short_letter(path: Path) -> None:
    path.write_bytes(b"hello")


def zeros(path: Path) -> None:
    path.write_bytes(b"\0" * 8192)


def photos(path: Path) -> None:
    _photos(path, mark=7)


def photos_without_a_mark(path: Path) -> None:
    _photos(path, mark=0)


def empty_database_with_a_mark(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA application_id = 7")


def photos_in_a_log(path: Path) -> None:
    """All of it in the log, as a killed program leaves it; pages of another size than ours."""
    made = path.with_name("made.db")
    db = sqlite3.connect(made)
    db.execute("PRAGMA page_size = 1024")
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("CREATE TABLE photo (id INTEGER PRIMARY KEY, name)")
    for suffix in ("", "-wal"):
        shutil.copy(f"{made}{suffix}", f"{path}{suffix}")
    db.close()
    made.unlink()


def damaged_photos(path: Path) -> None:
    """Rows that look like those of our small tables, behind a header that is gone."""
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE a (id INTEGER PRIMARY KEY, x TEXT, y TEXT, z TEXT)")
        db.execute("CREATE TABLE b (x TEXT, y TEXT, PRIMARY KEY (x, y)) WITHOUT ROWID")
        db.execute("CREATE INDEX c ON a (x, y)")
        for n in range(2000):
            db.execute("INSERT INTO a VALUES (?, 'p', 'q', 'r')", (n,))
            db.execute("INSERT INTO b VALUES (?, 'q')", (f"{n}",))
    damage.spoil(path, [1])


def _photos(path: Path, mark: int) -> None:
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("CREATE TABLE photo (id INTEGER PRIMARY KEY, name)")
        db.execute(f"PRAGMA application_id = {mark}")
    db.close()


FOREIGN = (
    letter,
    short_letter,
    zeros,
    photos,
    photos_without_a_mark,
    empty_database_with_a_mark,
    photos_in_a_log,
    damaged_photos,
)


def look(folder: Path) -> dict[str, tuple[bytes, int, int]]:
    return {
        file.name: (file.read_bytes(), file.stat().st_mtime_ns, file.stat().st_mode)
        for file in folder.iterdir()
    }


@pytest.mark.parametrize("made", FOREIGN)
class TestSomebodysFile:
    def test_is_left_as_it_is_by_every_part_that_opens_a_store(
        self, tmp_path: Path, made: Callable[[Path], None]
    ) -> None:
        path = tmp_path / "tank.db"
        made(path)
        path.chmod(0o600)
        before = look(tmp_path)
        for use in (
            Store.open,
            StoreReader.open,
            give_back,
            lambda path: note(path, Entry("pour", 0, 1.0, "L", "")),
        ):
            with pytest.raises(StoreForeign, match="left as it is"):
                use(path)
            assert look(tmp_path) == before
        # The daemon watches all the same, and takes the path when it is free.
        store = Store.open(path, watch_anyway=True)
        assert "left as it is" in (store.trouble or "")
        for t in (1000, 5000, 20_000):
            store.tick(t)
        assert look(tmp_path) == before
        for file in tmp_path.iterdir():
            file.unlink()
        store.tick(200_000)
        assert store.trouble is None
        store.close()


class TestCommands:
    @pytest.mark.parametrize(
        "command",
        [
            ("today",),
            ("review",),
            ("alarms",),
            ("note", "pour", "1 L"),
            ("note", "--list"),
            ("ack", "water.low"),
            ("shelve", "water.low", "--for", "1 h"),
            ("sinks",),
            ("export", "-o", "-"),
            ("heater",),
            ("book",),
            ("check", "--no-notice"),
        ],
        ids=" ".join,
    )
    def test_refuse_it_and_leave_it(self, tmp_path: Path, command: tuple[str, ...]) -> None:
        folder = tmp_path / "kept"
        folder.mkdir()
        config = tank(tmp_path)
        letter(folder / "letter.txt")
        before = look(folder)
        done = call(command[0], "-c", config, "-s", folder / "letter.txt", *command[1:])
        assert done.exit_code in (1, 2), done.output
        assert "is not a store of stillwell" in done.output
        assert look(folder) == before


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("lived") / "lived.db"
    damage.live(path, readings=3000)
    return path


@pytest.fixture
def copied(lived: Path, tmp_path: Path) -> Path:
    """The file alone, without a lock beside it."""
    return Path(shutil.copy(lived, tmp_path / "tank.db"))


def spoilt(path: Path, size: int) -> None:
    with path.open("r+b") as file:
        file.write(os.urandom(size))


class TestOurs:
    @pytest.mark.parametrize("size", [16, 512, 4096, 40 * 4096])
    def test_is_known_by_its_pages_when_its_beginning_is_gone(
        self, copied: Path, size: int
    ) -> None:
        spoilt(copied, size)
        with Store.open(copied) as store:
            assert store.trouble is None
            assert copied.with_name(store.disk.rescues[0].source).exists()
            damage.bring_over(store)
        with StoreReader.open(copied) as reader:
            assert len(reader.journal()) > 100

    def test_is_known_by_the_lock_beside_it_when_nothing_is_left(self, copied: Path) -> None:
        Store.open(copied).close()
        assert lock_path(copied).exists()
        copied.write_bytes(b"\0" * copied.stat().st_size)
        with Store.open(copied) as store:
            assert store.trouble is None
            assert store.disk.rescues

    @pytest.mark.parametrize("left", [0, 4096], ids=["emptied", "spoilt"])
    def test_is_known_by_its_log(self, tmp_path: Path, left: int) -> None:
        made, path = tmp_path / "made.db", tmp_path / "tank.db"
        store = Store.open(made)
        store.put_journal(Entry("pour", 1, 1.0, "L", "in the log alone"))
        shutil.copy(f"{made}-wal", f"{path}-wal")
        store.close()
        path.write_bytes(os.urandom(left))
        log = Path(f"{path}-wal").read_bytes()
        if not left:
            with pytest.raises(StoreDamaged, match="emptied"):
                StoreReader.open(path)
            assert Path(f"{path}-wal").read_bytes() == log
        with Store.open(path) as store:
            damage.bring_over(store)
        with StoreReader.open(path) as reader:
            assert [entry.text for entry in reader.journal()] == ["in the log alone"]

    def test_is_a_young_one_whose_tables_are_all_in_its_log(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        with Store.open(path) as store:
            store.put_journal(Entry("pour", 1, 1.0, "L", "young"))
            with StoreReader.open(path) as reader:
                assert len(reader.journal()) == 1

    def test_an_empty_file_is_taken(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        path.touch()
        with Store.open(path) as store:
            assert store.trouble is None
            assert not store.disk.rescues
