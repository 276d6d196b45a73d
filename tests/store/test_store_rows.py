"""What is put is what is read, in its order, with its numbers."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from stillwell.notice import Notice
from stillwell.ports import Published, Refusal, Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import (
    STRUCK,
    Entry,
    Store,
    StoreError,
    StoreMissing,
    StoreReader,
    find,
    note,
    revive,
)
from stillwell.store.backlog import REMEMBERED
from stillwell.store.blocks import SIZE

if TYPE_CHECKING:
    from tests.store.conftest import Rows

NOON = 1_767_268_800_000
Opener = Callable[..., Store]


class TestReadings:
    def test_come_back_as_they_were_put(self, store: Store, path: Path, rows: Rows) -> None:
        put = [
            rows.reading(1000, 25.3125),
            rows.reading(2000, 85.0, flag=Flag.FAIL, tests="power-on,rate", raw="50 05 4b"),
            rows.reading(3000, None, flag=Flag.MISSING, tests="gone"),
            rows.reading(4000, 25.25, flag=Flag.SUSPECT, tests="spike"),
            rows.reading(5000, 0.4, looks=20)._replace(measured=0.2),
        ]
        store.put(put)
        store.commit()
        store.tail.reopen()
        with StoreReader.open(path) as reader:
            assert list(reader.readings("water-a", NOON, NOON + 10_000)) == put
            assert reader.latest_readings() == put[-1:]

    def test_a_window_takes_its_start_and_leaves_its_end(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        store.put([rows.reading(t) for t in (1000, 2000, 3000)])
        store.commit()
        with StoreReader.open(path) as reader:
            found = list(reader.readings("water-a", NOON + 1000, NOON + 3000))
        assert [r.moment.mono_ms for r in found] == [1000, 2000]

    def test_windows_agree_with_looking_at_every_row(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        # Three full blocks and some, of two channels, with times that jitter against the arrival.
        put = [
            rows.reading(i * 100 + (i * 7919) % 3000, float(i), ("water-a", "room")[i % 3 == 0])
            for i in range(SIZE * 3 + 500)
        ]
        for i in range(0, len(put), 300):
            store.put(put[i : i + 300])
            store.commit()
        for start, end in ((0, 10**9), (150_000, 260_000), (203_000, 209_000), (600_000, 610_000)):
            with StoreReader.open(path) as reader:
                found = list(reader.readings("room", NOON + start, NOON + end))
            expected = [r for r in put if r.channel == "room" and start <= r.moment.mono_ms < end]
            assert found == sorted(expected, key=lambda r: r.moment.mono_ms)
            assert found

    def test_the_latest_of_each_channel_is_found_however_long_ago(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        store.put([rows.reading(0, 1.0, "float-low")])
        store.put([rows.reading(i) for i in range(1, SIZE * 2)])
        store.commit()
        store.put([rows.reading(10**6, 26.0, "room")])
        with StoreReader.open(path) as reader:
            assert [r.channel for r in reader.latest_readings()] == ["float-low", "water-a"]

        latest = {
            row.body.channel: row
            for row in store.tail.latest_readings()
            if isinstance(row.body, Reading)
        }
        assert {name: row.seq for name, row in latest.items()} == {
            "float-low": 1,
            "water-a": SIZE * 2,
            "room": SIZE * 2 + 1,
        }

    def test_an_odd_value_does_not_hold_up_the_rest(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        store.put([rows.reading(1), rows.reading(2, raw="\udcff garbage"), rows.reading(3)])
        store.commit()
        assert store.trouble is None
        with StoreReader.open(path) as reader:
            assert [r.raw for r in reader.readings("water-a", NOON, NOON + 9)] == [
                "",
                "\\udcff garbage",
                "",
            ]

    def test_numbers_go_on_after_a_restart(self, open_store: Opener, rows: Rows) -> None:
        store = open_store()
        store.put([rows.reading(1), rows.reading(2)])
        store.close()
        again = open_store()
        again.put([rows.reading(3)])
        again.commit()
        assert [row.seq for row in again.tail.rows(Stream.READINGS, 0, 10)] == [1, 2, 3]


class TestCommits:
    def test_readings_wait_for_the_batch(self, open_store: Opener, path: Path, rows: Rows) -> None:
        store = open_store(commit_every_s=30)
        store.tick(0)
        store.put([rows.reading(1)])
        store.tick(29_999)
        with StoreReader.open(path) as reader:
            assert list(reader.all_readings()) == []
            store.tick(30_000)
            assert len(list(reader.all_readings())) == 1

    def test_an_alarm_takes_the_open_batch_with_it_at_once(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        store.put([rows.reading(1)])
        store.put_transition(rows.transition(2), [rows.notice(2, "k1")])
        with StoreReader.open(path) as reader:
            assert len(list(reader.all_readings())) == 1
            assert reader.transitions() == [rows.transition(2)]
            assert reader.notices() == [rows.notice(2, "k1")]

    def test_what_was_kept_long_ago_is_kept_once_though_memory_holds_the_newest_only(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        store = open_store()
        numbers = range(2 * REMEMBERED)
        for again in (numbers, numbers):
            for number in again:
                store.put_notice(rows.notice(number, f"k{number}"))
        held = store._backlog.notices.items, store._known.keys
        store.close()
        later = open_store()

        assert [len(each) for each in held] == [REMEMBERED, 0]
        assert later._known.keys == {f"k{number}" for number in numbers[REMEMBERED:]}
        with StoreReader.open(path) as reader:
            assert len(reader.notices()) == len(numbers)

    def test_a_notice_is_kept_once(self, open_store: Opener, path: Path, rows: Rows) -> None:
        store = open_store()
        store.put_notice(rows.notice(1, "k"))
        store.put_notice(rows.notice(2, "k"))
        store.put_transition(rows.transition(3), [rows.notice(3, "k"), rows.notice(3, "l")])
        store.close()
        again = open_store()
        again.put_notice(rows.notice(4, "l"))

        assert [
            (r.seq, r.body.key)
            for r in again.tail.rows(Stream.NOTICES, 0, 9)
            if isinstance(r.body, Notice)
        ] == [
            (1, "k"),
            (2, "l"),
        ]

    def test_survive_a_power_cut_as_far_as_sqlite_promises(self, store: Store) -> None:
        # Killing a process proves nothing about the power; the settings that do are looked at.
        assert store.disk.file.db is not None
        assert store.disk.file.db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert store.disk.file.db.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL

    def test_nothing_to_write_costs_no_transaction(self, store: Store) -> None:
        before = store.disk.commits
        for t in range(0, 600_000, 1000):
            store.tick(t)
        assert store.disk.commits == before


class TestAlarms:
    def test_the_latest_of_each_is_restored(self, open_store: Opener, rows: Rows) -> None:
        store = open_store()
        store.put_transition(rows.transition(1, "water.low"))
        store.put_transition(rows.transition(2, "room.silent"))
        acknowledged = rows.transition(3, "water.low", "acknowledge")
        store.put_transition(acknowledged)
        store.close()
        again = open_store()
        assert again.latest_transitions() == [rows.transition(2, "room.silent"), acknowledged]
        with StoreReader.open(again.path) as reader:
            assert [t.alarm for t in reader.alarms()] == ["room.silent", "water.low"]

    def test_the_latest_of_each_is_known_as_of_any_time(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        """Also of times that a clock that stood too late has put after those that followed."""
        chance, store = random.Random(1), open_store()
        set_back = type(rows)(store.begin_epoch("later", Moment(0, NOON - 500), True), NOON - 500)
        for mono_ms in range(200):
            of = chance.choice((rows, set_back))
            store.put_transition(of.transition(mono_ms * 10, chance.choice("abcde")))
        store.close()
        with StoreReader.open(path) as reader:
            for end_ms in range(NOON - 1_000, NOON + 2_500, 50):
                last = {t.alarm: t for t in reader.transitions(end_ms=end_ms)}
                assert reader.alarms(end_ms) == [last[alarm] for alarm in sorted(last)]

    def test_a_beginning_in_an_earlier_boot_keeps_its_utc(
        self, open_store: Opener, path: Path, rows: Rows
    ) -> None:
        store = open_store()
        since = Moment(-5_000_000, NOON - 86_400_000, 1)  # does not fit the epoch: restored
        store.put_transition(replace(rows.transition(1), since=since))
        assert store.rebase("no such boot", 0) == 0
        with StoreReader.open(path) as reader:
            assert reader.transitions()[0].since.utc_ms == NOON - 86_400_000


class TestJournal:
    def test_a_correction_strikes_and_the_old_entry_stays(self, store: Store, path: Path) -> None:
        store.put_journal(Entry("pour", NOON, 12.0, "L"))
        (wrong,) = store.kept.journal_after(0)
        store.put_journal(Entry("pour", NOON, 1.2, "L", strikes=wrong.id))
        with StoreReader.open(path) as reader:
            assert [e.value for e in reader.journal()] == [1.2]
            both = reader.journal(struck=True)
        assert [(e.value, e.struck_by) for e in both] == [(12.0, both[1].id), (1.2, None)]

    def test_is_asked_for_some_kinds_alone(self, store: Store, path: Path) -> None:
        for kind in ("pour", "fed", "cleaning"):
            store.put_journal(Entry(kind, NOON))
        with StoreReader.open(path) as reader:
            assert [e.kind for e in reader.journal(kinds=("cleaning", "pour"))] == [
                "pour",
                "cleaning",
            ]

    def test_striking_out_leaves_nothing_in_its_place(self, store: Store, path: Path) -> None:
        first = note(path, Entry("pour", NOON, 1.0, "L"))
        note(path, Entry(STRUCK, NOON, strikes=first))
        with StoreReader.open(path) as reader:
            assert reader.journal() == []
            assert len(reader.journal(struck=True)) == 2

    def test_the_same_key_is_one_entry(self, store: Store, path: Path) -> None:
        assert note(path, Entry("pour", NOON, 1.0, "L", key="a")) == note(
            path, Entry("pour", NOON, 1.0, "L", key="a")
        )
        store.put_journal(Entry("pour", NOON, 1.0, "L", key="a"))
        assert len(store.kept.journal_after(0)) == 1

    def test_what_is_not_there_can_not_be_struck_out(self, store: Store, path: Path) -> None:
        with pytest.raises(StoreError, match="no entry 7"):
            note(path, Entry("pour", NOON, 1.0, "L", strikes=7))


class TestSinks:
    def test_cursors_outlive_a_restart(self, open_store: Opener) -> None:
        store = open_store()
        assert store.sinks.cursor("broker", Stream.READINGS) is None
        store.sinks.move_cursor("broker", Stream.READINGS, 41)
        store.close()
        assert open_store().sinks.cursor("broker", Stream.READINGS) == 41

    def test_a_dead_letter_can_be_sent_once_more(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        store.put_notice(rows.notice(1, "a"))
        store.sinks.move_cursor("broker", Stream.NOTICES, 1, [Refusal(1, "topic invalid")])
        letters = StoreReader.open(path)
        (letter,) = letters.dead_letters()
        assert (letter.sink, letter.seq, letter.reason) == ("broker", 1, "topic invalid")
        assert store.sinks.revived("broker") == []
        assert revive(path, [letter.id]) == 1
        ((again, row),) = store.sinks.revived("broker")
        assert (again.id, row.body) == (letter.id, rows.notice(1, "a"))
        assert store.sinks.revived("other") == []
        store.sinks.settle_revived(letter.id, "still invalid")
        assert [d.reason for d in letters.dead_letters()] == ["still invalid"]
        store.sinks.settle_revived(letter.id)
        assert letters.dead_letters() == []
        letters.close()

    def test_a_reader_sees_how_far_a_sink_is_behind(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        store.put([rows.reading(t) for t in range(10)])
        store.sinks.move_cursor("broker", Stream.READINGS, 4)
        store.commit()
        with StoreReader.open(path) as reader:
            (cursor,) = reader.cursors()
        assert (cursor.sink, cursor.seq, cursor.behind) == ("broker", 4, 6)

    def test_estimates_are_a_stream(self, store: Store, path: Path) -> None:
        rate = Published("evaporation.rate", NOON, "mL/h", 22.0, 18.0, 26.0, "one float, 2 pours")
        store.put_estimates([rate, replace(rate, name="level", time_ms=NOON + 1)])
        store.commit()
        assert next(r.body for r in store.tail.rows(Stream.ESTIMATES, 0, 9)) == rate
        with StoreReader.open(path) as reader:
            assert list(reader.estimates("evaporation.rate")) == [rate]
            assert len(list(reader.estimates())) == 2

    @pytest.mark.parametrize("known", [False, True])
    def test_the_newest_of_each_time_is_found_without_the_years_between(
        self, store: Store, path: Path, known: bool
    ) -> None:
        chance = random.Random(3)
        put = [
            Published(
                chance.choice(("night.loss", "level.now")),
                NOON + chance.randrange(200),
                "mL",
                chance.choice((1.0 * n, None)),
                0.0,
                9.0,
                "",
            )
            for n in range(300)
        ]
        store.put_estimates(put)
        store.commit()
        spans = [(NOON + at, NOON + at + chance.choice((1, 7))) for at in range(-5, 210, 3)]
        wanted = []
        for start, until in spans:
            of = [
                (row.time_ms, n)
                for n, row in enumerate(put)
                if row.name == "night.loss" and start <= row.time_ms < until
                if not known or row.value is not None
            ]
            wanted.append(put[max(of)[1]] if of else None)
        with StoreReader.open(path) as reader:
            assert reader.newest_within("night.loss", spans, known=known) == wanted
            asked = {"spans": json.dumps(spans), "name": "night.loss", "known": known}
            plan = reader._db.execute(f"EXPLAIN QUERY PLAN {find._NEWEST_WITHIN}", asked)
            steps = [step for *_, step in plan]
        assert any("INDEX estimate_by_time (time_ms>? AND time_ms<?)" in s for s in steps), steps
        assert not any("SCAN e" in step or "TEMP B-TREE" in step for step in steps), steps


class TestCalendar:
    def test_what_is_done_is_done_after_a_restart(self, open_store: Opener) -> None:
        store = open_store()
        store.mark_done("review", "2026-01-01")
        store.mark_done("review", "2026-01-01")
        store.close()
        again = open_store()
        assert again.is_done("review", "2026-01-01")
        assert not again.is_done("review", "2026-01-02")


class TestReader:
    def test_says_where_it_looked(self, tmp_path: Path) -> None:
        with pytest.raises(StoreMissing, match=r"no store at .*nowhere\.db"):
            StoreReader.open(tmp_path / "nowhere.db")

    def test_reads_channels_with_what_is_said_of_them(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        store.describe_channel("humidity", "humidity", "room")
        store.describe_channel("water-a", "temperature", "behind the pump")
        store.put([rows.reading(1, channel="room"), rows.reading(1)])
        store.commit()
        with StoreReader.open(path) as reader:
            assert [(c.name, c.label) for c in reader.channels()] == [
                ("humidity", "room"),
                ("room", ""),
                ("water-a", "behind the pump"),
            ]
            assert [r.channel for r in reader.all_readings()] == ["room", "water-a"]
