"""Mixing salt water: figures from the definition of salinity, and what no operation may do."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from dissolving import dissolved
from stillwell.water.mixing import (
    Correction,
    DryMix,
    Water,
    batch,
    changed,
    correction,
    cups,
    learned,
    mixed,
    needed_for_change,
    warm_up_s,
    without,
)

salinities = st.floats(5.0, 40.0)
volumes = st.floats(100.0, 500_000.0)
temperatures = st.floats(10.0, 30.0)


@st.composite
def waters(draw: st.DrawFn) -> Water:
    return Water.of_volume(draw(volumes), draw(salinities), draw(temperatures))


class TestMixing:
    # By definition of a mass fraction: S = sum(m S) / sum(m).
    def test_ten_of_a_hundred_swapped_for_saltier(self) -> None:
        assert mixed(Water(90.0, 33.0), Water(10.0, 42.0)).salinity == pytest.approx(33.9)

    @pytest.mark.parametrize(("times", "old"), [(1, 0.9), (2, 0.81), (5, 0.59049), (10, 0.34868)])
    def test_changes_of_a_tenth_leave_so_much_of_the_old_water(
        self, times: int, old: float
    ) -> None:
        # The salt marks the old water; the new is fresh. 0.9^n by mass, so volumes by density.
        tank = Water(100.0, 40.0)
        for _ in range(times):
            tank = mixed(Water(tank.kg * 0.9, tank.salinity), Water(tank.kg * 0.1, 0.0))
        assert tank.salinity / 40.0 == pytest.approx(old, abs=1e-5)

    @given(waters(), waters())
    def test_neither_makes_nor_loses_salt_or_water(self, one: Water, other: Water) -> None:
        both = mixed(one, other)
        assert both.salt_g == pytest.approx(one.salt_g + other.salt_g, rel=1e-12)
        assert both.kg == pytest.approx(one.kg + other.kg, rel=1e-12)
        assert min(one.salinity, other.salinity) - 1e-9 <= both.salinity
        assert both.salinity <= max(one.salinity, other.salinity) + 1e-9

    @given(waters(), st.floats(0.0, 1.0))
    def test_what_is_taken_and_what_is_left_are_the_whole(self, tank: Water, part: float) -> None:
        ml = tank.ml * part
        assert without(tank, ml).salt_g + tank.part(ml).salt_g == pytest.approx(tank.salt_g)

    @given(waters(), waters(), st.floats(0.01, 0.9))
    def test_a_change_takes_out_old_salt_and_puts_in_new(
        self, tank: Water, new: Water, part: float
    ) -> None:
        ml = min(tank.ml, new.ml) * part
        after = changed(tank, ml, new)
        expected = tank.salt_g - tank.part(ml).salt_g + new.part(ml).salt_g
        assert after.salt_g == pytest.approx(expected, rel=1e-9)

    @given(waters())
    def test_a_volume_comes_back(self, water: Water) -> None:
        again = Water.of_volume(water.ml, water.salinity, water.t_c)
        assert again.kg == pytest.approx(water.kg, rel=1e-12)

    def test_more_than_there_is_is_refused(self) -> None:
        with pytest.raises(ValueError, match="can't be taken"):
            without(Water.of_volume(1000.0, 35.0), 1100.0)

    @pytest.mark.parametrize("ml", [-1.0, math.nan, math.inf])
    def test_no_volume_is_refused(self, ml: float) -> None:
        with pytest.raises(ValueError, match="0 mL or more"):
            Water.of_volume(ml, 35.0)


class TestABatch:
    def test_of_a_litre_holds_36_grams(self) -> None:
        # 35.16504 g/kg (Millero et al. 2008) in 1.02334 kg/L: EOS-80 (UNESCO 44, 1983) has
        # 1023.34306 kg/m3 at 25 degC on IPTS-68.
        salt = 35.16504 * 1.02334306
        made = batch(1000.0, 35.0)
        assert made.dry_g == pytest.approx(salt, abs=0.01)
        water = Water.of_volume(made.fresh_ml, 0.0)
        assert water.kg * 1000 == pytest.approx(1023.34306 - salt, abs=0.01)

    def test_a_litre_of_pure_water_takes_36_34_grams(self) -> None:
        # The same by litre of pure water: 997.04796 g (UNESCO 44).
        made = batch(1000.0, 35.0)
        salt = 35.16504 * 1.02334306
        expected = salt / (1023.34306 - salt) * 997.04796
        assert expected == pytest.approx(36.34, abs=0.01)
        assert made.dry_g / made.fresh_ml * 1000 == pytest.approx(expected, abs=0.01)

    @given(volumes, salinities, st.floats(0.0, 0.3))
    def test_dissolved_as_it_says_is_what_was_asked_for(
        self, ml: float, salinity: float, wet: float
    ) -> None:
        mix = DryMix(wet)
        made = batch(ml, salinity, mix=mix)
        water = dissolved(mix, Water.of_volume(made.fresh_ml, 0.0), made.dry_g)
        assert water.salinity == pytest.approx(salinity, rel=1e-9)
        assert water.ml == pytest.approx(ml, rel=1e-9)

    def test_is_approached_from_below(self) -> None:
        made = batch(20_000.0, 35.0)
        first = dissolved(DryMix(), Water.of_volume(made.fresh_ml, 0.0), made.first_g)
        assert 33.0 < first.salinity < 34.0

    def test_with_a_damp_mix_weighed_as_dry_comes_out_low_never_high(self) -> None:
        made = batch(20_000.0, 35.0)
        water = dissolved(DryMix(0.08), Water.of_volume(made.fresh_ml, 0.0), made.dry_g)
        assert 31.5 < water.salinity < 35.0

    def test_teaches_how_much_water_the_mix_carries(self) -> None:
        fresh = Water.of_volume(20_000.0, 0.0)
        read = dissolved(DryMix(0.07), fresh, 750.0).salinity
        assert learned(fresh, 750.0, read).water_share == pytest.approx(0.07)

    def test_that_can_not_read_so_is_told(self) -> None:
        with pytest.raises(ValueError, match="check the weight"):
            learned(Water.of_volume(20_000.0, 0.0), 750.0, 41.0)
        with pytest.raises(ValueError, match="from 0 to 50 %"):
            DryMix(0.6)

    def test_in_cups_is_rough_and_says_so(self) -> None:
        # Common practice: about half a US cup a US gallon.
        one_gallon = batch(3785.41, 35.0).rough
        assert one_gallon.low < 0.5 < one_gallon.high
        assert "weigh" in str(cups(700.0))


class TestPuttingABatchRight:
    def test_from_36_to_35_by_swapping_fresh(self) -> None:
        # 2.778 of 100 by mass (1 - 35/36); the volume of so much fresh water takes out a little
        # more salt water, which is heavier.
        fix = correction(Water(100.0, 36.0), 35.0)
        assert Water.of_volume(fix.swap_fresh_ml, 0.0).kg == pytest.approx(2.778, abs=0.005)
        assert Water.of_volume(fix.swap_fresh_ml, 36.0).kg > 2.8

    @given(waters(), salinities, st.floats(0.0, 0.3))
    def test_does_it(self, water: Water, target: float, wet: float) -> None:
        mix = DryMix(wet)
        fix = correction(water, target, mix)
        if target >= water.salinity:
            assert fix.add_fresh_ml == fix.swap_fresh_ml == 0
            done = dissolved(mix, water, fix.dry_g)
            assert done.salinity == pytest.approx(target, rel=1e-9)
        else:
            assert fix.dry_g == 0
            added = mixed(water, Water.of_volume(fix.add_fresh_ml, 0.0, water.t_c))
            assert added.salinity == pytest.approx(target, rel=1e-9)
            fresh = Water.of_volume(fix.swap_fresh_ml, 0.0, water.t_c)
            swapped = mixed(without(water, fix.swap_fresh_ml), fresh)
            assert swapped.salinity == pytest.approx(target, rel=1e-6)

    def test_that_is_right_is_left_alone(self) -> None:
        assert correction(Water(20.0, 35.0), 35.0) == Correction()


class TestAWaterChange:
    @given(waters(), st.floats(0.05, 0.5), salinities)
    def test_with_the_water_asked_for_comes_out_on_target(
        self, tank: Water, part: float, new: float
    ) -> None:
        ml = tank.ml * part
        after = mixed(without(tank, ml), Water.of_volume(ml, new, tank.t_c)).salinity
        assume(5.0 < after < 41.0)
        assert needed_for_change(tank, ml, after) == pytest.approx(new, abs=1e-6)

    def test_that_can_not_do_it_is_refused_with_what_it_can(self) -> None:
        with pytest.raises(ValueError, match="in several steps"):
            needed_for_change(Water.of_volume(68_000.0, 38.0), 6800.0, 33.0)

    def test_by_volume_is_near_to_by_mass(self) -> None:
        # Taking litres for kilograms is off by less than 0.05 from 30 to 40.
        tank, new = Water.of_volume(68_000.0, 30.0), Water.of_volume(34_000.0, 40.0)
        assert changed(tank, 34_000.0, new).salinity == pytest.approx(35.0, abs=0.05)

    def test_with_cold_water_cools_in_proportion(self) -> None:
        tank, new = Water.of_volume(68_000.0, 35.0, 25.0), Water.of_volume(10_200.0, 35.0, 19.0)
        after = changed(tank, 10_200.0, new)
        assert after.t_c == pytest.approx(25.0 - 0.15 * 6.0, abs=0.01)
        assert after.salinity == pytest.approx(35.0, abs=1e-9)


class TestWarmingUp:
    def test_of_a_litre_by_a_kelvin_takes_4092_joules(self) -> None:
        # EOS-80 (UNESCO 44): 3997.7 J/(kg K) at 35 and 25 °C, times 1.02334 kg, is 4091.
        water = Water.of_volume(1000.0, 35.0, 24.5)
        assert warm_up_s(water, 25.5, 1.0) == pytest.approx(4092.3, rel=3e-3)

    def test_with_losses_is_the_solution_of_newtons_law(self) -> None:
        water = Water.of_volume(20_000.0, 35.0, 15.0)
        took = warm_up_s(water, 25.0, 75.0, room_c=18.0, loss_w_per_k=3.0)
        # Euler's rule with steps of a second.
        t, seconds, capacity = 15.0, 0, 20.0 * 4092.3
        while t < 25.0:
            t += (75.0 - 3.0 * (t - 18.0)) / capacity
            seconds += 1
        assert took == pytest.approx(seconds, rel=5e-3)

    def test_that_never_gets_there_is_infinite(self) -> None:
        water = Water.of_volume(20_000.0, 35.0, 15.0)
        assert warm_up_s(water, 25.0, 20.0, room_c=15.0, loss_w_per_k=3.0) == math.inf
        assert warm_up_s(water, 25.0, 0.0) == math.inf

    def test_of_warm_water_takes_no_time(self) -> None:
        assert warm_up_s(Water.of_volume(1000.0, 35.0, 26.0), 25.0, 75.0) == 0.0

    def test_without_the_room_is_asked_back(self) -> None:
        with pytest.raises(ValueError, match="give its temperature"):
            warm_up_s(Water.of_volume(1000.0, 35.0, 15.0), 25.0, 75.0, loss_w_per_k=3.0)
