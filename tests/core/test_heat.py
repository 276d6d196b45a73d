"""Heat in a tank against published properties."""

from __future__ import annotations

import gsw
import numpy as np
import pytest
import seawater

from stillwell.water.heat import (
    fresh_density_kg_m3,
    heat_capacity_j_per_k,
    latent_heat_j_per_kg,
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
