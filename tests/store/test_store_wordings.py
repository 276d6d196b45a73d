"""What alarms are about is kept as facts; stores of before kept words."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

from in_words import said, told
from stillwell.finding import Over
from stillwell.notice import Kept, Message, Notice, Priority, Prose, State, Transition
from stillwell.ports import Stream
from stillwell.reading import Moment
from stillwell.store import Store, StoreReader
from stillwell.store.migrate import migrate, migrations

BEGAN = 1_780_000_000_000
NOW = Moment(1000, BEGAN + 1000, 1)
NOTICE = Notice(
    "k", "water.low", "raised", Priority.HIGH, NOW, Prose("Water 24 °C", "Water 24 °C.\nLook.")
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


class TestFacts:
    def test_are_kept_with_the_row_and_in_words_again(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        kept = Kept.of(Over())
        moved = replace(RAISED, facts=Over())
        notice = replace(NOTICE, facts=Over(), lasted_ms=60_000, unanswered_ms=5)
        message = replace(NOTICE, key="m", facts=RAISED.facts)
        with Store.open(path) as store:
            store.begin_epoch("boot", Moment(0, BEGAN, 0), True)
            store.put_transition(moved, [notice, message])
        with Store.open(path) as store:
            [one, other] = [r.body for r in store.tail.rows(Stream.NOTICES, 0, 9)]
            assert one == replace(notice, facts=kept)
            assert isinstance(other, Notice)
            assert told(other) == told(message)
            assert store.latest_transitions() == [replace(moved, facts=kept)]
        with StoreReader.open(path) as reader:
            [again] = reader.transitions()
            assert said(again) == said(moved)

    def test_that_another_program_kept_are_no_reason_to_fail(self) -> None:
        for text in ("", "[]", '["Unheard", {}]', '["Over", 5]', '["Message", {"what": 1}]'):
            assert "can't be shown" in said(replace(RAISED, facts=Kept(text))).title

    def test_that_another_version_kept_still_say_which_alarm_stands(self) -> None:
        facts = Kept('["NotHeating", {"water": null, "on_c": 25.1, "times": 32}]')
        words = said(replace(RAISED, alarm="heater.not-heating", active=True, facts=facts))
        assert words.title == "heater.not-heating stands."
        assert "Heat is missing" in words.seen
        assert "Another version" in words.why

    def test_are_words_in_rows_of_before_which_are_read_all_the_same(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        db = sqlite3.connect(path, isolation_level=None)
        migrate(db, "old", migrations()[:1])
        db.execute("INSERT INTO epoch VALUES (1, 'boot', ?, 1, 0)", (BEGAN,))
        db.execute(
            "INSERT INTO notice VALUES (1, 'k', 'water.low', 'raised', 'high', 1, 1000, ?, ?)",
            ("Water 24 °C", "Water 24 °C.\nLook."),
        )
        db.execute(
            "INSERT INTO transition VALUES (1, 'water.low', 1, 1000, 'normal', 'unacknowledged', "
            "'raise', 'high', 1, ?, ?, ?, ?, 1000, 1, ?, '', 0)",
            ("Water 24 °C.", "Cold.", "Look.", "Unplug.", NOW.utc_ms),
        )
        db.execute("INSERT INTO alarm VALUES ('water.low', 1)")
        db.close()
        with Store.open(path) as store:
            assert [r.body for r in store.tail.rows(Stream.NOTICES, 0, 9)] == [NOTICE]
            assert store.latest_transitions() == [RAISED]
        assert said(RAISED).title == "Water 24 °C."
