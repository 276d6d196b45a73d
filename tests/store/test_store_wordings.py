"""What is kept for readers of other units, and stores of before that."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

from stillwell.notice import Message, Notice, Priority, State, Transition, Worded
from stillwell.ports import Stream
from stillwell.reading import Moment
from stillwell.store import Store, StoreReader
from stillwell.store.migrate import migrate, migrations

BEGAN = 1_780_000_000_000
NOW = Moment(1000, BEGAN + 1000, 1)
NOTICE = Notice(
    "k", "water.low", "raised", Priority.HIGH, NOW, "Water 24 °C", "Water 24 °C.\nLook."
)
RAISED = Transition(
    "water.low",
    NOW,
    State.NORMAL,
    State.UNACKNOWLEDGED,
    "raise",
    Priority.HIGH,
    True,
    Message("Water 24 °C.", "Cold.", "Look.", "Unplug."),
    NOW,
)


class TestTheOtherWording:
    def test_is_kept_with_the_row(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        told = replace(NOTICE, also=Worded("us", "Water 75 °F", "Water 75 °F.\nLook."))
        also = Message("Water 75 °F.", "Cold.", "Look.", "Unplug.")
        moved = replace(RAISED, also=also, also_units="us")
        with Store.open(path) as store:
            store.begin_epoch("boot", Moment(0, BEGAN, 0), True)
            store.put_transition(moved, [told])
        with Store.open(path) as store:
            assert [r.body for r in store.tail.rows(Stream.NOTICES, 0, 9)] == [told]
            assert store.latest_transitions() == [moved]
        with StoreReader.open(path) as reader:
            assert reader.notices() == [told]
            assert reader.transitions() == [moved]

    def test_is_missing_from_rows_of_before_which_are_read_all_the_same(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "tank.db"
        db = sqlite3.connect(path, isolation_level=None)
        migrate(db, "old", migrations()[:1])
        db.execute("INSERT INTO epoch VALUES (1, 'boot', ?, 1, 0)", (BEGAN,))
        db.execute(
            "INSERT INTO notice VALUES (1, 'k', 'water.low', 'raised', 'high', 1, 1000, ?, ?)",
            (NOTICE.title, NOTICE.text),
        )
        m = RAISED.message
        db.execute(
            "INSERT INTO transition VALUES (1, 'water.low', 1, 1000, 'normal', 'unacknowledged', "
            "'raise', 'high', 1, ?, ?, ?, ?, 1000, 1, ?, '', 0)",
            (m.what, m.likely, m.do, m.caution, NOW.utc_ms),
        )
        db.execute("INSERT INTO alarm VALUES ('water.low', 1)")
        db.close()
        with Store.open(path) as store:
            assert [r.body for r in store.tail.rows(Stream.NOTICES, 0, 9)] == [NOTICE]
            assert store.latest_transitions() == [RAISED]
        assert NOTICE.in_units("us") is NOTICE
