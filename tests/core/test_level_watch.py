"""The level watch: from readings and the journal to alarms, estimates and the night's numbers."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from in_words import said, what
from stillwell.alarm.row import Part
from stillwell.entry import STRUCK, Entry
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry
from stillwell.estimate.timeline import Timeline
from stillwell.finding import Finding
from stillwell.notice import Priority
from stillwell.observe.chamber import rules
from stillwell.observe.chamber.alarms import LEVEL_ALARMS
from stillwell.observe.chamber.found import Leak, Sure
from stillwell.observe.chamber.gathered import _over
from stillwell.observe.chamber.plan import FloatChannel, GaugeChannel, LevelPlan
from stillwell.observe.chamber.record import EXPANSION_PER_K, Climate
from stillwell.observe.chamber.watch import LevelWatch
from stillwell.observe.publishes import OF_PART
from stillwell.ports import Published
from stillwell.reading import Flag, Moment, Reading
from stillwell.water.seawater import density_kg_m3

NOON = round(datetime(2026, 3, 10, 12, tzinfo=UTC).timestamp() * 1000)
MINUTE, HOUR = 60_000, 3_600_000
AREA = 16_200.0


def plan(*, with_float: bool = False, gauge: bool = True) -> LevelPlan:
    low = FloatChannel(FloatSpec("float-low", -40.0), "low float", 120.0)
    return LevelPlan(
        Geometry(AREA, 0.05, -60.0, 25.0),
        (low,) if with_float else (),
        GaugeChannel("level", GaugeSpec(1.0), "gauge") if gauge else None,
        water=("water-a",),
        room="room",
        humidity="humidity",
        surface_mm2=158_000.0,
        zone="UTC",
    )


@dataclass
class Bench:
    """A chamber that loses water at a rate, and a watch that looks at it every two minutes."""

    watch: LevelWatch
    ml: float = 0.0
    """Above the fill mark."""
    lost: float = 0.0
    now_ms: int = 0
    """Since noon, on the monotonic clock."""
    found: list[Finding] = field(default_factory=list)
    rows: list[Published] = field(default_factory=list)
    noise: random.Random = field(default_factory=lambda: random.Random(5))
    float_says: float | None = None
    unplugged: bool = False
    """The gauge is not heard."""
    climate: dict[str, float] = field(
        default_factory=lambda: {"water-a": 25.3, "room": 20.0, "humidity": 50.0}
    )
    """What is missing in it is not heard."""
    entries: int = 0
    heated: bool = False
    """Whether a thermostat holds the water, so that its temperature rises and falls."""
    cools_ml_per_h: float = 25.0
    """What of the loss evaporates, where the water is heated."""
    heats: bool = False

    wall_off_ms: int = 0
    """How far somebody has put the wall clock off."""

    @property
    def utc(self) -> int:
        return NOON + self.now_ms + self.wall_off_ms

    def run(self, hours: float, ml_per_h: float) -> None:
        for _ in range(round(hours * 30)):
            self.now_ms += 2 * MINUTE
            self.ml -= ml_per_h / 30
            self.lost += ml_per_h / 30
            if self.heated:
                self._warm()
            self.look()

    def _warm(self) -> None:
        """Two minutes of 68 L in a room of 20 degC: 150 W of heater, 5 W/K to the room, and what
        evaporates takes 2.44 kJ/mL."""
        water = self.climate["water-a"]
        self.heats = water < (25.7 if self.heats else 24.9)
        watt = (150.0 if self.heats else 0.0) - 5.0 * (water - 20.0)
        watt -= self.cools_ml_per_h * 2_440.0 / 3_600.0
        self.climate["water-a"] = water + watt * 120.0 / (68.0 * 4_090.0)

    def look(self) -> None:
        moment = Moment(self.now_ms, self.utc, 1)
        mm = self.ml / AREA * 1000
        seen = dict(self.climate)
        if not self.unplugged:
            seen["level"] = mm + self.noise.gauss(0, 1)
        if self.watch._record.plan.floats:
            closed = 1.0 if mm > -41.0 else 0.0
            seen["float-low"] = closed if self.float_says is None else self.float_says
        for name, value in seen.items():
            self.found += self.watch.see(Reading(name, moment, value, Flag.PASS))
        self.found += self.watch.tick(moment)
        self.rows += self.watch.estimates(moment)

    def note(self, kind: str, value: float | None, at_utc: int, **more: object) -> Entry:
        self.entries += 1
        entry = Entry(kind, at_utc, value, "mL", id=self.entries, **more)  # type: ignore[arg-type]
        self.found += self.watch.note(entry, None)
        return entry

    def pour(self, ml: float, *, noted: bool = True) -> None:
        self.ml += ml
        if noted:
            self.note("pour", ml, self.utc)

    def of(self, alarm: str) -> list[Finding]:
        """What was found of an alarm after the first word about it."""
        return [f for f in self.found if f.alarm == alarm][1:]

    def row(self, name: str) -> Published:
        """The newest."""
        return [row for row in self.rows if row.name == name][-1]


@cache
def _calm(hours: float, ml: float, heated: bool) -> Bench:
    bench = Bench(LevelWatch(plan()), ml=ml, heated=heated)
    bench.run(hours, 25.0)
    return bench


def calm(hours: float, ml: float = 0.0, *, heated: bool = False) -> Bench:
    """Returns a bench after hours of 25 mL/h, which are lived through once for all tests."""
    return copy.deepcopy(_calm(hours, ml, heated))


@pytest.fixture(scope="module")
def night() -> Bench:
    """Twenty-one hours without anything: 25 mL/h."""
    bench = Bench(LevelWatch(plan()))
    bench.run(10.0, 25.0)
    before = bench.lost
    bench.run(10.0, 25.0)
    bench.lost -= before
    bench.run(1.0, 25.0)
    bench.lost = 250.0
    return bench


class TestLooks:
    def test_of_a_good_reading_reach_the_model(self) -> None:
        """A third of them was missed: they are no thirty."""
        watch = LevelWatch(plan(with_float=True))
        for k in range(1, 6):
            moment = Moment(k * 2 * MINUTE, NOON + k * 2 * MINUTE, 1)
            watch.see(Reading("float-low", moment, 0.5, Flag.PASS, looks=20))
        opened = watch._record.level.open if watch._record.level else None
        assert opened is not None
        assert [(f.looks, f.intervals) for f in opened.floats] == [(100, 5)]


class TestNight:
    def test_interval_holds_what_was_lost(self, night: Bench) -> None:
        loss = night.row("night.loss")
        assert loss.value is not None
        assert loss.low is not None
        assert loss.high is not None
        assert loss.low < 250.0 < loss.high
        assert loss.high - loss.low < 80.0

    def test_is_kept_under_the_time_at_which_it_ended(self, night: Bench) -> None:
        assert night.row("night.loss").time_ms == NOON + 20 * HOUR

    def test_rate_is_loss_by_hours(self, night: Bench) -> None:
        loss, rate = night.row("night.loss"), night.row("night.rate")
        assert loss.value is not None
        assert rate.value == pytest.approx(loss.value / 10)
        assert rate.unit == "mL/h"

    def test_says_what_it_rests_on(self, night: Bench) -> None:
        assert "300 gauge readings" in night.row("night.loss").basis

    def test_physics_stands_beside_it(self, night: Bench) -> None:
        predicted = night.row("night.expected")
        assert predicted.value is not None
        assert 100 < predicted.value < 500

    def test_what_is_noted_counts_at_once(self) -> None:
        bench = Bench(LevelWatch(plan()), ml=-500.0)
        bench.run(9.7, 25.0)
        before = bench.row("level.to-mark")
        bench.pour(600.0)
        bench.run(0.1, 25.0)
        after = bench.row("level.to-mark")
        assert after.time_ms > bench.utc - 10 * MINUTE
        assert before.value is not None
        assert after.value is not None
        assert after.value == pytest.approx(before.value - 600.0, abs=60.0)

    def test_level_and_water_to_add_come_every_hour(self, night: Bench) -> None:
        assert {row.name: row.unit for row in night.rows} == dict(OF_PART[Part.LEVEL])
        to_add = [row for row in night.rows if row.name == "level.to-mark"]
        assert 18 <= len(to_add) <= 21
        last = night.row("level.to-mark")
        assert last.low is not None
        assert last.high is not None
        assert last.low < 525.0 < last.high

    def test_calm_water_raises_nothing(self, night: Bench) -> None:
        assert not [f for f in night.found if f.active]

    def test_without_a_sensor_heard_it_says_why_there_is_no_number(self) -> None:
        watch = LevelWatch(plan())
        rows: list[Published] = []
        for hours in range(22):
            moment = Moment(hours * HOUR, NOON + hours * HOUR, 1)
            watch.see(Reading("water-a", moment, 25.3, Flag.PASS))
            watch.tick(moment)
            rows += watch.estimates(moment)
        [loss] = [row for row in rows if row.name == "night.loss"]
        assert loss.value is None
        assert loss.basis == "No level sensor was heard."

    def test_water_that_cooled_and_shrank_is_not_lost(self) -> None:
        losses = []
        for fall in (0.0, 1.0):
            bench = calm(10.0)
            for _ in range(10):
                bench.climate["water-a"] -= fall / 10
                bench.run(1.0, 25.0)
            bench.run(0.5, 25.0)
            loss = bench.row("night.loss").value
            assert loss is not None
            losses.append(loss)
        # 68 L, 1 K
        assert losses[0] - losses[1] == pytest.approx(EXPANSION_PER_K * 68_000, abs=4.0)

    def test_is_wider_where_the_room_cooled_by_more(self) -> None:
        """A gauge may read otherwise in cooler air."""
        widths = []
        for fall in (0.0, 10.0, None):
            bench = Bench(LevelWatch(plan()))
            if fall is None:
                del bench.climate["room"]
            for _ in range(21):
                bench.run(1.0, 25.0)
                if fall:
                    bench.climate["room"] -= fall / 21
            loss = bench.row("night.loss")
            assert loss.low is not None
            assert loss.high is not None
            assert loss.low < 250.0 < loss.high
            widths.append(loss.high - loss.low)
        assert widths[0] + 5.0 < widths[1]
        assert widths[0] < widths[2]

    def test_yesterdays_hours_cost_no_passage_to_now(self, night: Bench) -> None:
        """What was seen today hardly changes what yesterday's hours were."""
        record = night.watch._record
        state = record.level
        assert state is not None
        now = state.now_ms
        rate = rules.RateNow(25.0, 1.0, 25.0, True, 0.0)
        whole = _over(record, now - 12 * HOUR, 4, rate)
        kept = record.level = replace(
            state,
            slices=tuple(
                piece
                for piece in state.slices
                if piece.index * record.model.slice_ms < now - 10 * HOUR
            ),
            open=None,
        )
        cut = _over(record, now - 12 * HOUR, 4, rate)
        record.level = state
        assert kept is not state
        assert whole is not None
        assert whole == cut


class TestNightsOfOneFloat:
    """Nobody knows in the morning; the evening does, when the water has passed the float again."""

    @pytest.fixture(scope="class")
    @staticmethod
    def bench() -> Bench:
        lone = replace(plan(with_float=True, gauge=False), room=None, humidity=None)
        bench = Bench(LevelWatch(lone), ml=-600.0)
        for hours in (20.5, 24.0, 24.0):
            bench.run(hours, 25.0)
            bench.pour(600.0)
        bench.run(15.0, 25.0)
        return bench

    def test_have_no_number_in_the_morning_and_one_later(self, bench: Bench) -> None:
        end = NOON + 20 * HOUR
        told = [row for row in bench.rows if row.name == "night.loss" and row.time_ms == end]
        assert told[0].value is None
        assert told[0].basis.startswith("No float changed")
        assert told[-1].low is not None
        assert told[-1].high is not None
        assert told[-1].low < 250.0 < told[-1].high
        assert told[-1].basis.endswith("what floats and pours said before and after")

    def test_are_published_in_the_order_of_the_nights(self, bench: Bench) -> None:
        assert bench.row("night.loss").time_ms == NOON + 68 * HOUR

    def test_are_asked_about_no_longer_when_they_are_known(self, bench: Bench) -> None:
        assert NOON + 20 * HOUR not in bench.watch._record.memory.nights_open


class TestClock:
    """The nights of a wall clock that somebody sets."""

    YEAR = 365 * 24 * HOUR

    def test_an_hour_in_a_far_future_silences_no_later_night(self) -> None:
        bench = Bench(LevelWatch(plan()))
        bench.run(9.0, 25.0)
        bench.wall_off_ms = self.YEAR
        bench.run(1.0, 25.0)
        bench.wall_off_ms = 0
        bench.run(11.0, 25.0)
        assert bench.row("night.loss").time_ms == NOON + 20 * HOUR

    def test_a_night_is_told_once_however_often_it_ends(self) -> None:
        bench = Bench(LevelWatch(plan()))
        bench.run(20.5, 25.0)
        for off in (-HOUR, 0, -2 * self.YEAR, 0):
            bench.wall_off_ms = off
            bench.run(0.3, 25.0)
        ends = [row.time_ms for row in bench.rows if row.name == "night.loss"]
        assert ends == [NOON + 20 * HOUR]


class TestFirstTick:
    def test_says_of_every_alarm_how_it_stands(self) -> None:
        watch = LevelWatch(plan(with_float=True))
        found = list(watch.tick(Moment(0, NOON, 1)))
        kinds = ("stuck-up", "stuck-down", "chattering")
        assert {f.alarm for f in found} == {*LEVEL_ALARMS, *(f"float-low.{k}" for k in kinds)}
        assert not any(f.active for f in found)

    def test_an_alarm_of_the_last_run_is_told_again_with_its_figures(self) -> None:
        bench = Bench(LevelWatch(plan()), ml=-760.0)
        bench.run(5.0, 25.0)
        assert bench.of("level.top-up")[-1].active
        again = LevelWatch(plan())
        again.restore(bench.watch.state())
        found = {f.alarm: f for f in again.tick(Moment(bench.now_ms, bench.utc, 1))}
        assert found["level.top-up"].active
        assert "lowest safe level in" in what(found["level.top-up"])

    def test_while_no_sensor_is_heard_nothing_new_is_said_of_the_water(self) -> None:
        bench = Bench(LevelWatch(plan()), ml=-600.0)
        bench.run(5.0, 25.0)
        bench.unplugged, climate = True, bench.climate
        bench.climate = {}
        bench.run(9.0, 25.0)
        assert bench.of("level.top-up") == []
        bench.unplugged, bench.climate = False, climate
        bench.run(2.0, 25.0)
        assert bench.of("level.top-up")[-1].active


class TestLeak:
    @pytest.fixture(scope="class")
    @staticmethod
    def leaking() -> Bench:
        bench = Bench(LevelWatch(plan()), ml=300.0)
        bench.run(14.0, 25.0)
        bench.run(5.0, 65.0)
        return bench

    def test_sounds_within_hours(self, leaking: Bench) -> None:
        [raised] = leaking.of("level.leak")
        assert raised.active
        assert raised.priority is Priority.MEDIUM

    def test_says_rate_limit_and_reason(self, leaking: Bench) -> None:
        [raised] = leaking.of("level.leak")
        assert what(raised).startswith("More water goes: ")
        assert "Evaporation takes at most" in what(raised)
        assert "by the dryness of the air" in what(raised)

    def test_is_over_when_the_rate_is_as_before(self) -> None:
        bench = Bench(LevelWatch(plan()), ml=300.0)
        bench.run(10.0, 25.0)
        bench.run(5.0, 90.0)
        bench.run(10.0, 25.0)
        assert [f.active for f in bench.of("level.leak")] == [True, False]

    @pytest.mark.parametrize(
        ("name", "last"),
        [("room", 25.3), ("room", 30.0), ("water-a", 20.0), ("humidity", 95.0)],
    )
    def test_a_probe_that_is_wrong_for_minutes_and_then_silent_makes_none(
        self, name: str, last: float
    ) -> None:
        bench = calm(48.0)
        bench.pour(1200.0)
        bench.climate[name] = last
        bench.run(0.2, 25.0)
        del bench.climate[name]
        bench.run(10.0, 25.0)
        assert bench.of("level.leak") == []
        # and none is missed meanwhile
        bench.run(8.0, 75.0)
        assert [f.active for f in bench.of("level.leak")] == [True]

    @pytest.mark.parametrize("cools", [False, True])
    def test_is_one_for_sure_where_it_does_not_cool_the_water_and_none_where_it_does(
        self, cools: bool
    ) -> None:
        bench = calm(26.0, heated=True)
        bench.pour(650.0)
        bench.cools_ml_per_h = 85.0 if cools else 25.0
        bench.run(4.0, 85.0)
        raised = [f for f in bench.of("level.leak") if f.active]
        if cools:
            assert not raised
        else:
            assert raised[-1].priority is Priority.HIGH
            assert isinstance(raised[-1].facts, Leak)
            assert raised[-1].facts.sure is Sure.NOT_COOLED

    def test_that_goes_on_for_two_days_does_not_become_the_usual(self) -> None:
        bench = calm(48.0)
        bench.pour(500.0)
        for _ in range(6):
            bench.pour(700.0)
            bench.run(8.0, 80.0)
        assert all(f.active for f in bench.of("level.leak"))

    def test_a_pour_that_nobody_noted_is_none(self) -> None:
        bench = calm(10.0)
        bench.pour(240.0, noted=False)
        bench.run(11.0, 25.0)
        assert not bench.of("level.leak")
        assert "not noted" in bench.row("night.odd").basis


class TestTopUp:
    @pytest.fixture(scope="class")
    @staticmethod
    def dry() -> Bench:
        bench = Bench(LevelWatch(plan()), ml=-760.0)
        bench.run(5.0, 25.0)
        return bench

    def test_says_how_much_and_how_long(self, dry: Bench) -> None:
        [raised] = dry.of("level.top-up")
        assert "lowest safe level in" in what(raised)
        assert said(raised).do.startswith("First see that the pump runs, ")
        assert "the floor is dry. Then pour " in said(raised).do

    def test_is_over_after_a_pour(self, dry: Bench) -> None:
        dry.pour(850.0)
        dry.run(2.0, 25.0)
        assert not dry.of("level.top-up")[-1].active

    def test_too_much_is_another_alarm(self) -> None:
        bench = Bench(LevelWatch(plan()), ml=600.0)
        bench.run(4.0, 25.0)
        [raised] = bench.of("level.too-high")
        assert raised.active
        do = said(raised).do
        assert do.startswith("First see whether the pump runs. If it has stopped")
        assert do.index("take no water out") < do.index("If it runs, take 5")


class TestSensors:
    def test_a_float_that_contradicts_the_gauge_is_named(self) -> None:
        bench = Bench(LevelWatch(plan(with_float=True)), ml=400.0)
        bench.run(25.0, 25.0)
        bench.float_says = 0.0
        bench.run(5.0, 25.0)
        assert bench.of("float-low.stuck-down")[-1].active
        assert bench.of("level.disagree")[-1].active
        assert "Low float" in what(bench.of("level.disagree")[-1])

    def test_on_a_tanks_first_day_no_sensor_is_called_wrong(self) -> None:
        bench = Bench(LevelWatch(plan(with_float=True)), ml=-200.0)
        bench.run(4.0, 25.0)
        bench.float_says = 0.0
        bench.run(19.0, 25.0)
        assert not [f for f in bench.found if f.active and f.alarm != "level.top-up"]

    def test_a_float_that_agrees_is_not(self) -> None:
        bench = Bench(LevelWatch(plan(with_float=True)), ml=-560.0)
        bench.run(6.0, 25.0)
        assert not [f for f in bench.found if f.active and f.alarm.startswith("float")]

    def test_no_evaporation_where_there_should_be_is_told_after_half_a_day(self) -> None:
        bench = Bench(LevelWatch(plan()), ml=-100.0)
        bench.run(12.0, 25.0)
        bench.run(20.0, 0.0)
        assert bench.of("level.standstill")[-1].active
        assert bench.of("level.standstill")[-1].priority is Priority.LOW


class TestJournal:
    def test_a_late_pour_mends_the_night_that_is_told_already(self) -> None:
        bench = Bench(LevelWatch(plan()))
        bench.run(14.0, 25.0)
        bench.ml += 300.0
        poured = bench.utc
        bench.run(7.0, 25.0)
        told = [row for row in bench.rows if row.name == "night.loss"]
        bench.note("pour", 300.0, poured)
        bench.run(0.1, 25.0)
        again = [row for row in bench.rows if row.name == "night.loss"]
        assert len(again) == len(told) + 1
        assert again[-1].time_ms == told[-1].time_ms
        assert again[-1].low is not None
        assert again[-1].high is not None
        assert again[-1].low < 250.0 < again[-1].high
        assert "1 noted pours" in again[-1].basis

    def test_a_pour_that_is_struck_out_counts_no_more(self) -> None:
        bench = Bench(LevelWatch(plan()))
        bench.run(3.0, 25.0)
        entry = bench.note("pour", 500.0, bench.utc - HOUR)
        assert bench.watch.level is not None
        assert len(bench.watch.level.pours) == 1
        strikes = Entry(STRUCK, entry.at_ms, id=99, strikes=entry.id)
        bench.watch.note(strikes, entry)
        assert not bench.watch.level.pours

    def test_a_pour_from_tomorrow_waits_for_tomorrow(self) -> None:
        bench = Bench(LevelWatch(plan()))
        bench.run(1.0, 25.0)
        bench.note("pour", 200.0, bench.utc + 2 * HOUR)
        bench.run(1.0, 25.0)
        assert bench.watch.level is not None
        assert not bench.watch.level.pours
        bench.ml += 0.0
        bench.run(1.1, 25.0)
        assert len(bench.watch.level.pours) == 1

    @pytest.mark.parametrize("value", [-1200.0, 0.0])
    def test_what_adds_no_water_is_no_pour_and_the_morning_says_so(self, value: float) -> None:
        bench = calm(8.0)
        bench.note("pour", value, bench.utc)
        assert bench.watch.level is not None
        assert not bench.watch.level.pours
        bench.run(13.0, 25.0)
        assert f"A pour of {value:g} mL: a pour adds water." in bench.row("night.odd").basis

    def test_two_pours_a_minute_apart_are_two(self) -> None:
        bench = Bench(LevelWatch(plan()), ml=-400.0)
        bench.run(9.0, 25.0)
        bench.note("pour", 200.0, bench.utc - MINUTE)
        bench.note("pour", 200.0, bench.utc)
        bench.ml += 400.0
        bench.run(12.0, 25.0)
        loss = bench.row("night.loss")
        assert loss.low is not None
        assert loss.high is not None
        assert loss.low < 250.0 < loss.high

    def test_a_water_change_raises_nothing(self) -> None:
        bench = Bench(LevelWatch(plan()), ml=-200.0)
        bench.run(6.0, 25.0)
        kept = bench.ml
        bench.ml = -2000.0
        bench.run(0.4, 25.0)
        bench.ml = kept + 200.0
        bench.note("water-change", 10_000.0, bench.utc)
        bench.run(5.0, 25.0)
        assert not [f for f in bench.found if f.active]


class TestTrouble:
    def test_a_gauge_unplugged_for_hours_widens_and_does_not_lie(self) -> None:
        bench = calm(11.0)
        for _ in range(4 * 30):
            bench.now_ms += 2 * MINUTE
            bench.ml -= 25.0 / 30
            bench.found += bench.watch.tick(Moment(bench.now_ms, bench.utc, 1))
        bench.run(6.0, 25.0)
        loss = bench.row("night.loss")
        assert loss.low is not None
        assert loss.high is not None
        assert loss.low < 250.0 < loss.high
        assert not [f for f in bench.found if f.active]

    def test_thirty_days_away_end_in_a_fresh_start(self) -> None:
        bench = Bench(LevelWatch(plan()))
        bench.run(3.0, 25.0)
        bench.now_ms += 30 * 24 * HOUR
        bench.ml = 0.0
        bench.run(8.0, 25.0)
        assert not [f for f in bench.found if f.active]
        assert bench.row("level.now").value == pytest.approx(-200 / 16.2, abs=3.0)


class TestRestart:
    def test_two_halves_say_the_same_as_one_go(self) -> None:
        one, halves = calm(9.3), calm(9.3)
        for bench in (one, halves):
            bench.pour(200.0)
            bench.run(2.2, 25.0)
        kept = halves.watch.state()
        halves.watch = LevelWatch(plan())
        halves.watch.restore(kept)
        for bench in (one, halves):
            bench.run(9.5, 25.0)
        assert halves.rows == one.rows
        assert halves.watch.state() == one.watch.state()

    def test_in_the_first_two_hours_publishes_nothing_sooner(self) -> None:
        one, halves = Bench(LevelWatch(plan())), Bench(LevelWatch(plan()))
        one.run(3.0, 25.0)
        for _ in range(6):
            halves.run(0.5, 25.0)
            kept = halves.watch.state()
            halves.watch = LevelWatch(plan())
            halves.watch.restore(kept)
        assert one.rows == halves.rows

    def test_in_a_leak_makes_no_window_of_it_the_usual(self) -> None:
        pasts = []
        for restarts in (False, True):
            bench = calm(24.0, ml=300.0)
            bench.run(5.8, 75.0)
            if restarts:
                kept = bench.watch.state()
                bench.watch = LevelWatch(plan())
                bench.watch.restore(kept)
                # what was read since the state was kept is taken in before the first tick
                for n in range(1, 15):
                    moment = Moment(bench.now_ms + n * MINUTE, bench.utc + n * MINUTE, 1)
                    mm = (bench.ml - 1.25 * n) / AREA * 1000
                    bench.watch.see(Reading("level", moment, mm, Flag.PASS))
                bench.now_ms += 14 * MINUTE
                bench.ml -= 1.25 * 14
            bench.run(1.0, 75.0)
            pasts.append([w.end_ms for w in bench.watch._record.memory.past])
        assert pasts[0] == pasts[1]

    def test_a_pump_that_stood_before_it_is_still_odd_in_the_morning(self) -> None:
        bench = calm(11.0)
        bench.ml += 300.0
        bench.run(1.0, 25.0)
        bench.ml -= 300.0
        bench.run(2.0, 25.0)
        kept = bench.watch.state()
        bench.watch = LevelWatch(plan())
        bench.watch.restore(kept)
        bench.run(7.0, 25.0)
        assert "as when the pump stands" in bench.row("night.odd").basis

    def test_a_pour_entered_after_a_state_was_kept_is_in_the_next(self) -> None:
        bench = Bench(LevelWatch(plan()))
        bench.run(9.0, 25.0)
        poured = bench.utc
        bench.pour(200.0, noted=False)
        bench.run(9.0, 25.0)
        bench.watch.state()
        bench.note("pour", 200.0, poured)
        again = LevelWatch(plan())
        again.restore(bench.watch.state())
        assert again.level == bench.watch.level

    @pytest.mark.parametrize(
        ("of", "damaged"),
        [
            ("line", [0, None, 0]),
            ("line", {"mono_ms": "x"}),
            ("looked_ms", "x"),
            ("looked_ms", float("inf")),
            ("slice_sum", [0.0, "x"]),
            ("share_sums", {"float-low": 1.0}),
            ("climate", {"room": {"at_ms": []}}),
            ("climate", {"room": [0, 20.0]}),
        ],
    )
    def test_one_damaged_number_is_refused_at_once_and_not_met_at_the_next_reading(
        self, of: str, damaged: object
    ) -> None:
        form, kept = json.loads(LevelWatch(plan()).state())
        assert of in kept["memory"]
        kept["memory"][of] = damaged
        with pytest.raises(ValueError, match="can't be used"):
            LevelWatch(plan()).restore(json.dumps([form, kept], separators=(",", ":")))

    @pytest.mark.parametrize("state", ["{}", "[]", '{"form": 99}', "nonsense"])
    def test_a_state_that_can_not_be_used_is_refused(self, state: str) -> None:
        watch = LevelWatch(plan())
        with pytest.raises(ValueError, match=r"."):
            watch.restore(state)
        assert watch.level is None

    def test_other_sensors_begin_anew(self) -> None:
        bench = Bench(LevelWatch(plan()))
        bench.run(1.0, 25.0)
        with pytest.raises(ValueError, match="sensors"):
            LevelWatch(plan(with_float=True)).restore(bench.watch.state())


class TestExpansion:
    def test_is_that_of_the_density(self) -> None:
        # source of the check: EOS-80 (UNESCO Technical Paper in Marine Science 44)
        warm, cool = density_kg_m3(35.0, 25.5), density_kg_m3(35.0, 24.5)
        by_density = (cool - warm) / density_kg_m3(35.0, 25.0)
        assert pytest.approx(by_density, rel=5e-3) == EXPANSION_PER_K


class TestClimate:
    def test_speaks_for_as_long_as_three_of_its_readings_take(self) -> None:
        for every_s in (20, 120, 600, 3600):
            said = Climate.first(0, 20.0)
            for n in range(1, 6):
                said.take(n * every_s * 1000, 20.0)
            may_ms = min(HOUR, max(5 * MINUTE, 3000 * every_s))
            assert said.silent_ms(said.at_ms + may_ms) == 0
            assert said.silent_ms(said.at_ms + may_ms + 1) == may_ms + 1

    @given(st.lists(st.tuples(st.integers(1, 7200), st.floats(-20.0, 40.0)), max_size=60))
    def test_usually_says_what_lies_between_the_extremes(
        self, readings: list[tuple[int, float]]
    ) -> None:
        said = Climate.first(0, 20.0)
        at_ms = 0
        for passed_s, value in readings:
            at_ms += 1000 * passed_s
            said.take(at_ms, value)
        values = [20.0, *(value for _, value in readings)]
        assert min(values) - 1e-9 <= said.usual <= max(values) + 1e-9

    def test_usually_says_next_to_nothing_of_its_last_minutes(self) -> None:
        said = Climate.first(0, 20.0)
        for n in range(1, 48 * 60):
            said.take(n * MINUTE, 20.0)
        for n in range(48 * 60, 48 * 60 + 10):
            said.take(n * MINUTE, 30.0)
        # ten minutes of a day at 10 K more are 0.07 K
        assert said.usual == pytest.approx(20.07, abs=0.01)


class TestTimeline:
    def test_is_utc_while_nobody_steps_the_clock(self) -> None:
        line = Timeline()
        assert [line.at(Moment(m, NOON + m, 1)) for m in (0, 5, 10_000)] == [
            NOON,
            NOON + 5,
            NOON + 10_000,
        ]

    def test_a_hand_on_the_clock_moves_nothing(self) -> None:
        line = Timeline()
        late = 10 * HOUR
        line.at(Moment(late, NOON, 1))
        assert line.at(Moment(late + 1000, NOON + 1000 - HOUR, 2)) == NOON + 1000
        assert line.of_utc(NOON + 1000 - HOUR) == NOON + 1000

    def test_a_restart_jumps_by_how_long_it_was_off(self) -> None:
        line = Timeline()
        line.at(Moment(50 * HOUR, NOON, 1))
        assert line.at(Moment(20_000, NOON + 3 * HOUR, 2)) == NOON + 3 * HOUR

    def test_a_boot_in_the_past_waits_and_jumps_when_the_clock_is_set(self) -> None:
        line = Timeline()
        line.at(Moment(50 * HOUR, NOON, 1))
        assert line.at(Moment(20_000, NOON - 9 * HOUR, 2)) == NOON
        assert line.at(Moment(80_000, NOON + 3 * HOUR, 3)) == NOON + 3 * HOUR

    def test_an_earlier_time_is_a_moment_by_both_clocks_and_a_later_one_is_now(self) -> None:
        line = Timeline()
        now = Moment(10 * HOUR, NOON, 3)
        at = line.at(now)
        assert line.moment(at - HOUR, now) == Moment(9 * HOUR, NOON - HOUR, 3)
        assert line.moment(at + HOUR, now) == now

    @given(
        st.lists(
            st.tuples(
                st.integers(0, 100 * HOUR), st.integers(-30 * HOUR, 30 * HOUR), st.booleans()
            ),
            max_size=20,
        )
    )
    def test_never_goes_back(self, moves: list[tuple[int, int, bool]]) -> None:
        line, mono, offset, newest = Timeline(), 0, NOON, 0
        for passed, step, boot in moves:
            mono = 1000 if boot and mono > 70_000 else mono + passed
            offset += step
            at = line.at(Moment(mono, mono + offset, 1))
            assert at >= newest
            newest = at


def windows(rate: float, expected: float, n: int) -> Iterator[rules.PastWindow]:
    yield from (rules.PastWindow(k, rate, 1.0, expected) for k in range(n))


class TestDaysHaveHours:
    """A fan runs from noon to six: 66 mL/h instead of 22."""

    @staticmethod
    def past(days: int, *, odd: bool = False) -> list[rules.PastWindow]:
        slots = range(1, 4 * days + 1)
        return [
            rules.PastWindow(
                k * rules.WINDOW_MS, 66.0 if k % 4 == 3 else 22.0, 2.0, None, odd and k % 4 == 3
            )
            for k in slots
        ]

    @staticmethod
    def at(rate: float, days: int, hour: float, *, odd: bool = False, over_h: int = 2) -> bool:
        over = rules.RateNow(rate, 3.0, 22.5, False, 0.0)
        now_ms = days * 24 * HOUR + round(hour * HOUR)
        span = range(now_ms - over_h * HOUR, now_ms)
        past = TestDaysHaveHours.past(days, odd=odd)
        return rules.leaks(over, rules.usual(over, past, 0.25, span))

    @pytest.mark.parametrize("hour", [13.0, 16.0, 18.0, 19.5])
    def test_what_came_at_these_hours_on_two_days_is_usual(self, hour: float) -> None:
        assert not self.at(66.0, 2, hour)

    def test_hours_that_are_looked_back_on_count_with_the_fan_that_ran_in_them(self) -> None:
        assert not self.at(45.0, 14, 23.0, over_h=8)
        assert self.at(45.0, 14, 8.0, over_h=8)

    @pytest.mark.parametrize("hour", [0.5, 4.0, 8.0])
    def test_at_other_hours_it_is_a_leak(self, hour: float) -> None:
        assert self.at(66.0, 4, hour)

    def test_a_leak_that_goes_on_teaches_nothing(self) -> None:
        assert self.at(66.0, 4, 14.0, odd=True)

    def test_a_leak_beside_the_fan_is_one(self) -> None:
        assert self.at(66.0 + 150.0, 4, 15.0)

    @pytest.mark.parametrize(
        ("rate", "heat", "hours", "why"),
        [
            (80.0, 0.0, 3, None),
            (80.0, 3.5, 3, Sure.NOT_COOLED),
            (80.0, 0.0, 25, Sure.GOES_ON),
            (400.0, 0.0, 3, Sure.TOO_MUCH),
        ],
    )
    def test_what_makes_it_one_for_sure(
        self, rate: float, heat: float, hours: int, why: Sure | None
    ) -> None:
        over, bound = rules.RateNow(rate, 3.0, 22.5, False, 0.0), rules.Usual(25.0, 40.0, 20, True)
        assert rules.surely_leaks(over, bound, heat, hours * HOUR) is why


class TestRules:
    @given(st.floats(1, 80), st.floats(5, 60), st.integers(0, 56), st.booleans())
    def test_what_is_allowed_lies_well_above_what_is_usual(
        self, rate: float, expected: float, n: int, physics: bool
    ) -> None:
        now = rules.RateNow(rate, 1.0, expected, physics, 0.0)
        bound = rules.usual(now, list(windows(rate, expected, n)), 0.25)
        assert bound.allowed >= 1.5 * bound.middle - 1e-9
        assert bound.allowed >= bound.middle + 8.0 - 1e-9

    @pytest.mark.parametrize(("rate", "sd", "leaks"), [(60.0, 5.0, True), (50.0, 5.0, False)])
    def test_what_the_tank_and_what_the_measurement_strays_by_are_independent(
        self, rate: float, sd: float, leaks: bool
    ) -> None:
        over, bound = rules.RateNow(rate, sd, 25.0, True, 0.0), rules.Usual(25.0, 45.0, 20, True)
        assert rules.leaks(over, bound) is leaks

    def test_a_restless_tank_is_allowed_more_and_noise_is_no_restlessness(self) -> None:
        now = rules.RateNow(25.0, 1.0, 25.0, True, 0.0)

        def allowed(swing: float, sd: float) -> float:
            rates = [25.0 + swing * (-1) ** k for k in range(40)]
            past = [rules.PastWindow(k, rate, sd, 25.0) for k, rate in enumerate(rates)]
            return rules.usual(now, past, 0.25).allowed

        quiet = allowed(0.0, 1.0)
        assert allowed(5.0, 7.5) == pytest.approx(quiet)
        assert allowed(5.0, 1.0) > quiet + 10.0

    def test_a_tank_that_loses_twice_what_physics_expects_learns_it_in_its_first_days(self) -> None:
        now = rules.RateNow(50.0, 2.0, 25.0, True, 0.0)
        assert not rules.unlike(now, rules.usual(now, list(windows(35.0, 25.0, 2)), 0.43))
        assert rules.unlike(now, rules.usual(now, list(windows(35.0, 25.0, 8)), 0.43))

    def test_the_usual_follows_the_humidity(self) -> None:
        past = list(windows(20.0, 25.0, 56))
        dry = rules.usual(rules.RateNow(40.0, 1.0, 50.0, True, 0.0), past, 0.25)
        damp = rules.usual(rules.RateNow(40.0, 1.0, 25.0, True, 0.0), past, 0.25)
        assert not rules.leaks(rules.RateNow(40.0, 1.0, 50.0, True, 0.0), dry)
        assert rules.leaks(rules.RateNow(40.0, 1.0, 25.0, True, 0.0), damp)

    def test_a_loss_that_does_not_follow_the_air_is_a_slow_leak(self) -> None:
        swings = [15.0, 20.0, 25.0, 30.0] * 10
        seeping = [rules.PastWindow(k, 0.8 * x + 25.0, 1.0, x) for k, x in enumerate(swings)]
        sound = [rules.PastWindow(k, 0.8 * x, 1.0, x) for k, x in enumerate(swings)]
        assert rules.seeps(rules.steady_part(seeping), seeping)
        assert not rules.seeps(rules.steady_part(sound), sound)

    def test_air_that_does_not_swing_tells_nothing(self) -> None:
        assert rules.steady_part(list(windows(50.0, 25.0, 50))) is None
