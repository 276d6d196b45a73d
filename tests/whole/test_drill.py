"""A drill, and the notice after a gap, through the real pipeline and store on a clock that is
set."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

import in_words
from one_probe import BEGAN, PLAN, OneProbe
from stillwell.notice import State, Transition
from stillwell.ports import Stream
from stillwell.request import Command, Request
from stillwell.store import StoreReader

DRILL = Request(Command.DRILL, by="Niamh", seconds=600)
HOUR_MS = 3_600_000


class Run(OneProbe):
    """With a second turn, in a zone of which the texts tell the time."""

    def __init__(
        self, path: Path, boot: str, wall_ms: int, trusted: bool, begun_ms: int = 0
    ) -> None:
        plan = replace(PLAN, zone="Europe/Dublin")
        super().__init__(
            path, boot, wall_ms, plan=plan, turns=2, trusted=trusted, begun_ms=begun_ms
        )

    def minutes(self, n: float, value: float | None = 25.3) -> None:
        super().minutes(n, value)

    def drill_log(self) -> list[tuple[str, str]]:
        rows = self.store.tail.rows(Stream.TRANSITIONS, 0, 1000, committed_only=False)
        return [
            (row.body.event, row.body.by)
            for row in rows
            if isinstance(row.body, Transition) and row.body.alarm == "drill"
        ]

    def done(self) -> frozenset[tuple[str, date]]:
        with StoreReader.open(self.store.path) as reader:
            return reader.done()


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[..., Run]]:
    made: list[Run] = []

    def make(
        boot: str = "one", wall_ms: int = BEGAN, trusted: bool = True, begun_ms: int = 0
    ) -> Run:
        if made:
            made[-1].line.end()
        made.append(Run(tmp_path / "tank.db", boot, wall_ms, trusted, begun_ms))
        return made[-1]

    yield make
    made[-1].line.end()


class TestADrill:
    def test_is_one_notice_of_its_own_kind_and_ends_with_its_acknowledgement(
        self, run: Callable[..., Run]
    ) -> None:
        one = run()
        one.minutes(1)
        assert one.line.request(DRILL, one.mono_ms).done
        one.minutes(1)
        answer = Request(Command.ACKNOWLEDGE, "drill", "Sean")
        assert one.line.request(answer, one.mono_ms).done
        one.minutes(60)
        assert [n.kind for n in one.notices()] == ["drill"]
        assert "only a test" in in_words.told(one.notices()[0]).title
        assert one.drill_log() == [("raise", ""), ("acknowledge", "Sean"), ("clear", "")]
        assert one.line.watch.standing()[-1].after is State.NORMAL
        assert [job for job, _ in one.done()] == ["drill"]

    def test_that_nobody_answers_ends_by_itself_and_is_never_said_again(
        self, run: Callable[..., Run]
    ) -> None:
        one = run()
        one.line.request(DRILL, one.mono_ms)
        one.minutes(9)
        assert one.drill_log() == [("raise", "")]
        one.minutes(120)
        assert [n.kind for n in one.notices()] == ["drill"]
        last = one.line.watch.standing()[-1]
        assert (last.after, last.by) == (State.NORMAL, "the end of the drill")
        assert not one.done()

    def test_does_not_outlive_a_restart(self, run: Callable[..., Run]) -> None:
        one = run()
        one.minutes(1)
        one.line.request(DRILL, one.mono_ms)
        two = run("two", one.wall_ms + 60_000)
        two.minutes(120)
        assert [n.kind for n in two.notices()] == ["drill"]
        assert two.line.watch.standing()[-1].after is State.NORMAL

    def test_is_not_begun_twice_at_a_time(self, run: Callable[..., Run]) -> None:
        one = run()
        assert one.line.request(DRILL, one.mono_ms).done
        again = one.line.request(DRILL, one.mono_ms)
        assert not again.done
        assert "under way" in again.text
        one.minutes(11)
        assert one.line.request(DRILL, one.mono_ms).done

    def test_leaves_a_real_alarm_alone(self, run: Callable[..., Run]) -> None:
        one = run()
        one.line.request(DRILL, one.mono_ms)
        one.minutes(80, 24.0)
        subjects = [n.subject for n in one.notices()]
        assert subjects == ["drill"] + ["water.low"] * 5


class TestAfterAGap:
    def test_it_says_once_how_long_nothing_was_measured(self, run: Callable[..., Run]) -> None:
        one = run()
        one.minutes(10)
        two = run("two", one.wall_ms + 3 * HOUR_MS)
        two.minutes(10)
        (blind,) = [n for n in two.notices() if n.kind == "blind"]
        assert in_words.told(blind).title.startswith("Watching again; nobody watched for 3 h")
        # 1,780,000,000 s + 10 min is 20:36:40 UTC of 28 May 2026 (date -u -d @1780000600), in
        # Dublin's summer time an hour more.
        assert "20:36" in in_words.told(blind).text
        three = run("three", two.wall_ms + 60_000)
        three.minutes(10)
        assert len([n for n in three.notices() if n.kind == "blind"]) == 1

    def test_a_short_one_is_nobodys_business(self, run: Callable[..., Run]) -> None:
        one = run()
        one.minutes(10)
        two = run("two", one.wall_ms + 5 * 60_000)
        two.minutes(10)
        assert not two.notices()

    @pytest.mark.parametrize("years", [-10, 10])
    def test_across_a_clock_that_was_wrong_no_length_is_claimed(
        self, run: Callable[..., Run], years: int
    ) -> None:
        """The last run went by a wrong clock that somebody had vouched for."""
        one = run(wall_ms=BEGAN + years * 365 * 24 * HOUR_MS)
        one.minutes(10)
        two = run("two", BEGAN)
        two.minutes(10)
        (blind,) = [n for n in two.notices() if n.kind == "blind"]
        assert in_words.told(blind).title == (
            "Watching again; for how long nobody watched is unknown."
        )
        assert "clock was wrong" in in_words.told(blind).text
        assert "20:27" in in_words.told(blind).text, "it speaks of what is known: that it is back"
        assert "87600" not in in_words.told(blind).title + in_words.told(blind).text

    def test_nor_across_one_that_was_set_before_the_machine_went_off(
        self, run: Callable[..., Run]
    ) -> None:
        one = run()
        one.minutes(10)
        one.wall_ms -= 5 * 24 * HOUR_MS
        one.minutes(10)
        two = run("two", BEGAN + 2 * HOUR_MS)
        two.minutes(10)
        (blind,) = [n for n in two.notices() if n.kind == "blind"]
        assert "is unknown" in in_words.told(blind).title

    @pytest.mark.parametrize("minutes", [5, 180])
    def test_within_a_boot_its_length_is_known_whatever_was_done_to_the_clock(
        self, run: Callable[..., Run], minutes: int
    ) -> None:
        one = run()
        one.minutes(10)
        two = run("one", BEGAN - 10 * 365 * 24 * HOUR_MS, begun_ms=(10 + minutes) * 60_000)
        two.minutes(10)
        told = [in_words.told(n).title for n in two.notices() if n.kind == "blind"]
        assert told == (["Watching again; nobody watched for 3 h 1 min."] if minutes == 180 else [])

    def test_the_first_run_has_none(self, run: Callable[..., Run]) -> None:
        one = run()
        one.minutes(10)
        assert not one.notices()

    def test_a_command_without_the_daemon_does_not_say_that_it_watches(
        self, run: Callable[..., Run]
    ) -> None:
        one = run()
        one.minutes(10)
        two = run("two", one.wall_ms + 3 * HOUR_MS)
        two.line.request(Request(Command.TEST_NOTICE, text="t"), two.mono_ms)
        assert [n.kind for n in two.notices()] == ["drill"]

    def test_a_boot_in_1970_is_told_when_the_clock_is_known(self, run: Callable[..., Run]) -> None:
        one = run()
        one.minutes(10)
        two = run("two", 30_000, trusted=False)
        two.minutes(10)
        assert not two.notices()
        two.trusted, two.wall_ms = True, one.wall_ms + 3 * HOUR_MS + two.mono_ms
        two.minutes(1)
        (blind,) = [n for n in two.notices() if n.kind == "blind"]
        assert "3 h" in in_words.told(blind).title

    def test_across_a_run_whose_clock_nobody_ever_set_nothing_is_claimed(
        self, run: Callable[..., Run]
    ) -> None:
        one = run("one", 30_000, trusted=False)
        one.minutes(10)
        two = run("two")
        two.minutes(10)
        assert not two.notices()
