"""Answers that were under way while an alarm came: the real pipeline and store."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from one_probe import BEGAN, OneProbe
from stillwell.alarm.answer_link import occurrence_of
from stillwell.notice import State
from stillwell.ports import Stream
from stillwell.request import Command, Reply, Request

ACK = Request(Command.ACKNOWLEDGE, "water.low", by="Niamh", way="broker")


class Run(OneProbe):
    """With a broker that takes notices as soon as they are there, unless it is away."""

    away = False

    def minutes(self, n: float, value: float | None) -> None:
        for _ in range(round(2 * n)):
            super().minutes(0.5, value)
            if not self.away:
                self.give()

    def give(self) -> None:
        newest = self.store.tail.newest(Stream.NOTICES, committed_only=False)
        self.line.move_cursor("broker", Stream.NOTICES, newest, (), self.mono_ms)

    def says(self, request: Request, minutes_ago: float | None = None, **more: object) -> Reply:
        age_s = None if minutes_ago is None else minutes_ago * 60
        return self.line.request(replace(request, age_s=age_s, **more), self.mono_ms)  # type: ignore[arg-type]

    def state(self) -> State:
        return next(t for t in self.store.latest_transitions() if t.alarm == "water.low").after

    def about(self) -> str:
        return [occurrence_of(n) for n in self.notices() if n.kind == "raised"][-1]


@pytest.fixture
def cold(tmp_path: Path) -> Iterator[Run]:
    run = Run(tmp_path / "tank.db", "one", BEGAN)
    run.minutes(5, 25.3)
    run.minutes(12, 24.0)
    assert run.state() is State.UNACKNOWLEDGED
    yield run
    run.line.end()


def comes_again(run: Run) -> None:
    """It returns, is acknowledged here, and comes once more: the alarm that nobody has heard of."""
    run.minutes(20, 25.3)
    run.line.request(Request(Command.ACKNOWLEDGE), run.mono_ms)
    run.minutes(12, 24.0)
    assert run.state() is State.UNACKNOWLEDGED


class TestAnAcknowledgementOfTheFirstAlarm:
    @pytest.mark.parametrize("subject", ["water.low", ""])
    def test_does_not_acknowledge_the_second(self, cold: Run, subject: str) -> None:
        about = cold.about()
        comes_again(cold)
        late = replace(ACK, subject=subject)
        # By the time at which it was sent, by the occurrence, and with neither.
        assert "had not been announced" in cold.says(late, 30).text
        assert not cold.says(late).done
        if subject:
            assert "earlier water.low" in cold.says(late, about=about).text
        assert cold.state() is State.UNACKNOWLEDGED

    def test_is_taken_once_it_names_the_second(self, cold: Run) -> None:
        comes_again(cold)
        text = cold.says(ACK).text
        assert cold.about() in text, "the refusal says what to send"
        assert cold.says(ACK, about=cold.about()).done
        assert cold.state() is State.ACKNOWLEDGED

    def test_is_taken_when_it_was_sent_after_the_second_was_announced(self, cold: Run) -> None:
        comes_again(cold)
        cold.minutes(10, 24.0)
        assert cold.says(replace(ACK, subject=""), 2).done
        assert cold.state() is State.ACKNOWLEDGED

    def test_without_any_word_is_taken_while_there_is_no_second(self, cold: Run) -> None:
        assert cold.says(ACK).done
        assert cold.state() is State.ACKNOWLEDGED


class TestWhileTheBrokerIsAway:
    def test_nothing_has_been_announced_by_it(self, tmp_path: Path) -> None:
        run = Run(tmp_path / "tank.db", "one", BEGAN)
        run.minutes(5, 25.3)
        run.away = True
        run.minutes(40, 24.0)
        assert run.state() is State.UNACKNOWLEDGED
        everything = replace(ACK, subject="")
        assert "had not been announced" in run.says(everything, 10).text
        assert not run.says(ACK).done
        run.give()
        assert "had not been announced" in run.says(everything, 10).text
        assert run.says(everything, 0).done
        run.line.end()


class TestAnAlarmThatARequestBringsBack:
    def test_is_no_more_announced_than_any_other(self, cold: Run) -> None:
        shelve = Request(Command.SHELVE, "water.low", seconds=3600.0)
        assert cold.line.request(shelve, cold.mono_ms).done
        cold.minutes(5, 24.0)
        assert cold.says(Request(Command.UNSHELVE, "water.low", way="broker")).done
        assert cold.state() is State.UNACKNOWLEDGED
        assert "had not been announced" in cold.says(replace(ACK, subject=""), 0).text
        cold.give()
        assert cold.says(replace(ACK, subject=""), 0).done


class TestOlderThanTheStart:
    def test_a_shelf_and_an_acknowledgement_of_everything_are_refused(self, cold: Run) -> None:
        about = cold.about()
        cold.store.close()
        later = Run(cold.store.path, "two", cold.wall_ms + 60_000)
        later.minutes(2, 24.0)
        shelve = replace(ACK, command=Command.SHELVE, seconds=3600.0)
        off = replace(ACK, command=Command.OUT_OF_SERVICE)
        for request in (shelve, off, replace(ACK, subject="")):
            assert "before stillwell was started" in later.says(request, 10).text
        assert later.state() is State.UNACKNOWLEDGED
        assert later.says(shelve, 1).done
        assert later.says(replace(ACK, command=Command.UNSHELVE), 10).done
        assert later.state() is State.UNACKNOWLEDGED
        assert not later.says(ACK, about=about).done, "off the shelf it is a call of its own"
        assert later.says(ACK, about=later.about()).done
        later.line.end()


class TestTheStoresAnswer:
    def test_is_found_without_reading_the_alarm_log(self, cold: Run) -> None:
        said: list[str] = []
        db = cold.store.disk.file.db
        assert isinstance(db, sqlite3.Connection)
        db.set_trace_callback(said.append)
        cold.store.kept.latest_calls("water.low", 2)
        db.set_trace_callback(None)
        (query,) = said
        plan = [row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {query}")]
        assert plan == ["SEARCH transition USING INDEX transition_calls (alarm=?)"]
