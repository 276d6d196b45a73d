"""The schema grows by numbered files; every earlier version is brought up to date."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import zipfile
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from stillwell.ports import Stream
from stillwell.store import Store, StoreReader
from stillwell.store.errors import StoreTooNew
from stillwell.store.migrate import Migration, migrate, migrations, renew_rows, version

if TYPE_CHECKING:
    from tests.store.conftest import Rows

ROOT = Path(__file__).parents[2]
OLD_ENTRIES: list[tuple[Any, ...]] = [
    ("pour", 540.0, "mL to mark", "", "mL", "", True, None),
    ("pour", None, "to mark", "", "", "", True, None),
    ("pour", None, "", "", "", "", True, None),
    ("pour", 540.0, "mL", "to mark", "mL", "to mark", False, None),
    ("salt-pour", 1e3, "mL at 35 ppt to mark", "", "mL at 35 ppt", "", True, None),
    ("water-change", 1e4, "mL", "took 25 min; the; hose", "mL", "the; hose", False, 1500.0),
    ("water-change", 1e4, "mL", "took 1.5 h", "mL", "", False, 5400.0),
    ("water-change", 1e4, "mL", "took 1 h 30 min", "mL", "", False, 5400.0),
    ("water-change", 1e4, "mL", "took 90s;", "mL", "", False, 90.0),
    ("water-change", 1e4, "mL", "took 2 Hours", "mL", "", False, 7200.0),
    ("water-change", 1e4, "mL", "took 3 d", "mL", "took 3 d", False, None),
    ("water-change", 1e4, "mL", "took 0 min", "mL", "took 0 min", False, None),
    ("water-change", 1e4, "mL", "took 2 h of it", "mL", "took 2 h of it", False, None),
    ("water-change", 1e4, "mL", "took ages; sorry", "mL", "took ages; sorry", False, None),
    ("note", None, "", "it took 25 min", "", "it took 25 min", False, None),
]
"""Kind, value, unit and text of before; unit, text, mark and duration of now."""


def connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, isolation_level=None)


def schema(db: sqlite3.Connection) -> list[tuple[str, str]]:
    return db.execute("SELECT name, sql FROM sqlite_schema ORDER BY name").fetchall()


class TestMigrate:
    @pytest.mark.parametrize("start", range(len(migrations()) + 1))
    def test_every_earlier_version_comes_to_the_same_schema(
        self, tmp_path: Path, start: int
    ) -> None:
        fresh = connect(tmp_path / "fresh.db")
        migrate(fresh, "fresh")
        old = connect(tmp_path / "tank.db")
        migrate(old, "old", migrations()[:start])
        assert version(old) == start
        old.close()
        with Store.open(tmp_path / "tank.db") as store:
            assert store.trouble is None
            assert store.disk.rescues == ()
        old = connect(tmp_path / "tank.db")
        assert version(old) == len(migrations())
        assert schema(old) == schema(fresh)
        marks = [db.execute("PRAGMA application_id").fetchone() for db in (old, fresh)]
        assert marks[0] == marks[1] != (0,)
        old.close()
        fresh.close()

    def test_readings_of_before_are_read_all_the_same(self, tmp_path: Path, rows: Rows) -> None:
        path = tmp_path / "tank.db"
        old = connect(path)
        migrate(old, "old", migrations()[:3])
        old.execute("INSERT INTO epoch VALUES (1, 'boot', ?, 1, 0)", (rows.offset_ms,))
        old.execute("INSERT INTO channel (id, name) VALUES (1, 'water-a')")
        old.execute("INSERT INTO reading VALUES (1, 1, 1, 1000, 25.3, 1, NULL, NULL)")
        old.close()
        with Store.open(path) as store:
            assert [r.body for r in store.tail.rows(Stream.READINGS, 0, 9)] == [rows.reading(1000)]
        with StoreReader.open(path) as reader:
            assert list(reader.all_readings()) == [rows.reading(1000)]

    def test_what_the_journal_s_rows_said_in_words_is_in_columns(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        old = connect(path)
        migrate(old, "old", migrations()[:4])
        for number, (kind, value, unit, text, *_) in enumerate(OLD_ENTRIES, 1):
            old.execute(
                "INSERT INTO journal VALUES (?, ?, 5, 5, ?, ?, ?, ?, '', NULL)",
                (number, f"k{number}", kind, value, unit, text),
            )
        old.close()
        Store.open(path).close()
        with StoreReader.open(path) as reader:
            found = reader.journal()
        assert [(e.unit, e.text, e.to_mark, e.lasted_s) for e in found] == [
            tuple(row[4:]) for row in OLD_ENTRIES
        ]
        with closing(connect(path)) as db:
            renew_rows(db)
        with StoreReader.open(path) as reader:
            assert reader.journal() == found

    def test_alarms_that_have_another_name_now_are_found_under_it(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        old = connect(path)
        migrate(old, "old", migrations()[:6])
        old.execute("INSERT INTO epoch VALUES (1, 'boot', 1780000000000, 1, 0)")
        for seq, name in enumerate(("heater.without-end", "heater.short-of-power"), 1):
            old.execute(
                "INSERT INTO transition VALUES (?, ?, 1, 1000, 'normal', 'unacknowledged', 'raise',"
                " 'high', 1, 'What.', '', '', '', 1000, 1, 1780000001000, '', 0, NULL)",
                (seq, name),
            )
            old.execute("INSERT INTO alarm VALUES (?, ?)", (name, seq))
            old.execute(
                "INSERT INTO notice VALUES (?, ?, ?, 'raised', 'high', 1, 1000, 'T', 'X',"
                " NULL, NULL, NULL)",
                (seq, f"{name}:raised:high:1:1000", name),
            )
        old.execute(
            "INSERT INTO request VALUES (1, 5, 'shelve', 'heater.without-end', '', 60, '', 1,"
            " 'Yes.', '[\"heater.without-end\", \"heater.short-of-power\"]', '')"
        )
        kept = '{"standing": {"heater.without-end": 5.0, "water.high": 1.0}}'
        old.execute("INSERT INTO meta VALUES ('observer:heater', ?)", (kept,))
        old.close()
        names = ["heater.stuck-on", "heater.too-weak"]
        with Store.open(path) as store:
            assert [t.alarm for t in store.latest_transitions()] == names
            assert store.kept.has_notice("heater.too-weak:raised:high:1:1000")
            assert store.kept.described("observer:heater") == kept.replace(
                "heater.without-end", "heater.stuck-on"
            )
        with StoreReader.open(path) as reader:
            assert [t.alarm for t in reader.transitions()] == names
            assert [n.subject for n in reader.notices()] == names
        with closing(connect(path)) as db:
            asked = db.execute("SELECT subject, alarms FROM request").fetchone()
            assert asked == ("heater.stuck-on", '["heater.stuck-on", "heater.too-weak"]')

    def test_a_step_that_fails_leaves_the_one_before(self, tmp_path: Path) -> None:
        steps = [
            Migration(1, "first", "CREATE TABLE a (x); INSERT INTO a VALUES (1);"),
            Migration(2, "second", "INSERT INTO a VALUES (2); INSERT INTO nowhere VALUES (1);"),
        ]
        db = connect(tmp_path / "t.db")
        with pytest.raises(sqlite3.OperationalError, match="nowhere"):
            migrate(db, "t", steps)
        assert version(db) == 1
        assert db.execute("SELECT x FROM a").fetchall() == [(1,)]
        steps[1] = Migration(2, "second", "INSERT INTO a VALUES (2);")
        assert migrate(db, "t", steps) == 1
        assert migrate(db, "t", steps) is None
        assert db.execute("SELECT x FROM a").fetchall() == [(1,), (2,)]
        with pytest.raises(StoreTooNew):
            migrate(db, "t", steps[:1])
        db.close()

    def test_a_semicolon_in_a_comment_or_a_trigger_ends_no_statement(self, tmp_path: Path) -> None:
        sql = (
            "CREATE TABLE a (x); -- one; two\n"
            "CREATE TRIGGER t AFTER INSERT ON a BEGIN\n  DELETE FROM a;\n  SELECT 1;\nEND;\n"
        )
        db = connect(tmp_path / "t.db")
        migrate(db, "t", [Migration(1, "first", sql)])
        assert len(schema(db)) == 2
        db.close()


class TestPackage:
    def test_the_wheel_holds_the_schema(self, tmp_path: Path) -> None:
        pytest.importorskip("hatchling")
        built = subprocess.run(
            [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
            cwd=ROOT,
            capture_output=True,
            text=True,
        )
        assert built.returncode == 0, built.stderr
        (wheel,) = tmp_path.glob("*.whl")
        names = zipfile.ZipFile(wheel).namelist()
        shipped = sorted(name for name in names if name.startswith("stillwell/store/schema/"))
        assert len(shipped) == len(migrations())
