"""Vapour over water, against the published formulations."""

from __future__ import annotations

import math
import subprocess
import sys
import threading

import gsw
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.water.vapour import (
    SEA_LEVEL_PA,
    dry_air_density,
    humidity_ratio,
    saturation_pressure_pa,
    seawater_ratio,
    surface_pressure_pa,
    vapour_pressure_pa,
)

WATER_GAS_CONSTANT = 461.51805  # J/(kg K), IAPWS-95


class TestSaturationPressure:
    def test_is_that_of_the_release_of_iapws_if97(self) -> None:
        # Its own check value (release of 2007, table 35): 3536.58941 Pa at 300 K.
        assert saturation_pressure_pa(300.0 - 273.15) == pytest.approx(3536.58941, rel=2e-4)

    @pytest.mark.parametrize(
        ("t_c", "iapws_97", "buck_96", "fao_56", "wmo_magnus"),
        # IAPWS-IF97 (by the package iapws 1.5.5); Buck 1996; FAO Irrigation and Drainage Paper 56
        # (Tetens); WMO No. 8 (Magnus: 611.2 Pa, 17.62, 243.12).
        [
            (20, 2339.21, 2338.34, 2338.28, 2332.60),
            (24, 2985.63, 2984.49, 2983.92, 2976.59),
            (25, 3169.75, 3168.53, 3167.78, 3160.06),
            (26, 3363.69, 3362.40, 3361.44, 3353.34),
            (28, 3782.81, 3781.39, 3779.93, 3771.15),
            (30, 4246.69, 4245.13, 4243.07, 4233.72),
        ],
    )
    def test_is_that_of_the_standards(
        self, t_c: float, iapws_97: float, buck_96: float, fao_56: float, wmo_magnus: float
    ) -> None:
        ours = saturation_pressure_pa(t_c)
        assert ours == pytest.approx(iapws_97, rel=2e-4)
        for other in (buck_96, fao_56):
            assert ours == pytest.approx(other, rel=1e-3)
        assert ours == pytest.approx(wmo_magnus, rel=3e-3)

    def test_outside_its_range_is_refused(self) -> None:
        with pytest.raises(ValueError, match="must be in range"):
            saturation_pressure_pa(500.0)


class TestUnits:
    def test_of_the_library_are_ours_alone(self) -> None:
        before = psychrolib.GetUnitSystem()
        try:
            psychrolib.SetUnitSystem(psychrolib.IP)
            assert saturation_pressure_pa(25.0) == pytest.approx(3169.75, rel=2e-4)
            assert psychrolib.GetUnitSystem() == psychrolib.IP
            # 77 degF in lb/in2: the library itself still speaks the other system.
            assert psychrolib.GetSatVapPres(77.0) == pytest.approx(0.45966, abs=1e-4)
        finally:
            if before is not None:
                psychrolib.SetUnitSystem(before)

    def test_hold_in_every_thread(self) -> None:
        found: list[float] = []
        threads = [
            threading.Thread(target=lambda: found.append(saturation_pressure_pa(25.0)))
            for _ in range(4)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert found == [pytest.approx(3169.75, rel=2e-4)] * 4

    def test_the_library_is_not_loaded_before_it_is_needed(self) -> None:
        code = "import sys, stillwell.water.evaporation; print('psychrolib' in sys.modules)"
        run = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        assert run.stdout.strip() == "False"


class TestSeawater:
    @pytest.mark.parametrize(
        ("salinity", "ratio"),
        # IAPWS-08, from the chemical potential of water in seawater, 25 degC.
        [(30, 0.98416), (33, 0.98251), (35, 0.98140), (38, 0.97972), (40, 0.97859)],
    )
    def test_lowers_the_vapour_pressure_as_iapws_08_has_it(
        self, salinity: float, ratio: float
    ) -> None:
        assert seawater_ratio(salinity) == pytest.approx(ratio, abs=2e-5)

    def test_keeps_its_stated_error_against_teos_10(self) -> None:
        def teos_10(salinity: float, t_c: float) -> float:
            potential = gsw.chem_potential_water_t_exact
            difference = (potential(salinity, t_c, 0.0) - potential(0.0, t_c, 0.0)) * 1000
            return math.exp(difference / (WATER_GAS_CONSTANT * (t_c + 273.15)))

        for t_c in range(10, 36):
            for salinity in range(43):
                error = abs(seawater_ratio(salinity) - teos_10(salinity, t_c))
                assert error < 1.5e-4
                if 28 <= salinity <= 42 and 20 <= t_c <= 30:
                    assert error < 4e-5

    def test_agrees_with_the_other_published_formulas_as_far_as_they_agree(self) -> None:
        # Nayar et al. 2016, Desalination 390:1 (coefficients from memory); Sharqawy et al. 2010,
        # Desal. Water Treat. 16:354, whose Raoult form is known to lie 0.2 % lower.
        nayar = math.exp(-4.5818e-4 * 35 - 2.0443e-6 * 35**2)
        assert seawater_ratio(35) == pytest.approx(nayar, abs=3e-4)
        sharqawy = 1 / (1 + 0.57357 * 0.035 / (1 - 0.035))
        assert seawater_ratio(35) == pytest.approx(sharqawy, abs=2e-3)

    def test_is_one_for_fresh_water(self) -> None:
        assert seawater_ratio(0.0) == 1.0
        assert surface_pressure_pa(25.0) == saturation_pressure_pa(25.0)

    @given(st.floats(0, 42), st.floats(0, 42))
    def test_the_saltier_the_lower(self, a: float, b: float) -> None:
        assert seawater_ratio(max(a, b)) <= seawater_ratio(min(a, b)) <= 1.0

    @pytest.mark.parametrize("salinity", [-0.1, 42.1, math.nan])
    def test_outside_the_fitted_range_is_refused(self, salinity: float) -> None:
        with pytest.raises(ValueError, match="0 to 42"):
            seawater_ratio(salinity)


class TestAir:
    def test_holds_its_share_of_saturation(self) -> None:
        assert vapour_pressure_pa(25.0, 50.0) == saturation_pressure_pa(25.0) / 2
        assert vapour_pressure_pa(25.0, 0.0) == 0.0

    @pytest.mark.parametrize("humidity", [-1.0, 100.1, math.nan])
    def test_of_impossible_humidity_is_refused(self, humidity: float) -> None:
        with pytest.raises(ValueError, match="0 to 100"):
            vapour_pressure_pa(25.0, humidity)

    @given(st.floats(5, 40), st.floats(0, 100))
    def test_obeys_the_ideal_gas_law(self, t_c: float, humidity: float) -> None:
        # Dry air: 287.042 J/(kg K) at its own partial pressure (ASHRAE Fundamentals 2017, chapter
        # 1).
        vapour = vapour_pressure_pa(t_c, humidity)
        law = (SEA_LEVEL_PA - vapour) / (287.042 * (t_c + 273.15))
        assert dry_air_density(t_c, vapour) == pytest.approx(law, rel=1e-4)

    def test_at_25_degrees_saturated_carries_20_grams_of_vapour(self) -> None:
        # ASHRAE Fundamentals 2017, chapter 1, table 2: 20.170 g/kg at 25 degC (from memory); the
        # table holds real-gas values, 0.4 % above the equation's.
        assert humidity_ratio(saturation_pressure_pa(25.0)) == pytest.approx(0.02017, rel=6e-3)
