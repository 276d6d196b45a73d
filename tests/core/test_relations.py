"""A pump that stands explains what else is seen in the chamber, by the demo's own settings."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillwell.alarm.watch import Watch
from stillwell.finding import Finding
from stillwell.notice import Message, Priority, State
from stillwell.reading import Moment
from stillwell.settings import load
from stillwell.wiring.plans.watch import watch_plan

DEMO = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"
HOUR_S = 3600.0
SENSORS = ("level.disagree", "level.moved", "float-high.stuck-up", "float-low.chattering")
WATER = ("level.too-high", "level.standstill", "too-full")


def at(s: float) -> Moment:
    return Moment(round(s * 1000), round(s * 1000), 1)


class Tank:
    """The demo's watch, and what a person hears of it."""

    def __init__(self) -> None:
        self.watch = Watch(watch_plan(load(DEMO)))
        self.heard: list[str] = []

    def find(self, alarm: str, active: bool, s: float, priority: Priority) -> None:
        finding = Finding(alarm, active, priority, Message(alarm))
        self.hear(self.watch.find(finding, at(s)))

    def hear(self, moved: object) -> None:
        for transition in moved:  # type: ignore[attr-defined]
            self.heard += [n.subject for n in self.watch.notices(transition) if n.kind == "raised"]

    def stands(self, alarm: str) -> State:
        return next(t.after for t in self.watch.standing() if t.alarm == alarm)


class TestAPumpThatStands:
    @pytest.mark.parametrize("alarm", [*SENSORS, *WATER])
    @pytest.mark.parametrize("cause", ["pump.stopped", "mains.lost"])
    def test_keeps_still_what_it_explains(self, alarm: str, cause: str) -> None:
        tank = Tank()
        tank.find(cause, True, 0, Priority.HIGH)
        tank.find(alarm, True, HOUR_S, Priority.MEDIUM)
        assert tank.heard == [cause]

    @pytest.mark.parametrize("alarm", SENSORS)
    def test_that_may_only_rest_accuses_no_sensor_meanwhile(self, alarm: str) -> None:
        tank = Tank()
        tank.find("pump.resting", True, 0, Priority.HIGH)
        tank.find(alarm, True, 600, Priority.MEDIUM)
        assert tank.heard == []

    def test_takes_over_from_the_float_that_saw_it_first(self) -> None:
        tank = Tank()
        tank.find("pump.resting", True, 0, Priority.HIGH)
        tank.find("too-full", True, 600, Priority.MEDIUM)
        tank.find("pump.stopped", True, 1900, Priority.HIGH)
        assert tank.heard == ["too-full", "pump.stopped"]
        assert tank.stands("too-full") is State.SUPPRESSED

    @pytest.mark.parametrize("alarm", ["level.leak", "level.top-up", "top-up"])
    def test_hides_no_water_that_is_missing(self, alarm: str) -> None:
        tank = Tank()
        tank.find("pump.stopped", True, 0, Priority.HIGH)
        tank.find(alarm, True, HOUR_S, Priority.MEDIUM)
        assert tank.heard == ["pump.stopped", alarm]

    @pytest.mark.parametrize(
        ("alarm", "hours"), [("level.disagree", 2), ("level.standstill", 9), ("level.moved", 24)]
    )
    def test_leaves_what_it_explained_time_to_follow_it(self, alarm: str, hours: float) -> None:
        tank = Tank()
        tank.find("pump.stopped", True, 0, Priority.HIGH)
        tank.find(alarm, True, HOUR_S, Priority.MEDIUM)
        tank.find("pump.stopped", False, 2 * HOUR_S, Priority.HIGH)
        tank.hear(tank.watch.tick(at((2 + hours) * HOUR_S)))
        assert alarm not in tank.heard
        tank.hear(tank.watch.tick(at(40 * HOUR_S)))
        assert alarm in tank.heard
