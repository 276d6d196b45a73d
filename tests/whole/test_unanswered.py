"""An alarm that nobody answers, through the real pipeline and store on a clock that is set."""

from __future__ import annotations

from pathlib import Path

import pytest

from in_words import told
from one_probe import BEGAN, OneProbe
from stillwell.notice import Notice
from stillwell.request import Command, Request


class Run(OneProbe):
    """With a second turn, and somebody who reads other units."""

    def __init__(self, path: Path, boot: str, wall_ms: int) -> None:
        super().__init__(path, boot, wall_ms, turns=2)

    def notices(self) -> list[Notice]:
        return [notice for notice in super().notices() if notice.subject == "water.low"]

    def said(self) -> list[str]:
        return [notice.key.split(":", 1)[1] for notice in self.notices()]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "tank.db"


class TestAnUnansweredAlarm:
    def test_is_said_again_and_passed_on_until_it_is_acknowledged(self, path: Path) -> None:
        run = Run(path, "one", BEGAN)
        run.minutes(5, 25.3)
        run.minutes(80, 24.0)
        kinds = [key.split(":")[0] for key in run.said()]
        assert kinds == ["raised", "repeated", "repeated", "repeated", "repeated"]
        assert [key.endswith(":to-2") for key in run.said()] == [False] * 3 + [True] * 2
        reply = run.line.request(Request(Command.ACKNOWLEDGE, "water.low", "Niamh"), run.mono_ms)
        assert reply.done
        run.minutes(120, 24.0)
        assert len(run.said()) == 5
        run.minutes(30, 25.3)
        assert run.said()[5].startswith("returned:")
        assert run.said()[5].endswith(":to-2"), "who was woken hears that it is over"
        run.line.end()

    def test_says_each_time_what_is_so_then(self, path: Path) -> None:
        run = Run(path, "one", BEGAN)
        run.minutes(5, 25.3)
        run.minutes(8, 24.0)
        run.minutes(10, 23.1)
        run.line.end()
        again = Run(path, "two", run.wall_ms + 60_000)
        again.minutes(30, 22.2)
        said = [(notice.kind, told(notice).title[:23]) for notice in again.notices()]
        assert said == [
            ("raised", "Water too cold: 24.0 °C"),
            ("repeated", "Water too cold: 23.1 °C"),
            ("repeated", "Water too cold: 22.2 °C"),
        ]
        assert "72.0 °F" in told(again.notices()[-1], "us").title
        again.line.end()

    def test_is_said_no_more_often_for_a_restart(self, path: Path) -> None:
        run = Run(path, "one", BEGAN)
        run.minutes(5, 25.3)
        run.minutes(40, 24.0)
        before = run.said()
        run.line.end()
        again = Run(path, "two", run.wall_ms + 60_000)
        again.minutes(10, 24.0)
        assert again.said() == before
        again.minutes(30, 24.0)
        assert len(again.said()) == len(before) + 2
        again.line.end()

    def test_is_worded_in_both_units_also_by_the_run_after_a_restart(self, path: Path) -> None:
        run = Run(path, "one", BEGAN)
        run.minutes(5, 25.3)
        run.minutes(10, 24.0)
        run.line.request(Request(Command.SHELVE, "water.low", seconds=600), run.mono_ms)
        run.line.end()
        again = Run(path, "two", run.wall_ms + 60_000)
        again.minutes(25, 24.0)
        first, *later = again.notices()
        assert [notice.kind for notice in later] == ["raised", "repeated"]
        assert "24.0 °C" in told(later[0]).title
        for notice in (first, *later):
            assert "75.2 °F" in told(notice, "us").title
            assert "°C" not in told(notice, "us").text
        again.line.end()
