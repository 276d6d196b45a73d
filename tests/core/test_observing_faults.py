"""An estimator that fails, in a pipeline that must not."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from quiet_observer import QuietObserver
from stillwell.alarm.plan import ChannelWatch, WatchPlan
from stillwell.alarm.row import Part
from stillwell.alarm.watch import Watch
from stillwell.finding import Finding
from stillwell.forward import Run
from stillwell.notice import Transition
from stillwell.pipeline import Pipeline
from stillwell.quality.judge import Judge
from stillwell.quality.limits import default_limits
from stillwell.reading import Quantity, Reading, Sample
from stillwell.store import Store

START_MS = 1_772_323_200_000


class Broken(QuietObserver):
    """An observer of the test's own: it divides by nothing at its third reading."""

    def __init__(self) -> None:
        self.seen = 0

    def see(self, reading: Reading) -> Iterable[Finding]:
        self.seen += 1
        if self.seen == 3:
            raise ZeroDivisionError("a fault of the test")
        return ()


class BrokenAtStart(Broken):
    """It fails on the state that it wrote itself, in a way that nobody announced."""

    def restore(self, state: str) -> None:
        raise IndexError("a fault of the test")


class TestAnEstimatorThatFails:
    def test_is_set_aside_and_told_once_and_the_readings_go_on(self, tmp_path: Path) -> None:
        channel = ChannelWatch("water-a", "tank", Quantity.TEMPERATURE, 600.0)
        broken = Broken()
        heard: list[Transition] = []
        store = Store.open(tmp_path / "tank.db")
        line = Pipeline(
            store,
            Watch(WatchPlan(channels=(channel,))),
            {"water-a": Judge(default_limits(Quantity.TEMPERATURE))},
            observers=[broken],
            told=heard.append,
        )
        run = Run(line, START_MS, boot_id="test")
        for number in range(20):
            run.take(
                START_MS + 30_000 * number, "tank", [Sample("water-a", 25.0 + number % 2 / 16)]
            )
        run.end()
        line.end()
        assert broken.seen == 3
        assert line.readings_taken == 20
        told = [(t.alarm, t.event) for t in heard if t.alarm == "heat.failing"]
        assert told == [("heat.failing", "raise")]

    def test_at_its_own_state_does_not_stop_the_start(self, tmp_path: Path) -> None:
        heard: list[Transition] = []
        for observer in (Broken(), BrokenAtStart()):
            line = Pipeline(
                Store.open(tmp_path / "tank.db"),
                Watch(WatchPlan(parts=frozenset({Part.HEATER}))),
                {},
                observers=[observer],
                told=heard.append,
            )
            run = Run(line, START_MS, boot_id="test")
            run.pass_to(START_MS + 120_000)
            run.end()
            line.end()
        assert [(t.alarm, t.event) for t in heard] == [("heat.failing", "raise")]
