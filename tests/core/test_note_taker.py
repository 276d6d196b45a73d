"""Notes sent from afar, through the pipeline, into a store: taken, refused, asked about."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from stillwell.alarm.plan import WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.entry import Entry
from stillwell.estimate.level.geometry import Geometry
from stillwell.keeper.note_taker import NoteTaker
from stillwell.observe.plan import BookPlan
from stillwell.pipeline import Pipeline
from stillwell.ports import Published
from stillwell.request import Command, NoteRequest, Reply, Request
from stillwell.store import Store, StoreReader, note_all

NOON = 1_772_366_400_000  # 1 March 2026 12:00 UTC
Say = Callable[..., Reply]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "tank.db"


@pytest.fixture
def line(path: Path) -> Iterator[Pipeline]:
    chamber = Geometry(180.0 * 90.0)
    taker = NoteTaker(BookPlan(68_000.0, "Europe/Dublin", chamber=chamber))
    line = Pipeline(Store.open(path), Watch(WatchPlan()), {}, note_taker=taker)
    line.begin("boot-1", 0, NOON, trusted=True)
    yield line
    line.end()


@pytest.fixture
def say(line: Pipeline) -> Say:
    def asks(by: str = "Niamh", text: str = "", **said: object) -> Reply:
        to_note = NoteRequest(**said)  # type: ignore[arg-type]
        return line.request(Request(Command.NOTE, by=by, text=text, to_note=to_note), 0)

    return asks


def journal(path: Path) -> list[tuple[str, float | None, str, int]]:
    with StoreReader.open(path) as reader:
        return [(e.kind, e.value, e.unit, e.at_ms) for e in reader.journal()]


class TestTaken:
    def test_it_stands_in_the_journal_and_the_reply_says_as_what(
        self, say: Say, path: Path
    ) -> None:
        reply = say(kind="pour", value="1.2 L", at="09:30")
        assert reply == Reply(True, "Noted as entry 1: Sun 01 Mar 09:30  pour 1.2 L.")
        assert journal(path) == [("pour", 1200.0, "mL", NOON - 9_000_000)]

    def test_a_water_change_may_say_how_long_it_took(self, say: Say, path: Path) -> None:
        reply = say(kind="water-change", value="10 L", at="09:30", lasted="25 min")
        assert reply.text.endswith("water-change 10.0 L, took 25 min.")
        with StoreReader.open(path) as reader:
            assert [e.lasted_s for e in reader.journal()] == [1500.0]
        refused = say(kind="water-change", value="10 L", lasted="a while")
        assert not refused.done
        assert "begin with a number" in refused.text

    def test_without_a_time_it_is_now(self, say: Say, path: Path) -> None:
        say(kind="salinity", value="1.0264", unit="25/25 degC")
        assert journal(path) == [("salinity", 1.0264, "sg 25/25 °C", NOON)]

    def test_a_correction_is_about_the_same_time(self, say: Say, path: Path) -> None:
        say(kind="pour", value="12 L", at="09:30", sure=True)
        assert say(kind="pour", value="1.2 L", strike=1).done
        assert journal(path) == [("pour", 1200.0, "mL", NOON - 9_000_000)]

    def test_a_strike_puts_nothing_in_its_place(self, say: Say, path: Path) -> None:
        say(kind="pour", value="1.2 L")
        assert say(strike=1).text == "Entry 1 is struck out."
        assert journal(path) == []

    def test_the_same_key_twice_is_one_entry(self, say: Say, path: Path) -> None:
        first = say(kind="pour", value="1.2 L", sure=True, key="a")
        again = say(kind="pour", value="1.2 L", sure=True, key="a")
        assert (first.done, again.done) == (True, True)
        assert again.text == "That is noted already, as entry 1."
        assert len(journal(path)) == 1


class TestRefused:
    @pytest.mark.parametrize(
        ("said", "words"),
        [
            ({"kind": "pour", "value": "-1.2 L"}, "can't be"),
            ({"kind": "pour", "value": "1.2"}, "needs one"),
            ({"kind": "salinity", "value": "1.026"}, "0.6 to 0.8 ppt"),
            ({"kind": "drink", "value": "1 L"}, "no kind of entry"),
            ({"kind": "pour", "value": "1 L", "at": "soon"}, "no time"),
            ({"kind": "pour", "value": "1 L", "at": "2099-01-01T08:00Z"}, "still to come"),
            ({"kind": "pour", "value": "1 L", "strike": 7}, "no entry 7"),
            ({"strike": 7}, "no entry 7"),
        ],
    )
    def test_with_the_reason_and_nothing_is_kept(
        self, say: Say, path: Path, said: dict[str, object], words: str
    ) -> None:
        reply = say(**said)
        assert not reply.done
        assert words in reply.text
        assert journal(path) == []

    def test_what_is_odd_is_asked_about_and_taken_when_sure(self, say: Say, path: Path) -> None:
        asked = say(kind="pour", value="12 L")
        assert not asked.done
        assert asked.text.endswith('send it again with "sure": true.')
        assert say(kind="pour", value="12 L", sure=True).done
        assert len(journal(path)) == 1

    def test_what_the_chamber_can_t_take_is_odd_by_what_was_missing_before(
        self, say: Say, line: Pipeline
    ) -> None:
        assert say(kind="pour", value="1.2 L", at="08:00").done  # no level: it may have been low
        levels = [
            Published("level.to-mark", NOON - ago_ms, "mL", high - 9, high - 18, high, "float")
            for ago_ms, high in ((5 * 3_600_000, 2000.0), (2 * 3_600_000, 31.0), (60_000, -40.0))
        ]
        line.store.put_estimates(levels)
        line.store.commit()
        assert "at most 31 mL were missing" in say(kind="pour", value="1.2 L").text
        assert say(kind="pour", value="1.2 L", sure=True).done
        assert say(kind="pour", value="1.2 L", at="07:30").done

    def test_the_same_within_two_minutes_is_odd(self, say: Say, path: Path) -> None:
        say(kind="pour", value="1 L")
        assert "noted already, as entry 1" in say(kind="pour", value="1 L").text
        assert len(journal(path)) == 1

    def test_where_nobody_takes_notes(self, path: Path) -> None:
        line = Pipeline(Store.open(path), Watch(WatchPlan()), {})
        line.begin("boot-1", 0, NOON, trusted=True)
        assert not line.request(Request(Command.NOTE, to_note=NoteRequest("fed")), 0).done
        line.end()


class TestALargeJournal:
    """Counted in steps of SQLite's machine, not in time."""

    @pytest.mark.parametrize(
        "said",
        [
            {"kind": "pour", "value": "1 L", "key": "a"},
            {"kind": "pour", "value": "1 L", "strike": 1},
            {"strike": 1},
        ],
    )
    def test_costs_a_note_no_more_than_a_small_one(
        self, line: Pipeline, say: Say, path: Path, monkeypatch: Any, said: dict[str, Any]
    ) -> None:
        steps = 0

        def step() -> None:
            nonlocal steps
            steps += 1

        opened = StoreReader.open

        def counted(path: Path) -> StoreReader:
            reader = opened(path)
            reader._db.set_progress_handler(step, 1)
            return reader

        def fill(first: int, last: int) -> None:
            note_all(path, (Entry("fed", NOON - n * 3_600_000) for n in range(first, last)))

        monkeypatch.setattr(StoreReader, "open", counted)
        fill(1, 10)
        assert say(**{**said, "key": "b", "sure": True}).done
        few, steps = steps, 0
        fill(10, 5000)
        again = {**said, "strike": 2} if "strike" in said else said
        assert say(**again, sure=True).done
        assert 0 < steps < 2 * few


class TestTogether:
    def test_what_is_asked_in_one_round_is_one_commit_and_each_has_its_number(
        self, line: Pipeline, path: Path
    ) -> None:
        asked = [
            Request(Command.NOTE, to_note=NoteRequest("pour", f"{n} L", key=f"{n % 3}", sure=True))
            for n in range(1, 6)
        ]
        before = line.store.disk.commits
        said = [reply.text for reply in line.requests(asked, 0)]
        assert line.store.disk.commits == before + 1
        assert [text.partition(":")[0] for text in said] == [
            "Noted as entry 1",
            "Noted as entry 2",
            "Noted as entry 3",
            "That is noted already.",
            "That is noted already.",
        ]
        assert len(journal(path)) == 3

    def test_one_that_fails_costs_the_others_nothing(self, line: Pipeline, path: Path) -> None:
        bad = Request(Command.NOTE, to_note=NoteRequest("fed", at=7))  # type: ignore[arg-type]
        good = Request(Command.NOTE, to_note=NoteRequest("fed"))
        replies = line.requests([bad, good], 0)
        assert [reply.done for reply in replies] == [False, True]
        assert len(journal(path)) == 1


class TestOnADiskThatTakesNothing:
    """SQLite's own switch stands for it: what is written fails, what is kept can be read."""

    def test_what_waits_is_neither_noted_nor_corrected_twice(
        self, line: Pipeline, say: Say, path: Path
    ) -> None:
        say(kind="pour", value="12 L", sure=True)
        db = line.store.disk.file.db
        assert db is not None
        db.execute("PRAGMA query_only = ON")
        assert say(kind="fed", key="a").text == "Noted: Sun 01 Mar 12:00  fed."
        assert line.store.trouble is not None
        again = say(kind="fed", key="a")
        assert again.done
        assert again.text.startswith("That is noted already, and waits for a disk")
        assert say(kind="pour", value="1 L").done
        again = say(kind="pour", value="1 L")
        assert not again.done
        assert again.text.startswith("The same is noted already, and waits for a disk")
        assert say(kind="pour", value="1.2 L", strike=1).done
        for more in ({"kind": "pour", "value": "1.3 L", "strike": 1}, {"strike": 1}):
            assert "Entry 1 has been struck out already, and waits" in say(**more).text
        line.store.commit()  # opens the file anew, and can write
        assert line.store.trouble is None
        kept = [(kind, value) for kind, value, *_ in journal(path)]
        assert kept == [("fed", None), ("pour", 1000.0), ("pour", 1200.0)]
