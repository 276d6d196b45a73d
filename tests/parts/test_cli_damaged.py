"""What is said of a store with pages that are spoilt for real: every command says what is wrong
with the file, what the daemon does about it and what to do, and ends with another status than
0."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest

from command_line import call, tank
from damaged_store import live, spoil
from stillwell.review_plan import PLAN, PLAN_KEY
from stillwell.settings import load
from stillwell.wiring.plans.review import review_plan

COMMANDS = (
    ("status",),
    ("today",),
    ("alarms",),
    ("alarms", "--json"),
    ("alarms", "--report"),
    ("review",),
    ("book",),
    ("heater",),
    ("warm-up",),
    ("sinks",),
    ("note", "--list"),
    ("note", "pour", "1 L"),
    ("check", "--no-notice"),
)
TABLES = ("transition", "alarm", "journal", "meta", "channel", "epoch")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a life behind it."""
    folder = tmp_path_factory.mktemp("whole")
    live(folder / "tank.db", 3000)
    plan = PLAN.text(review_plan(load(tank(folder))))
    with sqlite3.connect(folder / "tank.db") as db:
        db.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", (PLAN_KEY, plan))
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    db.close()
    return folder / "tank.db"


@pytest.fixture
def config(tmp_path: Path, whole: Path) -> Path:
    shutil.copy(whole, tmp_path / "tank.db")
    return tank(tmp_path)


def told(config: Path, *command: str) -> str:
    done = call(*command, "-c", config)
    assert isinstance(done.exception, SystemExit), (command, done.exception)
    assert done.exit_code in (1, 2, 3), (command, done.output)
    return " ".join(done.output.split())


class TestSpoiltPages:
    @pytest.mark.parametrize("table", TABLES)
    def test_every_command_says_what_is_wrong_and_what_to_do(
        self, config: Path, table: str
    ) -> None:
        store = config.parent / "tank.db"
        with sqlite3.connect(store) as db:
            sql = "SELECT rootpage FROM sqlite_schema WHERE name = ?"
            (page,) = db.execute(sql, (table,)).fetchone()
        db.close()
        spoil(store, [page])
        for command in COMMANDS:
            said = told(config, *command)
            assert f"{store} is damaged" in said, command
            assert "rescues it" in said, command
            assert "sudo systemctl restart stillwell" in said, command

    def test_a_page_that_is_whole_and_holds_what_nobody_wrote_is_damage_too(
        self, config: Path
    ) -> None:
        with sqlite3.connect(config.parent / "tank.db") as db:
            db.execute("UPDATE transition SET state_after = 'unacknow~~'")
        db.close()
        for command in (("alarms",), ("status",), ("today",)):
            assert "is damaged" in told(config, *command), command

    def test_check_goes_on_with_what_needs_no_store(self, config: Path) -> None:
        spoil(config.parent / "tank.db", [1])
        said = told(config, "check", "--no-notice")
        assert "FIX path:" in said
        assert "water-a: 25." in said
