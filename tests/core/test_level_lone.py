"""One float alone: pours that nobody noted, and a float that never opens."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.estimate.level.evidence import Pour, PumpStopped, Share, WaterChange
from stillwell.estimate.level.geometry import FloatSpec, Geometry
from stillwell.estimate.level.model import LevelModel
from stillwell.estimate.level.state import LevelState
from stillwell.observe.chamber import rules
from stillwell.observe.chamber.lone import (
    closed_since,
    reckoned_hours,
    unnoted_rises,
    unseen_pours,
)
from stillwell.observe.chamber.plan import FloatChannel, LevelPlan

MIN = 60_000
H = 60 * MIN
FLOAT = LevelModel(Geometry(16_200.0), (FloatSpec("low", -12.0),))
SLICE = FLOAT.slice_ms


def seen(*spans: tuple[float, float], until: float = 30) -> LevelState:
    """A float that is closed within some spans of hours, and open else."""
    state = FLOAT.start(0)
    for t in range(5 * MIN, round(until * H), 5 * MIN):
        closed = any(a * H <= t < b * H for a, b in spans)
        state = FLOAT.update(state, Share("low", t - 5 * MIN, t, float(closed), 5), t)
    return FLOAT.tick(state, round(until * H))


class TestUnnotedRises:
    def test_a_closing_without_a_note_is_one(self) -> None:
        [at] = unnoted_rises(seen((0, 8), (21, 30)), "low", SLICE)
        assert abs(at - 21 * H) <= 2 * SLICE

    def test_a_note_hours_off_is_a_note(self) -> None:
        state = FLOAT.update(seen((0, 8), (21, 30)), Pour(18 * H, 300.0, 10.0), 30 * H)
        assert unnoted_rises(state, "low", SLICE) == []

    def test_being_closed_at_the_beginning_is_none(self) -> None:
        assert unnoted_rises(seen((0, 8)), "low", SLICE) == []

    def test_the_pump_that_stands_makes_none(self) -> None:
        state = FLOAT.update(seen((21, 22)), PumpStopped(21 * H, 22 * H), 30 * H)
        assert unnoted_rises(state, "low", SLICE) == []


class TestClosedSince:
    def test_is_the_last_closing(self) -> None:
        since = closed_since(seen((0, 8), (21, 99)), "low", SLICE)
        assert since is not None
        assert abs(since - 21 * H) <= 2 * SLICE

    def test_is_none_while_it_is_open_or_not_heard(self) -> None:
        assert closed_since(seen((0, 8)), "low", SLICE) is None
        assert closed_since(FLOAT.tick(seen((0, 99)), 33 * H), "low", SLICE) is None

    def test_begins_anew_with_a_water_change(self) -> None:
        state = FLOAT.update(seen((0, 99)), WaterChange(9 * H, 10 * H), 30 * H)
        assert closed_since(state, "low", SLICE) == 10 * H


class TestReckonedHours:
    """The float opens at -14 mm, 50 mL/h go, the lowest safe level is -60 mm: 46 mm or 745 mL."""

    def hours(self, state: LevelState, height: float = -12.0) -> float | None:
        spec = FloatSpec("low", height)
        plan = LevelPlan(Geometry(16_200.0, lowest_safe_mm=-60.0), (FloatChannel(spec),))
        return reckoned_hours(state, plan, SLICE, 50.0)

    def test_count_from_where_the_water_passed_the_float(self) -> None:
        assert self.hours(seen((0, 8), until=12)) == pytest.approx(745.2 / 50 - 4, abs=0.2)
        assert self.hours(seen((0, 8), until=30)) == pytest.approx(745.2 / 50 - 22, abs=0.2)

    def test_grow_by_what_is_poured_and_noted(self) -> None:
        state = FLOAT.update(seen((0, 8), until=12), Pour(10 * H, 100.0, 5.0), 12 * H)
        assert self.hours(state) == pytest.approx(845.2 / 50 - 4, abs=0.2)

    def test_have_no_end_while_it_is_closed(self) -> None:
        assert self.hours(seen((0, 99), until=12)) == math.inf

    def test_are_none_where_the_water_was_never_seen_to_pass(self) -> None:
        assert self.hours(seen(until=90)) is None

    def test_are_none_after_a_water_change(self) -> None:
        state = FLOAT.update(seen((0, 8), until=30), WaterChange(9 * H, 10 * H), 30 * H)
        assert self.hours(state) is None

    def test_are_none_for_a_float_above_the_mark_which_no_usual_pour_reaches(self) -> None:
        assert self.hours(seen((0, 8)), height=10.0) is None


class TestUnseenPours:
    def count(self, *pours: tuple[float, float]) -> int:
        state = seen((0, 8), until=60)
        for at, ml in pours:
            state = FLOAT.update(state, Pour(round(at * H), ml, 10.0), 60 * H)
        return unseen_pours(state, "low", SLICE, 25.0, 80.0)

    def test_those_are_counted_that_must_have_closed_it(self) -> None:
        assert self.count((20, 600.0)) == 1
        assert self.count((20, 600.0), (44, 600.0)) == 2

    def test_one_that_was_noted_twice_is_one(self) -> None:
        assert self.count((20, 600.0), (21, 600.0)) == 1

    def test_what_evaporates_meanwhile_is_no_evidence(self) -> None:
        assert self.count((20, 300.0), (44, 300.0)) == 0

    def test_a_pour_while_it_was_closed_is_none(self) -> None:
        assert self.count((5, 600.0)) == 0


class TestMustHavePassed:
    @given(
        st.floats(0, 500), st.floats(0, 2000), st.floats(1, 80), st.integers(0, 56), st.booleans()
    )
    def test_is_never_said_of_water_that_three_fifths_of_the_usual_leave_above_it(
        self, hours: float, above: float, usual: float, windows: int, physics: bool
    ) -> None:
        bound = rules.Usual(usual, 2 * usual, windows, physics)
        if rules.must_have_passed(hours, above, bound):
            assert windows >= 8
            assert 0.6 * usual * hours > above

    @pytest.mark.parametrize(("hours", "said"), [(40.0, False), (50.0, True)])
    def test_is_said_in_time(self, hours: float, said: bool) -> None:
        bound = rules.Usual(20.0, 40.0, 20, False)
        assert rules.must_have_passed(hours, 500.0, bound) is said
