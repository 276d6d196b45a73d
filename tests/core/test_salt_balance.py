"""The salt balance: salt is conserved, the interval grows and closes, causes are told apart."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

import in_words
from stillwell.estimate.salt.balance import (
    SaltState,
    advanced,
    begun,
    salinity_estimate,
    unnoted_estimate,
    updated,
)
from stillwell.estimate.salt.mending import bring_back
from stillwell.estimate.salt.told import (
    Check,
    Exchange,
    MissingWater,
    SaltParameters,
    TopUp,
    kilograms,
)
from stillwell.observe.salt.alarms import (
    HIGH,
    LOW,
    UNSURE,
    Likely,
    causes,
    explained,
    findings,
)
from stillwell.observe.salt.facts import Cause
from stillwell.units import System

DAY = 86_400_000
TANK = SaltParameters(full_ml=68_000.0)


def known(salinity: float = 35.0, sd: float = 0.1, evaporation_ml_d: float = 540.0) -> SaltState:
    """A full tank of known salinity."""
    return begun(replace(TANK, evaporation_ml_d=evaporation_ml_d), 0, salinity, sd)


def salt_of(state: SaltState) -> float:
    """kg of water times salinity: the salt in the tank."""
    return state.full_kg * (1 - state.mean[1]) * state.salinity


def half_width(state: SaltState, t_ms: int) -> float:
    answer = salinity_estimate(state, t_ms)
    return (answer.high - answer.low) / 2


class TestDensity:
    @pytest.mark.parametrize(
        ("salinity", "kg_m3"),
        # TEOS-10 (IOC Manual and Guides 56, 2010), 25 °C.
        [(30, 1019.571), (33, 1021.834), (35, 1023.344), (38, 1025.611), (40, 1027.125)],
    )
    def test_is_near_that_of_the_equation_of_state(self, salinity: float, kg_m3: float) -> None:
        assert kilograms(1e6, salinity) == pytest.approx(kg_m3, abs=0.05)


class TestSalt:
    def test_evaporation_raises_by_what_is_left(self) -> None:
        # S m / (m - e): 2 % of the water gone is 35 / 0.98 = 35.714.
        full = known()
        two_percent = 0.02 * full.full_kg / kilograms(1.0)
        state = advanced(known(evaporation_ml_d=two_percent), DAY)
        assert state.salinity == pytest.approx(35.714, abs=1e-3)

    def test_topped_up_with_fresh_water_is_back_where_it_was(self) -> None:
        state = updated(advanced(known(), 3 * DAY), TopUp(3 * DAY, 1620.0))
        assert state.salinity == pytest.approx(35.0, abs=1e-9)

    def test_topped_up_with_salt_water_has_risen_by_the_salt_in_it(self) -> None:
        state = updated(advanced(known(), 3 * DAY), TopUp(3 * DAY, 1620.0, salinity=35.0))
        poured = kilograms(1620.0, 35.0)
        assert state.mean[0] == pytest.approx(35.0 + 35.0 * poured / state.full_kg, rel=1e-9)

    @given(st.floats(0.0, 10.0), st.floats(0.0, 5000.0), st.floats(0.0, 40.0))
    def test_is_conserved_by_time_and_by_what_is_poured(
        self, days: float, ml: float, salinity: float
    ) -> None:
        before = known()
        later = advanced(before, int(days * DAY))
        assert salt_of(later) == pytest.approx(salt_of(before), rel=1e-12)
        after = updated(later, TopUp(int(days * DAY), ml, salinity))
        poured = kilograms(ml, salinity) * salinity
        assert salt_of(after) == pytest.approx(salt_of(before) + poured, rel=1e-12)

    @given(st.floats(0.0, 5.0), st.floats(0.0, 40_000.0), st.floats(1.0, 40.0))
    def test_is_conserved_by_a_water_change(self, days: float, ml: float, new: float) -> None:
        state = advanced(known(), int(days * DAY))
        there = state.salinity
        after = updated(state, Exchange(state.t_ms, ml, new, to_mark=False))
        gone, came = kilograms(ml, there) * there, kilograms(ml, new) * new
        assert salt_of(after) == pytest.approx(salt_of(state) - gone + came, rel=1e-9)

    def test_of_a_change_to_the_mark_replaces_what_had_evaporated_too(self) -> None:
        state = advanced(known(), 3 * DAY)
        after = updated(state, Exchange(3 * DAY, 10_000.0, 35.0))
        assert after.salinity == pytest.approx(35.0 + 35.0 * state.mean[1] * 0.85, abs=0.03)
        assert after.mean[1] == 0.0


class TestTheInterval:
    def test_grows_with_time_and_closes_at_a_check(self) -> None:
        state = known()
        widths = [half_width(state, day * DAY) for day in range(8)]
        assert widths == sorted(widths)
        checked = updated(state, Check(7 * DAY, state.salinity, 0.2))
        assert half_width(checked, 7 * DAY) < 0.6 * widths[-1]

    def test_is_narrower_when_the_level_is_seen(self) -> None:
        state = known()
        seen = updated(state, MissingWater(4 * DAY, 2160.0, 60.0))
        assert half_width(seen, 4 * DAY) < half_width(state, 4 * DAY)

    def test_learns_the_evaporation_from_measured_top_ups(self) -> None:
        state = known()
        for day in range(1, 15):
            state = updated(state, TopUp(day * DAY, 800.0, to_mark=True))
        rate = state.mean[2] * state.full_kg / kilograms(1.0)
        assert rate == pytest.approx(800.0, rel=0.1)

    def test_is_wider_for_a_tank_of_uncertain_volume(self) -> None:
        widths = []
        for uncertain in (0.0, 0.15):
            state = begun(replace(TANK, full_rel_sd=uncertain), 0, 35.0, 0.1)
            for day in range(1, 4):
                state = updated(state, TopUp(day * DAY, 540.0, to_mark=True))
            state = updated(state, TopUp(3 * DAY, 1500.0))
            widths.append(half_width(state, 5 * DAY))
        assert widths[1] > widths[0]

    def test_counts_what_it_rests_on(self) -> None:
        state = updated(known(), Check(DAY, 35.0))
        state = updated(state, TopUp(DAY, None, to_mark=True))
        basis = salinity_estimate(state, DAY).basis
        assert [str(b) for b in basis] == ["1 salinity checks", "1 pours"]

    def test_of_a_check_that_can_not_be_is_moved_and_not_overruled(self) -> None:
        state = updated(known(), Check(DAY, 38.0, 0.25))
        assert 37.0 < state.salinity < 38.0


class TestOrder:
    def test_backwards_is_refused(self) -> None:
        with pytest.raises(ValueError, match="in order"):
            updated(advanced(known(), DAY), Check(0, 35.0))

    def test_a_pour_without_anything_is_refused(self) -> None:
        with pytest.raises(ValueError, match="needs a volume"):
            updated(known(), TopUp(0, None))

    def test_sixty_days_without_an_entry_end_in_ignorance_not_in_nonsense(self) -> None:
        answer = salinity_estimate(known(), 60 * DAY)
        assert 35.0 < answer.value < 53.0
        assert answer.high - answer.low > 5.0


class TestWhatACheckSpeaksFor:
    def fresh_week(self, sd: float = 0.15) -> SaltState:
        state = known(sd=sd)
        for day in range(1, 8):
            state = updated(state, TopUp(day * DAY, 540.0, to_mark=True))
        return state

    def test_the_reading_when_it_is_as_expected(self) -> None:
        state, check = self.fresh_week(), Check(7 * DAY, 35.2, 0.3)
        assert causes(state, check)[0].cause is Cause.READING
        assert explained(state, check).startswith("As expected: 35.0")

    def test_salt_water_in_the_can_when_it_rose_by_what_was_poured(self) -> None:
        # 7 x 0.54 L at 35 in 68 L: 1.9 more.
        state, check = self.fresh_week(), Check(7 * DAY, 36.95, 0.3)
        assert causes(state, check)[0].cause is Cause.SALT_TOP_UP
        assert "must be fresh water" in explained(state, check)

    def test_evaporation_when_nobody_has_seen_the_level(self) -> None:
        state = known(evaporation_ml_d=200.0)
        check = Check(5 * DAY, 37.0, 0.2)
        assert causes(state, check)[0].cause is Cause.EVAPORATED
        assert "fill up to the mark" in explained(state, check)

    def test_lost_salt_when_it_fell_though_the_level_is_right(self) -> None:
        state, check = self.fresh_week(), Check(7 * DAY, 33.0, 0.3)
        assert causes(state, check)[0].cause is Cause.SALT_LOST
        assert "salt crusts" in explained(state, check)

    @given(st.floats(20.0, 42.0))
    def test_adds_up_to_one(self, read: float) -> None:
        found = causes(self.fresh_week(), Check(7 * DAY, read, 0.3))
        assert sum(likely.probability for likely in found) == pytest.approx(1.0)

    def test_a_steady_loss_shows_in_the_unnoted_salt(self) -> None:
        state = known()
        for day in range(1, 91):
            state = updated(state, TopUp(day * DAY, 540.0, to_mark=True))
            if day % 7 == 0:
                state = updated(state, Check(day * DAY, 35.0 - 0.05 * day, 0.3))
        rate = unnoted_estimate(state)
        assert rate.high < 0
        assert rate.low < -0.05 < rate.high + 0.03


class TestFindings:
    @staticmethod
    def active(state: SaltState, t_ms: int, standing: frozenset[str] = frozenset()) -> list[str]:
        return [f.alarm for f in findings(state, t_ms, standing) if f.active]

    def test_are_all_told_each_time(self) -> None:
        assert [f.alarm for f in findings(known(), 0)] == [HIGH, LOW, UNSURE]
        assert self.active(known(), 0) == []

    def test_high_when_nobody_tops_up(self) -> None:
        state = known()
        assert self.active(state, 5 * DAY) == [UNSURE]
        assert self.active(state, 6 * DAY) == [HIGH]
        said = str(in_words.said(findings(state, 6 * DAY)[0]))
        for part in ("too high: ", "3.2 L have evaporated", "3.2 L of fresh water", "Unplug"):
            assert part in said

    def test_not_high_at_odds_of_less_than_three_to_one(self) -> None:
        for salinity, told in ((36.2, []), (36.5, [HIGH])):
            state = updated(known(salinity, 0.6), Check(0, salinity, 0.6))
            assert self.active(state, 0) == told

    def test_high_rings_once_while_the_water_wobbles_about_the_limit(self) -> None:
        standing: frozenset[str] = frozenset()
        rung = []
        for salinity in (36.6, 36.2, 35.95, 36.6, 35.8, 36.2):
            active = self.active(known(salinity, 0.4), 0, standing)
            rung.append(HIGH in active and HIGH not in standing)
            standing = frozenset(active)
        assert rung == [True, False, False, False, False, False]

    def test_low_after_too_much_fresh_water(self) -> None:
        state = updated(known(), TopUp(0, 4000.0))
        assert self.active(state, 0) == [LOW]
        said = str(in_words.said(findings(state, 0)[1]))
        assert "4.0 L of fresh water are too much" in said
        assert "swap" not in said

    def test_low_after_salt_was_lost_says_how_much_to_swap_and_how_slowly(self) -> None:
        said = str(in_words.said(findings(known(33.0), 0)[1]))
        assert "salt water of 40" in said
        assert "over 48 h or more" in said

    def test_unsure_when_nobody_has_measured(self) -> None:
        state = known()
        for day in range(1, 46):
            state = updated(state, TopUp(day * DAY, 540.0, to_mark=True))
        assert self.active(state, 45 * DAY) == [UNSURE]
        measured = updated(state, Check(45 * DAY, 35.0, 0.2))
        assert self.active(measured, 45 * DAY) == []

    @pytest.mark.parametrize("read", [34.2, 34.6, 35.0, 35.4, 35.8])
    def test_not_unsure_of_a_check_just_made_though_its_interval_reaches_beyond(
        self, read: float
    ) -> None:
        state = updated(begun(TANK, 0), Check(0, read))
        answer = salinity_estimate(state, 0)
        assert (answer.low < 34.0 or answer.high > 36.0) == (read != 35.0)
        for standing in (frozenset[str](), frozenset({UNSURE})):
            assert self.active(state, 0, standing) == []

    def test_unsure_once_the_day_of_the_next_check_has_gone_by(self) -> None:
        state = updated(begun(TANK, 0), Check(0, 35.2))
        for day in range(1, 30):
            state = updated(state, TopUp(day * DAY, 540.0, to_mark=True))
        state = updated(state, Check(30 * DAY, 35.2))
        first = None
        for day in range(31, 45):
            state = updated(state, TopUp(day * DAY, 540.0, to_mark=True))
            if first is None and self.active(state, day * DAY):
                first = day
                said = str(in_words.said(findings(state, day * DAY)[2]))
        assert first == 30 + 9
        assert "long since anybody measured" in said

    def test_unsure_waits_for_as_long_as_the_keeper_was_told_to(self) -> None:
        for every_d, expected in ((7.0, [UNSURE]), (14.0, [])):
            state = updated(begun(replace(TANK, check_every_d=every_d), 0), Check(0, 35.2))
            for day in range(1, 14):
                state = updated(state, TopUp(day * DAY, 540.0, to_mark=True))
            assert self.active(state, 13 * DAY) == expected

    def test_unsure_soon_after_a_check_says_that_the_water_is_too_little_known(self) -> None:
        state = updated(begun(TANK, 0), Check(0, 35.0))
        state = updated(state, Exchange(2 * DAY, 50_000.0))  # of a salinity that nobody measured
        assert self.active(state, 2 * DAY) == [UNSURE]
        said = str(in_words.said(findings(state, 2 * DAY)[2]))
        assert "too little known" in said
        assert "long since" not in said

    def test_low_by_a_steady_loss_says_that_no_entry_explains_it(self) -> None:
        state = known()
        for day in range(1, 50):
            state = updated(state, TopUp(day * DAY, 540.0, to_mark=True))
            if day % 7 == 0:
                state = updated(state, Check(day * DAY, 35.0 - 0.05 * day, 0.2))
        said = str(in_words.said(findings(state, state.t_ms)[1]))
        assert "a day that no entry explains: salt water is lost" in said
        assert "no entry explains" not in str(in_words.said(findings(known(33.0), 0)[1]))

    def test_say_how_much_over_how_many_hours_in_the_units_of_the_keeper(self) -> None:
        state = updated(begun(TANK, 0), Check(0, 37.0, 0.1))
        for units, litres in ((System.METRIC, " L of tank water"), (System.US, " gal of tank")):
            do = in_words.said(findings(state, 0)[0], units).do
            assert litres in do
            assert "for fresh, over 48 h or more, in 2 parts a day apart" in do

    def test_say_what_an_unexpected_check_speaks_for(self) -> None:
        state = updated(begun(TANK, 0), Check(0, 37.0, 0.1))
        high, _, _ = findings(state, 0, last=Likely(Cause.SALT_TOP_UP, 0.8))
        assert "topped up with salt water" in in_words.said(high).why

    def test_say_when_they_are_over_that_all_is_well(self) -> None:
        over = findings(known(), 0)
        assert not any(f.active for f in over)
        assert all("is within its limits" in in_words.said(f).title for f in over)

    def test_go_only_with_a_deadband(self) -> None:
        state = known(35.95, 0.01)
        assert HIGH not in self.active(state, 0)
        assert HIGH in self.active(state, 0, frozenset({HIGH}))


class TestBringingItBack:
    def test_from_36_to_35_takes_a_thirty_sixth(self) -> None:
        # 1 - 35/36 = 2.778 % by mass; a litre of fresh water is 2.5 % lighter than one of the tank.
        plan = bring_back(known(36.0), 35.0)
        share = kilograms(plan.swap_ml) / known().full_kg
        assert share == pytest.approx(0.02778, abs=5e-5)
        assert plan.of_salinity == 0.0

    def test_first_pours_back_what_is_missing(self) -> None:
        plan = bring_back(advanced(known(), 2 * DAY), 35.0)
        assert plan.pour_fresh_ml == pytest.approx(1080.0, rel=1e-6)
        assert plan.swap_ml == pytest.approx(0.0, abs=1e-6)

    @given(st.floats(30.0, 40.0), st.floats(33.0, 37.0))
    def test_done_as_it_says_comes_out_on_target(self, salinity: float, target: float) -> None:
        state = known(salinity)
        plan = bring_back(state, target)
        done = updated(state, Exchange(0, plan.swap_ml, plan.of_salinity or 1e-12, to_mark=False))
        assert done.salinity == pytest.approx(target, abs=1e-6)
