"""An automatic top-up: the loss behind it, how long its water lasts, and what goes wrong."""

from __future__ import annotations

import copy
import random
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cache
from zoneinfo import ZoneInfo

import pytest

from stillwell.entry import Entry
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry
from stillwell.finding import Finding
from stillwell.observe.chamber.found import ReservoirLow, TopUpRuns
from stillwell.observe.chamber.plan import AddedBy, FloatChannel, GaugeChannel, LevelPlan, TopUpPlan
from stillwell.observe.chamber.top_up import MISSING, RESERVOIR_LOW, STUCK_ON, must_last_h
from stillwell.observe.chamber.watch import LevelWatch
from stillwell.ports import Published
from stillwell.reading import Flag, Moment, Reading

NOON = round(datetime(2026, 3, 10, 12, tzinfo=UTC).timestamp() * 1000)
"""A Tuesday."""
LOOK_S = 300
PUMP_S = 120
"""How often a chamber is read, and one whose pump tells how long it ran, s."""
AREA, RESERVOIR = 16_200.0, 50_000.0
GAUGE = GaugeChannel("level", GaugeSpec(1.0), "gauge")
LOW = FloatChannel(FloatSpec("float-low", -15.0), "low float", 120.0)


def plan(top_up: TopUpPlan | None, *, gauge: bool = True, with_float: bool = False) -> LevelPlan:
    return LevelPlan(
        Geometry(AREA, 0.05, -60.0, 25.0),
        (LOW,) if with_float else (),
        GAUGE if gauge else None,
        water=("water-a",),
        room="room",
        humidity="humidity",
        surface_mm2=158_000.0,
        top_up=top_up,
    )


BY_RESERVOIR = TopUpPlan(
    10_000.0, RESERVOIR, 0.02, GaugeChannel("reservoir", GaugeSpec(1.0)), ml_per_h=None
)
BY_PUMP = TopUpPlan(10_000.0, pump="top-up", pump_every_s=float(PUMP_S))
BY_DOSES = TopUpPlan(10_000.0)


@dataclass
class Machine:
    """A chamber that a machine holds at the fill mark."""

    watch: LevelWatch
    every_s: int = LOOK_S
    rate: float = 25.0
    dose_ml: float = 60.0
    pump_ml_s: float = 2.0
    works: bool = True
    stuck: bool = False
    ml: float = 0.0
    left: float = 10_000.0
    now_ms: int = 0
    running: float = 0.0
    """What is left of the dose that runs now, mL."""
    found: list[Finding] = field(default_factory=list)
    rows: list[Published] = field(default_factory=list)
    noise: random.Random = field(default_factory=lambda: random.Random(7))

    def run(self, hours: float) -> None:
        most = self.pump_ml_s * self.every_s
        for _ in range(round(hours * 3600 / self.every_s)):
            self.now_ms += self.every_s * 1000
            self.ml -= self.rate * self.every_s / 3600
            if self.works and self.ml < -self.dose_ml / 2 and not self.running:
                self.running = self.dose_ml * self.noise.uniform(0.95, 1.05)
            moved = min(self.left, most, 1e9 if self.stuck else self.running)
            self.running = max(0.0, self.running - moved)
            self.ml += moved
            self.left -= moved
            self.look(moved / most)

    def look(self, share: float) -> None:
        moment = Moment(self.now_ms, NOON + self.now_ms, 1)
        mm = self.ml / AREA * 1000
        every = {
            "level": mm + self.noise.gauss(0, 1),
            "float-low": 1.0 if mm > -16.0 else 0.0,
            "reservoir": (self.left - 10_000.0) * 1000 / RESERVOIR + self.noise.gauss(0, 1),
            "top-up": share,
            "reservoir-low": 1.0 if self.left > 1000.0 else 0.0,
            "water-a": 25.3,
            "room": 20.0,
            "humidity": 50.0,
        }
        for name, value in every.items():
            self.found += self.watch.see(Reading(name, moment, value, Flag.PASS))
        self.found += self.watch.tick(moment)
        self.rows += self.watch.estimates(moment)

    def of(self, alarm: str) -> list[Finding]:
        return [f for f in self.found if f.alarm == alarm][1:]

    def row(self, name: str) -> Published:
        return [row for row in self.rows if row.name == name][-1]


@cache
def _evening(watch_plan: LevelPlan, dose_ml: float) -> Machine:
    by_pump = watch_plan.top_up is not None and watch_plan.top_up.pump
    machine = Machine(LevelWatch(watch_plan), PUMP_S if by_pump else LOOK_S, dose_ml=dose_ml)
    machine.run(36.0)
    return machine


@cache
def _morning(watch_plan: LevelPlan, dose_ml: float) -> Machine:
    machine = evening(watch_plan, dose_ml)
    machine.run(8.67)
    return machine


def evening(watch_plan: LevelPlan, dose_ml: float = 60.0) -> Machine:
    """A day and a half: until the second midnight."""
    return copy.deepcopy(_evening(watch_plan, dose_ml))


def night(watch_plan: LevelPlan, dose_ml: float = 60.0) -> Machine:
    """The night that follows, too: until 08:40."""
    return copy.deepcopy(_morning(watch_plan, dose_ml))


class TestTheNightsLoss:
    @pytest.mark.parametrize(
        ("top_up", "gauge"),
        [
            (BY_RESERVOIR, True),
            (BY_RESERVOIR, False),
            (BY_PUMP, True),
            (replace(BY_PUMP, ml_per_h=7200.0), False),
            (BY_DOSES, True),
        ],
        ids=["reservoir", "reservoir, floats", "pump", "pump of known rate, floats", "doses"],
    )
    def test_is_what_the_top_up_has_replaced(self, top_up: TopUpPlan, gauge: bool) -> None:
        machine = night(plan(top_up, gauge=gauge, with_float=not gauge))
        loss = machine.row("night.loss")
        assert loss.value is not None, loss.basis
        assert loss.low is not None
        assert loss.high is not None
        assert loss.low <= 250.0 <= loss.high
        assert loss.high - loss.low < 130.0

    def test_of_bare_floats_is_refused_with_what_would_help(self) -> None:
        assert plan(BY_DOSES, gauge=False).top_up is not None
        machine = night(plan(BY_DOSES, gauge=False, with_float=True))
        loss = machine.row("night.loss")
        assert loss.value is None
        assert "put a gauge into its reservoir" in loss.basis
        assert not [f for f in machine.found if f.active]

    @pytest.mark.parametrize("dose_ml", [8.0, 60.0])
    def test_is_no_number_where_the_settings_do_not_say_so(self, dose_ml: float) -> None:
        loss = night(plan(None), dose_ml=dose_ml).row("night.loss")
        assert loss.value is None
        assert "[tank.top_up]" in loss.basis


class TestWhatShowsIt:
    def test_is_the_best_that_there_is(self) -> None:
        assert BY_RESERVOIR.added_by(None) is AddedBy.RESERVOIR
        assert BY_PUMP.added_by(GAUGE) is AddedBy.PUMP
        assert BY_PUMP.added_by(None) is AddedBy.NOTHING
        assert BY_DOSES.added_by(GAUGE) is AddedBy.DOSES


class TestTheReservoir:
    def test_is_told_low_before_it_is_empty(self) -> None:
        machine = Machine(LevelWatch(plan(BY_RESERVOIR)), left=1500.0)
        machine.run(44.0)
        low = machine.of(RESERVOIR_LOW)
        assert low[0].active
        facts = low[0].facts
        assert isinstance(facts, ReservoirLow)
        assert facts.lasts_h is not None
        assert 15.0 < facts.lasts_h < 36.0
        assert machine.row("top-up.left").value == pytest.approx(machine.left, abs=60.0)

    def test_is_told_low_by_its_float(self) -> None:
        top_up = replace(BY_DOSES, low_float="reservoir-low")
        machine = Machine(LevelWatch(plan(top_up)), left=1100.0)
        machine.run(12.0)
        assert machine.of(RESERVOIR_LOW)[0].active
        machine.left = 10_000.0
        machine.run(1.0)
        assert not machine.of(RESERVOIR_LOW)[-1].active

    def test_must_last_over_the_weekend(self) -> None:
        zone = ZoneInfo("UTC")

        def hours(day: int, hour: int) -> float:
            return must_last_h(
                round(datetime(2026, 3, day, hour, tzinfo=UTC).timestamp() * 1000), zone
            )

        assert hours(12, 18) == 24.0  # Thursday
        assert hours(13, 12) == 72.0  # Friday noon: until Monday noon
        assert hours(14, 12) == 48.0
        assert hours(16, 9) == 24.0

    def test_is_full_again_when_a_refill_is_noted(self) -> None:
        machine = Machine(LevelWatch(plan(BY_DOSES)))
        machine.run(12.0)
        entry = Entry("pour", NOON + machine.now_ms, None, "", id=1)
        machine.watch.note(entry, None)
        machine.run(24.0)
        left = machine.row("top-up.left").value
        assert left == pytest.approx(10_000.0 - 24 * 25.0, abs=120.0)


class TestWhatGoesWrong:
    def test_a_pump_that_does_not_stop_is_told_within_minutes(self) -> None:
        machine = evening(plan(BY_PUMP))
        assert not machine.of(STUCK_ON)
        machine.stuck = True
        machine.run(0.4)
        (told,) = machine.of(STUCK_ON)
        assert told.active
        assert isinstance(told.facts, TopUpRuns)

    def test_a_pump_that_doses_a_little_at_every_look_is_not(self) -> None:
        machine = Machine(LevelWatch(plan(BY_PUMP)), PUMP_S, dose_ml=0.8)
        machine.run(3.0)
        assert not machine.of(STUCK_ON)

    def test_a_reservoir_that_empties_itself_into_the_chamber_is_told(self) -> None:
        machine = Machine(LevelWatch(plan(BY_RESERVOIR)), pump_ml_s=0.3)
        machine.run(24.0)
        machine.stuck = True
        machine.run(1.0)
        assert machine.of(STUCK_ON)[0].active

    def test_a_top_up_that_does_not_come_is_told(self) -> None:
        machine = evening(plan(BY_DOSES))
        assert not machine.of(MISSING)
        machine.works = False
        machine.run(7.0)
        assert machine.of(MISSING)[0].active

    def test_where_no_gauge_shows_the_chamber_a_float_that_hangs_dry_tells_it(self) -> None:
        machine = Machine(LevelWatch(plan(BY_DOSES, gauge=False, with_float=True)))
        machine.run(100.0)
        assert not machine.of(MISSING), "water that nobody sees between two doses is no fault"
        machine.works = False
        machine.run(36.0)
        assert [f.active for f in machine.of(MISSING)] == [True]

    @pytest.mark.parametrize("top_up", [BY_RESERVOIR, BY_PUMP, BY_DOSES])
    def test_a_leak_behind_it_is_told(self, top_up: TopUpPlan) -> None:
        machine = night(plan(top_up))
        assert not [f for f in machine.of("level.leak") if f.active]
        machine.rate += 40.0
        machine.run(8.0)
        assert machine.of("level.leak")[0].active


class TestARestart:
    def test_changes_nothing(self) -> None:
        whole, cut = night(plan(BY_PUMP)), evening(plan(BY_PUMP))
        again = LevelWatch(plan(BY_PUMP))
        again.restore(cut.watch.state())
        cut.watch = again
        cut.run(8.67)
        assert cut.row("night.loss") == whole.row("night.loss")
