"""Work at the tank: what a hand causes keeps still for a while, what kills does not, and the end is
told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from in_words import said, told
from stillwell.alarm.annunciate.maintenance import LONGEST_S, MAINTENANCE
from stillwell.alarm.occurring import Alarms
from stillwell.alarm.plan import WatchPlan
from stillwell.alarm.rules.band import Steady
from stillwell.alarm.watch import Watch
from stillwell.finding import Finding
from stillwell.notice import Notice, Priority, State, Transition
from stillwell.reading import Moment, Quantity
from stillwell.request import Command, Request
from stillwell.settings import load
from stillwell.wiring.plans.watch import watch_plan

ROOM = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"
UTC = 1_793_930_400_000
MIN = 60
MEDIUM, HIGH = Priority.MEDIUM, Priority.HIGH
HAND, KILLS = "pump.stopped", "level.leak"
WORK = Request(Command.SHELVE, MAINTENANCE, "niamh", 45 * MIN)


def at(s: float) -> Moment:
    return Moment(round(s * 1000), UTC + round(s * 1000), 1)


class Tank:
    """The alarms of the reading room, and all that moved."""

    def __init__(self) -> None:
        plan = replace(watch_plan(load(ROOM)), probes=(), room="", floats=())
        plan = replace(plan, channels=(), bands=(), discrepancies=(), agreements=())
        self.watch = Watch(plan)
        self.moved: list[Transition] = []

    def find(
        self, alarm: str, s: float, active: bool = True, priority: Priority = MEDIUM
    ) -> list[Transition]:
        facts = Steady(alarm, Quantity.TEMPERATURE, True, 25.0, at(s).utc_ms, 1.5)
        return self._took(self.watch.find(Finding(alarm, active, priority, facts), at(s)))

    def ask(self, request: Request, s: float) -> str:
        reply, moved = self.watch.request(request, at(s))
        self._took(moved)
        if reply.alarms == (MAINTENANCE,):
            return str(said(moved[0], zone="Europe/Dublin"))
        return reply.text if reply.done else f"No: {reply.text}"

    def tick(self, from_s: int, to_s: int) -> list[Transition]:
        return self._took([t for s in range(from_s, to_s) for t in self.watch.tick(at(s))])

    def state(self, alarm: str) -> State:
        return next(t.after for t in reversed(self.moved) if t.alarm == alarm)

    def told(self) -> list[Notice]:
        return [notice for t in self.moved for notice in self.watch.notices(t)]

    def _took(self, moved: list[Transition]) -> list[Transition]:
        self.moved += moved
        return moved


class TestWhatAHandCauses:
    @pytest.fixture(scope="class")
    def plan(self) -> WatchPlan:
        return watch_plan(load(ROOM))

    def test_is_declared_for_every_alarm_that_may_ring(self, plan: WatchPlan) -> None:
        """A new alarm rings during work until somebody says here and in the plan that it may not.

        What kills, what the keeper measured, and what is about the machine is no hand's doing."""
        alarms = Alarms(plan)
        hand = alarms.by_hand
        of_machine = ("store.", "clock.", "settings.", "daemon.", "sink.", "drill")
        rings = {a for a in alarms.names - hand - {MAINTENANCE} if not a.startswith(of_machine)}
        assert sorted(rings) == [
            "ammonia.seen",
            "cycle.failing",
            "flow.failing",
            "gauge.failing",
            "heat.failing",
            "heater.stuck-on",
            "level.failing",
            "level.leak",
            "nitrite.seen",
            "room.too-warm",
            "salinity.high",
            "salinity.low",
            "salinity.unsure",
            "salt.failing",
            "water.high",
        ]
        assert {"water.low", "top-up", "too-full", "water-a.silent", "pump.stopped"} < hand
        assert {"heater.not-heating", "level.top-up", "mains.lost", "water.apart"} < hand
        assert "level.leak" not in hand

    def test_is_no_float_on_the_floor_and_no_air(self, plan: WatchPlan) -> None:
        floor = replace(plan.discrepancies[0], name="floor", in_chamber=False)
        air = replace(plan.bands[0], name="air", of_water=False)
        other = replace(plan, bands=(air,), discrepancies=(floor,))
        assert not {"floor", "air.low", "air.unseen"} & Alarms(other).by_hand


class TestWork:
    def test_quiets_what_comes_and_what_rings_and_keeps_what_kills(self) -> None:
        tank = Tank()
        tank.find(HAND, 0)
        assert tank.ask(WORK, 60).startswith("Work at the tank until 02:46. ")
        assert tank.state(HAND) is State.SUPPRESSED
        tank.find("heater.not-heating", 120, priority=HIGH)
        assert tank.state("heater.not-heating") is State.SUPPRESSED
        tank.find(KILLS, 130, priority=HIGH)
        tank.find("heater.stuck-on", 140, priority=HIGH)
        rung = [notice.subject for notice in tank.told()]
        assert rung == [HAND, KILLS, "heater.stuck-on"]

    def test_rings_no_second_time_for_what_was_answered_and_becomes_more_urgent(self) -> None:
        tank = Tank()
        tank.find(HAND, 0)
        tank.ask(Request(Command.ACKNOWLEDGE, HAND), 10)
        tank.ask(WORK, 60)
        tank.find(HAND, 120, priority=HIGH)
        assert [notice.kind for notice in tank.told()] == ["raised"]
        assert tank.state(HAND) is State.SUPPRESSED

    def test_ends_by_itself_tells_what_stands_and_lets_it_speak(self) -> None:
        tank = Tank()
        tank.ask(WORK, 0)
        tank.find(HAND, 60)
        tank.find("level.too-high", 60)
        assert tank.tick(61, 45 * MIN) == []
        tank.tick(45 * MIN, 45 * MIN + 2)
        [end] = tank.told()
        assert (end.subject, end.kind, end.priority) == (MAINTENANCE, MAINTENANCE, MEDIUM)
        assert told(end).title == "Work over, alarms ring again: 2 stand."
        assert f"\n{HAND} 25.0 °C, steady again." in told(end).text
        assert f"{HAND} 77.0 °F" in told(end, "us").text
        tank.find("level.too-high", 45 * MIN + 20, active=False)
        tank.tick(45 * MIN + 2, 55 * MIN)
        assert [notice.subject for notice in tank.told()] == [MAINTENANCE, HAND]

    def test_ends_early_and_silently_where_all_is_well(self) -> None:
        tank = Tank()
        tank.ask(WORK, 0)
        tank.find(HAND, 60)
        tank.find(HAND, 120, active=False)
        text = tank.ask(Request(Command.UNSHELVE, MAINTENANCE), 180)
        assert text == "Work over, alarms ring again: nothing stands."
        [end] = tank.told()
        assert end.priority is Priority.LOW
        tank.tick(180, 60 * MIN)
        assert len(tank.told()) == 1
        assert tank.ask(Request(Command.UNSHELVE, MAINTENANCE), 200).startswith("No: No work")

    def test_survives_a_restart_with_its_end(self) -> None:
        tank = Tank()
        tank.ask(WORK, 0)
        tank.find(HAND, 60)
        again = Tank()
        again.watch.restore(tank.watch.standing(), at(10 * MIN))
        again.find("level.top-up", 11 * MIN, priority=HIGH)
        assert again.told() == []
        again.tick(11 * MIN, 60 * MIN)
        assert again.told()[0].subject == MAINTENANCE
        assert {HAND, "level.top-up"} < {notice.subject for notice in again.told()}

    def test_has_an_end_always_and_gets_another_when_it_is_asked_for_again(self) -> None:
        tank = Tank()
        for seconds in (0.0, LONGEST_S + 1, float("inf")):
            text = tank.ask(replace(WORK, seconds=seconds), 0)
            assert text == "No: Say for how long to shelve it: between 1 s and 4 h."
        for command in set(Command) - {Command.SHELVE, Command.UNSHELVE}:
            assert tank.ask(Request(command, MAINTENANCE), 0).startswith("No: ")
        tank.ask(WORK, 0)
        assert "until 03:30." in tank.ask(WORK, 45 * MIN)
        tank.find(HAND, 60)
        assert tank.tick(60, 89 * MIN) == []

    def test_that_was_asked_for_long_ago_quiets_only_what_is_left_of_it(self) -> None:
        tank = Tank()
        late = replace(WORK, way="broker", age_s=40.0 * MIN)
        assert "until 02:05." in tank.ask(late, 0)
        assert tank.ask(replace(late, age_s=50.0 * MIN), 0).endswith("over when it came here.")

    def test_leaves_what_is_shelved_for_longer_on_its_shelf(self) -> None:
        tank = Tank()
        tank.find(HAND, 0)
        tank.ask(Request(Command.SHELVE, HAND, "", 5 * 60 * MIN), 10)
        tank.ask(WORK, 20)
        tank.tick(20, 50 * MIN)
        assert tank.state(HAND) is State.SHELVED
