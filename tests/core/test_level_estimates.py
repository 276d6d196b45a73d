"""What the level estimator says of plain days: its numbers, its intervals, when it says nothing.

Truth comes from straight lines, without noise where the noise is not the subject.
"""

from __future__ import annotations

import random

import pytest

from stillwell.estimate.answer import Estimate, NotEnough
from stillwell.estimate.level.evidence import Expect, Gauge, Pour, PumpStopped, Share, WaterChange
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry
from stillwell.estimate.level.model import LevelModel
from stillwell.estimate.level.state import LevelState
from stillwell.form import Form
from tanks.level import CHAMBER, DAY, MIN, ML_PER_MM, Event, H, Water, number, phi, play, reason


def slick(name: str, height: float) -> FloatSpec:
    return FloatSpec(name, height, differential_mm=0.0)


GAUGE = LevelModel(CHAMBER, gauge=GaugeSpec(0.5))
LOW = LevelModel(CHAMBER, (slick("low", -12.0),))
LADDER = LevelModel(CHAMBER, (slick("low", -18.0), slick("mid", -12.0), slick("high", -6.0)))


FORM = Form(LevelState)


class TestLoss:
    def test_a_gauge_gives_the_nights_loss_within_its_interval(self) -> None:
        state = play(GAUGE, Water().gauge(0, 12 * H), 12 * H)
        loss = number(GAUGE.loss(state, 2 * H, 12 * H))
        assert loss.low < 240.0 < loss.high
        assert loss.value == pytest.approx(240.0, abs=8.0)
        # five per cent of area is all that is uncertain here
        assert loss.high - loss.low == pytest.approx(2 * 1.96 * 0.05 * 240, rel=0.15)
        assert str(loss.basis[0]).endswith("gauge readings")

    def test_a_ladder_gives_the_loss_between_its_floats(self) -> None:
        water = Water()
        events = [
            e
            for n, h in (("low", -18.0), ("mid", -12.0), ("high", -6.0))
            for e in water.float_(n, h, 0, 13 * H)
        ]
        state = play(LADDER, events, 13 * H)
        loss = number(LADDER.loss(state, 3 * H, 13 * H))
        assert loss.low < 240.0 < loss.high
        assert loss.value == pytest.approx(240.0, abs=12.0)
        assert any("partly closed" in b.kind for b in loss.basis)

    def test_between_two_returns_to_one_height_the_loss_is_what_was_poured(self) -> None:
        # the chamber is really 12 % larger than stated: the ledger does not care
        model = LevelModel(Geometry(16200.0 / 1.12, 0.05), (slick("low", -12.0),))
        water = Water(24.0, 0.0).pour(12 * H, 240.0).pour(20 * H, 200.0)
        a = round(12.0 * ML_PER_MM / 24.0 * H)
        b = round((12.0 * ML_PER_MM + 440.0) / 24.0 * H)
        end = b + 2 * H
        events = water.float_("low", -12.0, 0, end)
        events += [(t, Pour(t, ml, 2.0)) for t, ml in water.pours]
        loss = number(model.loss(play(model, events, end), a, b))
        assert loss.value == pytest.approx(440.0, abs=6.0)
        # far tighter than five per cent of area would allow
        assert loss.high - loss.low < 2 * 1.96 * 0.05 * 440 * 0.5

    def test_rate_and_litres_a_day_are_the_loss_over_time(self) -> None:
        state = play(GAUGE, Water().gauge(0, 12 * H), 12 * H)
        loss = number(GAUGE.loss(state, 2 * H, 12 * H))
        rate = number(GAUGE.rate(state, 2 * H, 12 * H))
        assert rate.value == pytest.approx(loss.value / 10)
        assert rate.scaled(0.024, "L/d").value == pytest.approx(loss.value * 2.4 / 1000)
        assert rate.unit == "mL/h"

    def test_no_sensor_no_number(self) -> None:
        model = LevelModel(CHAMBER)
        state = play(model, [(H, Pour(H, 500.0, 5.0))], 12 * H)
        assert "no float and no gauge" in reason(model.loss(state, 2 * H, 12 * H))

    def test_a_float_that_never_changes_is_no_basis(self) -> None:
        water = Water(24.0, 20.0)
        state = play(LOW, water.float_("low", -12.0, 0, 12 * H), 12 * H)
        assert "No float changed" in reason(LOW.loss(state, 2 * H, 12 * H))

    def test_windows_that_cannot_be_answered_say_why(self) -> None:
        state = play(GAUGE, Water().gauge(0, 5 * H), 5 * H)
        assert "future" in reason(GAUGE.loss(state, 2 * H, 6 * H))
        assert "ends before" in reason(GAUGE.loss(state, 3 * H, 2 * H))
        assert "begins before" in reason(GAUGE.loss(state, -DAY, 2 * H))


class TestNow:
    def test_level_water_to_add_and_rate(self) -> None:
        state = play(GAUGE, Water(24.0, 0.0).gauge(0, 10 * H), 10 * H)
        level = number(GAUGE.level_now(state))
        assert level.low < -240 / ML_PER_MM < level.high
        add = number(GAUGE.to_fill_mark(state))
        assert add.low < 240.0 < add.high
        rate = number(GAUGE.rate_now(state))
        assert rate.low < 24.0 < rate.high

    def test_hours_to_the_lowest_safe_level(self) -> None:
        state = play(GAUGE, Water(24.0, 0.0).gauge(0, 10 * H), 10 * H)
        hours = number(GAUGE.hours_to(state, -45.0))
        truth = (45.0 - 240 / ML_PER_MM) * ML_PER_MM / 24.0
        assert hours.low < truth < hours.high
        assert hours.value == pytest.approx(truth, rel=0.15)

    def test_already_below_is_zero_hours(self) -> None:
        state = play(GAUGE, Water(24.0, -30.0).gauge(0, 10 * H), 10 * H)
        assert number(GAUGE.hours_to(state, -20.0)).value == 0.0

    def test_nothing_heard_yet_gives_no_level(self) -> None:
        state = GAUGE.tick(GAUGE.start(0), H)
        for answer in (
            GAUGE.level_now(state),
            GAUGE.to_fill_mark(state),
            GAUGE.rate_now(state),
            GAUGE.hours_to(state, -45.0),
        ):
            assert "No level sensor was heard" in reason(answer)

    def test_a_fill_to_the_mark_tells_the_level_without_a_sensor(self) -> None:
        model = LevelModel(CHAMBER, (slick("low", -30.0),))
        state = play(model, [(H, Pour(H, None, to_mark=True))], H + MIN)
        assert number(model.level_now(state)).value == pytest.approx(0.0, abs=1.0)


class TestAreaIsLearned:
    def test_a_noted_pour_in_view_of_the_gauge_narrows_the_interval(self) -> None:
        water = Water().pour(6 * H, 500.0)
        events = water.gauge(0, 12 * H)
        without = number(GAUGE.loss(play(GAUGE, Water().gauge(0, 12 * H), 12 * H), 7 * H, 12 * H))
        noted = number(
            GAUGE.loss(
                play(GAUGE, [*events, (6 * H, Pour(6 * H, 500.0, 2.0))], 12 * H), 7 * H, 12 * H
            )
        )
        assert noted.low < 120.0 < noted.high
        assert (noted.high - noted.low) < 0.7 * (without.high - without.low)

    def test_the_worth_of_a_calibration_is_what_it_turns_out_to_be(self) -> None:
        before = play(GAUGE, Water().gauge(0, 12 * H), 12 * H)
        worth = GAUGE.calibration_worth(before, 2 * H, 12 * H, 500.0, 2.0)
        assert not isinstance(worth, NotEnough)
        assert worth.halves
        water = Water().pour(12 * H, 500.0)
        after = play(
            GAUGE,
            [*water.gauge(12 * H + MIN, 15 * H, seed=4), (12 * H, Pour(12 * H, 500.0, 2.0))],
            15 * H,
            before,
        )
        now = number(GAUGE.loss(after, 2 * H, 12 * H))
        assert (now.high - now.low) / 2 == pytest.approx(worth.after, rel=0.35)
        assert worth.before == pytest.approx(1.96 * 0.05 * 240, rel=0.15)

    def test_one_float_alone_cannot_be_calibrated_so(self) -> None:
        state = LOW.tick(LOW.start(0), 12 * H)
        assert "One float" in reason(LOW.calibration_worth(state, 2 * H, 12 * H))


class TestPhysics:
    def test_its_course_shapes_the_night_between_what_the_level_tells(self) -> None:
        # 36 mL/h until 6 h, then 7.2; the gauge is heard in the first and the last hour only, and
        # physics knows the course but not the amount
        def level(t: int) -> float:
            return -(36.0 * min(t, 6 * H) + 7.2 * max(0, t - 6 * H)) / H / ML_PER_MM

        draw = random.Random(2)
        heard: list[Event] = [
            (t, Gauge(t, level(t) + draw.gauss(0, 0.5)))
            for t in range(0, 12 * H + 1, MIN)
            if t <= H or t >= 11 * H
        ]
        expected: list[Event] = [
            (t, Expect(t, 30.0 if t < 6 * H else 6.0, 0.25)) for t in range(0, 12 * H, 10 * MIN)
        ]
        told = play(GAUGE, [*heard, *expected], 12 * H)
        early = number(GAUGE.loss(told, H, 6 * H))
        late, _ = GAUGE.expected_loss(told, 6 * H, 11 * H)
        assert early.low < 180.0 < early.high
        assert early.value == pytest.approx(180.0, rel=0.1)
        assert late == pytest.approx(36.0, abs=12.0)
        blind, _ = GAUGE.expected_loss(play(GAUGE, heard, 12 * H), H, 6 * H)
        assert abs(blind - 180.0) > 2 * abs(early.value - 180.0)

    def test_its_amount_counts_once_however_often_it_is_told(self) -> None:
        seldom = play(
            GAUGE, [(t, Expect(t, 20.0, 0.3)) for t in range(0, 12 * H, 60 * MIN)], 12 * H
        )
        often = play(GAUGE, [(t, Expect(t, 20.0, 0.3)) for t in range(0, 12 * H, MIN)], 12 * H)
        a, b = GAUGE.rate_view(seldom), GAUGE.rate_view(often)
        assert b.long_run_sd == pytest.approx(a.long_run_sd, rel=0.02)
        assert 0.25 < b.long_run_sd < 0.5

    def test_it_does_not_overrule_the_level(self) -> None:
        events: list[Event] = [(t, Expect(t, 12.0, 0.25)) for t in range(0, 24 * H, 10 * MIN)]
        state = play(GAUGE, [*events, *Water(24.0).gauge(0, 24 * H)], 24 * H)
        loss = number(GAUGE.loss(state, 14 * H, 24 * H))
        assert loss.value == pytest.approx(240.0, abs=8.0)
        view = GAUGE.rate_view(state)
        assert view.now == pytest.approx(2.0, abs=0.15)


class TestLeak:
    """40 mL/h on top of 24, from one minute to the next."""

    @staticmethod
    def events(until: int, with_floats: bool = False) -> list[Event]:
        draw = random.Random(8)
        start = 20 * H
        top = 27.6 if with_floats else 15.0

        def level(t: float) -> float:
            return top - (24.0 * t + 40.0 * max(0.0, t - start)) / H / ML_PER_MM

        out: list[Event] = []
        for t in range(MIN, until + 1, MIN):
            if not with_floats:
                out.append((t, Gauge(t, level(t) + draw.gauss(0, 0.5))))
                continue
            for name, height in (("low", -18.0), ("mid", -12.0), ("high", -6.0)):
                share = round(60 * phi((level(t - MIN / 2) - height) / 0.8)) / 60
                out.append((t, Share(name, t - MIN, t, share, 60)))
        return out

    def test_a_gauge_shows_it_in_the_rate_within_two_hours(self) -> None:
        view = GAUGE.rate_view(play(GAUGE, self.events(20 * H), 20 * H))
        assert view.now == pytest.approx(24.0 / 22.5, abs=0.25)
        view = GAUGE.rate_view(play(GAUGE, self.events(22 * H), 22 * H))
        assert view.now * view.expected_ml_per_h == pytest.approx(64.0, abs=15.0)
        assert view.departure > 4 * view.departure_sd

    def test_its_water_is_in_the_loss_and_not_explained_away(self) -> None:
        for model, ladder in ((GAUGE, False), (LADDER, True)):
            state = play(model, self.events(24 * H, ladder), 24 * H)
            loss = number(model.loss(state, 18 * H, 24 * H))
            assert loss.low < 6 * 24.0 + 4 * 40.0 < loss.high
            kinds = {o.kind for o in model.oddities(state, 0, 24 * H)}
            assert kinds <= {"rate break"}


class TestPauses:
    def test_what_drains_back_while_the_pump_stands_is_no_pour_and_no_loss(self) -> None:
        quiet = Water().gauge(0, 12 * H)
        events = [
            (t, Gauge(t, e.mm + (22.0 if 5 * H <= t < 6 * H else 0.0)))
            for t, e in quiet
            if isinstance(e, Gauge)
        ]
        state = play(GAUGE, [*events, (6 * H, PumpStopped(5 * H, 6 * H))], 12 * H)
        loss = number(GAUGE.loss(state, 2 * H, 12 * H))
        assert loss.low < 240.0 < loss.high
        assert GAUGE.oddities(state, 0, 12 * H) == ()

    def test_after_a_water_change_the_level_starts_anew(self) -> None:
        before = Water(24.0, 0.0).gauge(0, 5 * H)
        after = Water(24.0, 15.0).gauge(6 * H, 12 * H)
        mess: list[Event] = [(t, Gauge(t, -30.0)) for t in range(5 * H + MIN, 6 * H, MIN)]
        events: list[Event] = [*before, *mess, *after, (6 * H, WaterChange(5 * H, 6 * H))]
        state = play(GAUGE, events, 12 * H)
        loss = number(GAUGE.loss(state, 2 * H, 12 * H))
        assert loss.low < 240.0 < loss.high
        level = number(GAUGE.level_now(state))
        assert level.value == pytest.approx(15.0 - 24.0 * 12 / ML_PER_MM, abs=1.0)


class TestOneStory:
    """Everything said is a function of the ledger."""

    EVENTS: tuple[Event, ...] = (
        *Water().pour(8 * H, 200.0).gauge(0, 30 * H),
        *Water().pour(8 * H, 200.0).float_("low", -12.0, 0, 30 * H),
        (8 * H, Pour(8 * H, 200.0, 4.0)),
    )
    MODEL = LevelModel(CHAMBER, (slick("low", -12.0),), GaugeSpec(0.5))

    @pytest.mark.parametrize("cut", [1, 7 * H + 13 * MIN, 20 * H + MIN])
    def test_one_go_equals_two_halves_with_a_restart_between(self, cut: int) -> None:
        m = self.MODEL
        whole = play(m, self.EVENTS, 30 * H)
        first = play(m, [e for e in self.EVENTS if e[0] <= cut], cut)
        again = FORM.read(FORM.text(first))
        assert again == first
        second = LevelModel(m.geometry, m.physics.floats, m.physics.gauge)
        halves = play(second, [e for e in self.EVENTS if e[0] > cut], 30 * H, again)
        assert halves == whole
        assert second.loss(halves, 10 * H, 30 * H) == m.loss(whole, 10 * H, 30 * H)

    def test_a_pour_entered_late_gives_the_same_numbers(self) -> None:
        m = self.MODEL
        whole = play(m, self.EVENTS, 30 * H)
        late = play(m, [e for e in self.EVENTS if not isinstance(e[1], Pour)], 30 * H)
        assert m.oddities(late, 0, 30 * H)[0].kind == "unnoted pour"
        late = m.update(late, Pour(8 * H, 200.0, 4.0), 30 * H)
        assert late.slices == whole.slices
        assert m.loss(late, 10 * H, 30 * H) == m.loss(whole, 10 * H, 30 * H)
        assert m.oddities(late, 0, 30 * H) == ()

    def test_memory_is_bounded_and_old_windows_are_refused(self) -> None:
        model = GAUGE
        water = Water()
        for day in range(40):
            water.pour(day * DAY, 24.0 * 24)
        events: list[Event] = [(t, Gauge(t, water.level(t))) for t in range(0, 40 * DAY, 10 * MIN)]
        events += [(t, Pour(t, ml, 5.0)) for t, ml in water.pours]
        state = play(model, events, 40 * DAY)
        assert len(state.slices) <= 16 * 144
        assert len(state.checkpoints) <= 16 * 4 + 2
        assert len(state.pours) <= 17
        assert "remembered" in reason(model.loss(state, DAY, 2 * DAY))
        assert isinstance(model.loss(state, 39 * DAY, 40 * DAY), Estimate)
        assert len(FORM.text(state)) < 400_000
