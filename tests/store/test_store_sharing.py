"""Who may use the files of a store: real users, in the group of its folder and outside of it. The
service's part is played by the user mail, which every Debian has, as games and news."""

from __future__ import annotations

import contextlib
import os
import pwd
import sqlite3
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from as_user import as_user, needs_root
from stillwell.entry import Entry
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store, note, sharing

SERVICE, MEMBER, OUTSIDER = "mail", "games", "news"
GROUP = pwd.getpwnam(SERVICE).pw_gid


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """As deploy/systemd/stillwell.tmpfiles makes it."""
    for parent in (tmp_path, *tmp_path.parents[:-2]):
        parent.chmod(0o755)
    made = tmp_path / "state"
    made.mkdir()
    os.chown(made, GROUP, GROUP)
    made.chmod(0o2770)
    # Imports now what opening a store imports: the interpreter may lie where others can't read.
    Store.open(tmp_path / "first.db").close()
    return made


def write_one(path: Path) -> str:
    """A run of the daemon that is cut off: its log and its index stay."""
    store = Store.open(path)
    store.begin_epoch("boot", Moment(0, 1_000, 0), True)
    store.put([Reading("water-a", Moment(5, 1_005, 1), 25.0, Flag.PASS, "", "")])
    store.commit()
    return "no trouble" if store.trouble is None else store.trouble


def jot(path: Path) -> str:
    return f"entry {note(path, Entry('fed', 1_000))}"


def modes(folder: Path) -> dict[str, tuple[str, int]]:
    return {
        file.name: (oct(stat.S_IMODE(file.stat().st_mode)), file.stat().st_gid)
        for file in folder.iterdir()
    }


@needs_root
class TestAMemberOfTheGroup:
    @pytest.mark.parametrize("first", [SERVICE, MEMBER, "root"])
    def test_and_the_service_and_root_write_whoever_was_first(
        self, folder: Path, first: str
    ) -> None:
        path = folder / "tank.db"
        assert as_user(first, lambda: write_one(path), also=[SERVICE]) == "no trouble"
        assert set(modes(folder).values()) == {("0o660", GROUP)}
        assert set(modes(folder)) >= {"tank.db", "tank.db-wal", "tank.db-shm", ".tank.db.lock"}
        for number, user in enumerate((MEMBER, "root", SERVICE), start=1):
            assert as_user(user, lambda: jot(path), also=[SERVICE]) == f"entry {number}"
        for user in (SERVICE, MEMBER, "root"):
            assert as_user(user, lambda: write_one(path), also=[SERVICE]) == "no trouble"
        assert set(modes(folder).values()) == {("0o660", GROUP)}

    def test_may_write_what_an_earlier_version_left(self, folder: Path) -> None:
        path = folder / "tank.db"
        as_user(SERVICE, lambda: write_one(path))
        for file in folder.iterdir():
            file.chmod(0o640)
        assert "systemctl restart stillwell" in as_user(MEMBER, lambda: jot(path), also=[SERVICE])
        assert as_user(SERVICE, lambda: write_one(path)) == "no trouble"
        assert as_user(MEMBER, lambda: jot(path), also=[SERVICE]) == "entry 1"

    def test_may_write_what_was_rescued(self, folder: Path) -> None:
        path = folder / "tank.db"
        as_user(SERVICE, lambda: write_one(path))
        path.write_bytes(b"not a database" * 500)
        os.chown(path, GROUP, GROUP)
        assert as_user(SERVICE, lambda: write_one(path)) == "no trouble"
        assert as_user(MEMBER, lambda: jot(path), also=[SERVICE]) == "entry 1"

    def test_an_outsider_is_told_how_to_become_one(self, folder: Path) -> None:
        path = folder / "tank.db"
        as_user(SERVICE, lambda: write_one(path))
        folder.chmod(0o2775)
        path.chmod(0o660)
        said = as_user(OUTSIDER, lambda: jot(path))
        assert "sudo adduser news mail, then log in again" in said
        assert "chmod" not in said


@needs_root
class TestRoot:
    def test_hands_its_files_to_whoever_has_the_folder(self, folder: Path) -> None:
        path = folder / "tank.db"
        write_one_as_root = as_user("root", lambda: write_one(path))
        assert write_one_as_root == "no trouble"
        assert {file.stat().st_uid for file in folder.iterdir()} == {GROUP}

    def test_is_not_led_to_a_file_elsewhere(self, folder: Path, tmp_path: Path) -> None:
        elsewhere = tmp_path / "passwd"
        elsewhere.touch(mode=0o600)
        (folder / "tank.db-shm").symlink_to(elsewhere)
        sharing.make_shared(folder / "tank.db")
        found = elsewhere.stat()
        assert (found.st_uid, stat.S_IMODE(found.st_mode)) == (0, 0o600)

    def test_its_copy_of_a_store_is_told_with_what_to_do(self, folder: Path) -> None:
        path = folder / "tank.db"
        path.touch(mode=0o600)
        said = as_user(SERVICE, lambda: write_one(path))
        assert f"sudo chmod g+rw {path}" in said


class TestModes:
    @pytest.mark.parametrize(
        ("of_folder", "of_file"),
        [(0o700, 0o600), (0o755, 0o644), (0o770, 0o660), (0o1777, 0o664)],
    )
    def test_are_the_folders(self, tmp_path: Path, of_folder: int, of_file: int) -> None:
        folder = tmp_path / "kept"
        folder.mkdir()
        folder.chmod(of_folder)
        with Store.open(folder / "tank.db"):
            found = {stat.S_IMODE(file.stat().st_mode) for file in folder.iterdir()}
        assert found == {of_file}

    def test_nothing_is_taken_from_anybody(self, tmp_path: Path) -> None:
        tmp_path.chmod(0o700)
        path = tmp_path / "tank.db"
        path.touch()
        path.chmod(0o644)
        sharing.make_shared(path)
        assert stat.S_IMODE(path.stat().st_mode) == 0o644

    def test_to_look_at_them_ends_no_lock_that_sqlite_has(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
            db.execute("CREATE TABLE t (x)")
            db.execute("BEGIN EXCLUSIVE")
            sharing.make_shared(path)
            other = (
                "import sqlite3, sys; db = sqlite3.connect(sys.argv[1], timeout=0)\n"
                "db.execute('BEGIN EXCLUSIVE')"
            )
            done = subprocess.run(
                [sys.executable, "-c", other, path], capture_output=True, text=True
            )
        assert "database is locked" in done.stderr
