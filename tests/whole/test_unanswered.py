"""An alarm that nobody answers, through the real pipeline and store on a clock that is set."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillwell.acquire.bus import Batch
from stillwell.alarm.escalation import Escalation, EscalationPlan
from stillwell.alarm.plan import Band, ChannelWatch, WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.notice import Notice, Priority
from stillwell.pipeline import Pipeline
from stillwell.ports import Command, Request, Stream
from stillwell.quality.judge import Judge
from stillwell.quality.limits import default_limits
from stillwell.reading import Quantity, Sample
from stillwell.store import Store
from stillwell.units import System

BEGAN = 1_780_000_000_000
PLAN = WatchPlan(
    channels=(ChannelWatch("water-a", "probes", Quantity.TEMPERATURE, 180.0),),
    bands=(Band("water", ("water-a",), 24.8, 25.8, 25.3, 0.1, 300.0, 300.0, Priority.HIGH),),
    units=System.BOTH,
)


class Run:
    """One run of the pipeline over the store of the runs before it."""

    def __init__(self, path: Path, boot: str, wall_ms: int) -> None:
        self.store = Store.open(path)
        self.line = Pipeline(
            self.store,
            Watch(PLAN),
            {"water-a": Judge(default_limits(Quantity.TEMPERATURE))},
            escalation=Escalation(EscalationPlan(turns=2)),
        )
        self.line.begin(boot, 0, wall_ms, trusted=True)
        self.mono_ms = 0
        self.wall_ms = wall_ms

    def minutes(self, n: int, value: float) -> None:
        for _ in range(2 * n):
            self.mono_ms += 30_000
            self.wall_ms += 30_000
            self.line.take(Batch("probes", self.mono_ms, (Sample("water-a", value),)))
            self.line.tick(self.mono_ms)

    def notices(self) -> list[Notice]:
        rows = self.store.tail.rows(Stream.NOTICES, 0, 1000, committed_only=False)
        found = [row.body for row in rows if isinstance(row.body, Notice)]
        return [notice for notice in found if notice.subject == "water.low"]

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
        assert "24.0 °C" in later[0].text
        for notice in (first, *later):
            assert "75.2 °F" in notice.in_units("us").text
            assert "°C" not in notice.in_units("us").text
        again.line.end()
