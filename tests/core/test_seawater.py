"""Seawater's properties, against published values and against codes of others.

Three outside sources: the check values that the makers of TEOS-10 computed and ship with gsw
(gsw_cv_v3_0.npz, from their MATLAB toolbox); the check values printed in UNESCO Technical Papers in
Marine Science 44 (Fofonoff & Millard 1983) for PSS-78 and EOS-80; and the package seawater, another
code of the same two, which is held against the printed ones first.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import gsw
import numpy as np
import pytest
import seawater
from hypothesis import given
from hypothesis import strategies as st

from stillwell.water.seawater import (
    G_PER_KG,
    Reference,
    conductivity_ms_cm,
    density_kg_m3,
    grams_per_kilogram,
    practical_salinity,
    refractive_index,
    salinity_of_conductivity,
    salinity_of_specific_gravity,
    specific_gravity,
)

T68 = 1.00024
"""IPTS-68 over ITS-90 (H. Preston-Thomas, Metrologia 27 (1990) 3, as oceanography uses it)."""
STANDARD_MS_CM = 42.914
"""Culkin & Smith 1980, IEEE J. Oceanic Eng. 5, 22: at salinity 35 and 15 degC on IPTS-68."""
GRID = [
    (s, t) for s in (30.0, 32.0, 34.0, 35.0, 36.0, 38.0, 40.0) for t in (20.0, 24.0, 25.0, 27.0)
]


def _teos_10() -> list[tuple[float, float, float, float, float]]:
    """Practical salinity, g/kg, degC, mS/cm, kg/m3 of the points at the surface."""
    values = np.load(Path(gsw.__file__).parent / "tests" / "gsw_cv_v3_0.npz")
    names = ("SP_chck_cast", "SA_chck_cast", "t_chck_cast", "C_from_SP", "rho_t_exact")
    surface = values["p_chck_cast"] == 0
    return [tuple(row) for row in np.column_stack([values[n][surface] for n in names]).tolist()]


TEOS_10 = _teos_10()


def eos_80(practical: float, t_c: float) -> float:
    return float(np.ravel(seawater.dens0(practical, t_c))[0])


def eos_80_gravity(practical: float, reference: Reference) -> float:
    return eos_80(practical, reference.sample_c) / eos_80(0.0, reference.water_c)


AT_25, AT_20 = Reference(25.0, 25.0), Reference(20.0, 20.0)
AT_60_F = Reference.parse("60/60 degF")
salinities = st.floats(0.0, 42.0)
temperatures = st.floats(0.0, 30.0)
references = st.sampled_from([AT_25, AT_20, AT_60_F, Reference(20.0, 4.0), Reference(25.0, 20.0)])


class TestTheOtherCode:
    def test_is_that_of_the_publication(self) -> None:
        # UNESCO 44, p. 9, for salinity; for density the values that it shares with A. E. Gill,
        # Atmosphere-Ocean Dynamics, 1982.
        for ratio, t68, dbar, salinity in (
            (1.0, 15.0, 0.0, 35.0),
            (1.2, 20.0, 2000.0, 37.245628),
            (0.65, 5.0, 1500.0, 27.995347),
        ):
            found = float(np.ravel(seawater.salt(ratio, t68 / T68, dbar))[0])
            assert found == pytest.approx(salinity, abs=1e-6)
        for salinity, t68, dbar, kg_m3 in (
            (0.0, 5.0, 0.0, 999.96675),
            (35.0, 25.0, 0.0, 1023.34306),
            (0.0, 25.0, 10_000.0, 1037.90204),
            (35.0, 25.0, 10_000.0, 1062.53817),
        ):
            found = float(np.ravel(seawater.dens(salinity, t68 / T68, dbar))[0])
            assert found == pytest.approx(kg_m3, abs=1e-5)


class TestConductivity:
    @pytest.mark.parametrize(("s", "_g_kg", "t_c", "ms_cm", "_kg_m3"), TEOS_10)
    def test_is_that_of_the_makers_of_teos_10(
        self, s: float, _g_kg: float, t_c: float, ms_cm: float, _kg_m3: float
    ) -> None:
        assert conductivity_ms_cm(s, t_c) == pytest.approx(ms_cm, abs=1e-6)
        assert salinity_of_conductivity(ms_cm, t_c) == pytest.approx(s, abs=1e-6)

    @pytest.mark.parametrize(("s", "t_c"), GRID)
    def test_is_that_of_another_code_of_pss_78(self, s: float, t_c: float) -> None:
        other = STANDARD_MS_CM * float(np.ravel(seawater.cndr(s, t_c, 0.0))[0])
        assert conductivity_ms_cm(s, t_c) == pytest.approx(other, abs=1e-6)

    def test_of_standard_seawater_at_15_degrees_is_the_one_the_scale_is_built_on(self) -> None:
        assert conductivity_ms_cm(35.0, 15.0 / T68) == pytest.approx(STANDARD_MS_CM, abs=1e-4)

    def test_half_a_kelvin_wrong_is_worth_two_fifths_of_a_unit(self) -> None:
        # PSS-78 by the other code: the same water, its temperature read 0.5 K too high.
        ratio = seawater.cndr(35.0, 25.0, 0.0)
        other = float(np.ravel(seawater.salt(ratio, 25.5, 0.0))[0])
        assert other == pytest.approx(34.62, abs=0.005)
        read = salinity_of_conductivity(conductivity_ms_cm(35.0, 25.0), 25.5)
        assert read == pytest.approx(other, abs=1e-6)

    @given(salinities, temperatures)
    def test_comes_back(self, s: float, t_c: float) -> None:
        there = conductivity_ms_cm(s, t_c)
        assert salinity_of_conductivity(there, t_c) == pytest.approx(s, abs=1e-6)

    def test_in_the_wrong_unit_is_refused_with_a_question(self) -> None:
        with pytest.raises(ValueError, match="Was it µS/cm"):
            salinity_of_conductivity(53_071.0, 25.0)

    def test_below_zero_is_refused(self) -> None:
        with pytest.raises(ValueError, match="0 mS/cm or more"):
            salinity_of_conductivity(-1.0, 25.0)


class TestDensity:
    @pytest.mark.parametrize(("_s", "g_kg", "t_c", "_ms_cm", "kg_m3"), TEOS_10)
    def test_is_that_of_the_makers_of_teos_10(
        self, _s: float, g_kg: float, t_c: float, _ms_cm: float, kg_m3: float
    ) -> None:
        assert density_kg_m3(g_kg / G_PER_KG, t_c) == pytest.approx(kg_m3, abs=1e-6)

    @pytest.mark.parametrize(
        ("s", "t68", "kg_m3"),
        # EOS-80, UNESCO Technical Papers in Marine Science 44 (Fofonoff & Millard 1983), p = 0.
        [
            (0, 5, 999.96675),
            (0, 25, 997.04796),
            (35, 5, 1027.67547),
            (35, 25, 1023.34306),
        ],
    )
    def test_is_that_of_eos_80_within_what_the_two_differ(
        self, s: float, t68: float, kg_m3: float
    ) -> None:
        assert density_kg_m3(s, t68 / T68) == pytest.approx(kg_m3, abs=0.006)

    @pytest.mark.parametrize(("s", "t_c"), GRID)
    def test_is_that_of_another_code_of_eos_80_within_what_the_two_differ(
        self, s: float, t_c: float
    ) -> None:
        assert density_kg_m3(s, t_c) == pytest.approx(eos_80(s, t_c), abs=0.006)

    def test_outside_the_range_of_the_equation_is_refused(self) -> None:
        with pytest.raises(ValueError, match="outside 0 to 42"):
            density_kg_m3(50.0, 25.0)
        with pytest.raises(ValueError, match="outside -2 to 40"):
            density_kg_m3(35.0, 77.5)


class TestSaltByMass:
    def test_is_35_165_g_in_a_kilogram_at_35(self) -> None:
        # Millero et al. 2008, Deep-Sea Research I 55, 50: 35.16504 g/kg at practical salinity 35.
        assert grams_per_kilogram(35.0) == pytest.approx(35.16504, abs=1e-5)

    @given(salinities)
    def test_comes_back(self, s: float) -> None:
        assert practical_salinity(grams_per_kilogram(s)) == pytest.approx(s, abs=1e-12)


class TestSpecificGravity:
    @pytest.mark.parametrize(
        "text",
        ["25/25 degC", "20/20 °C", "60/60 degF", "25/4 degC", "25/20 °C", "77/60 degF", "20/4 C"],
    )
    @pytest.mark.parametrize("s", [25.0, 30.0, 35.0, 40.0])
    def test_is_that_of_eos_80(self, text: str, s: float) -> None:
        reference = Reference.parse(text)
        gravity = eos_80_gravity(s, reference)
        assert specific_gravity(s, reference) == pytest.approx(gravity, abs=1e-5)
        # 0.006 kg/m3 are 0.008 in salinity.
        assert salinity_of_specific_gravity(gravity, reference) == pytest.approx(s, abs=0.008)

    def test_1_026_is_two_thirds_of_a_unit_apart_between_two_instruments(self) -> None:
        apart = salinity_of_specific_gravity(1.026, AT_25) - salinity_of_specific_gravity(
            1.026, AT_60_F
        )
        assert 0.6 < apart < 0.8

    @given(salinities, references)
    def test_comes_back(self, s: float, reference: Reference) -> None:
        there = specific_gravity(s, reference)
        assert salinity_of_specific_gravity(there, reference) == pytest.approx(s, abs=1e-6)

    def test_of_no_seawater_is_refused_with_the_range(self) -> None:
        with pytest.raises(ValueError, match=r"from 1\.0000 to 1\.03"):
            salinity_of_specific_gravity(35.0, AT_25)


class TestReference:
    @pytest.mark.parametrize("text", ["25/25 degC", "25/25 °C", "25 °C / 25 °C", "25/25C"])
    def test_is_read_as_it_stands_on_the_instrument(self, text: str) -> None:
        assert Reference.parse(text) == AT_25

    @pytest.mark.parametrize("reference", [AT_25, AT_20, AT_60_F, Reference(20.0, 4.0)])
    def test_is_read_again_as_it_is_written(self, reference: Reference) -> None:
        assert Reference.parse(str(reference)) == reference

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("60/60", 'Write "60/60 degC" or "60/60 degF"'),
            ("25 degC/77 degF", "mixes"),
            ("warm", "two temperatures"),
            ("", "two temperatures"),
            ("77/77 degC", "outside -2 to 40"),
        ],
    )
    def test_that_says_too_little_is_asked_back(self, text: str, says: str) -> None:
        with pytest.raises(ValueError, match=says):
            Reference.parse(text)


class TestRefractiveIndex:
    @pytest.mark.parametrize("t_c", range(0, 31, 5))
    def test_of_pure_water_is_that_of_iapws(self, t_c: int) -> None:
        from iapws import IAPWS95
        from iapws._iapws import _Refractive

        # IAPWS R9-97 (Harvey, Gallagher & Levelt Sengers 1998) is against vacuum; air has 1.000273
        # at 15 degC (Edlén 1966, from memory). Quan & Fry stay within 0.00003, a sixth of a unit.
        kelvin = t_c + 273.15
        vacuum = _Refractive(IAPWS95(T=kelvin, P=0.101325).rho, kelvin, 0.5893)
        assert refractive_index(0.0, t_c) == pytest.approx(vacuum / 1.000273, abs=3e-5)

    def test_of_seawater_is_the_formula_of_quan_and_fry(self) -> None:
        # Consistency, not a check: n_D at 20 degC worked out by hand from the formula. Of salt's
        # part no value was found that doesn't come from it.
        found = [refractive_index(s, 20.0) for s in (0, 30, 33, 35, 36)]
        assert found == pytest.approx([1.33300, 1.33849, 1.33904, 1.33941, 1.33959], abs=1e-5)

    def test_outside_its_range_is_refused(self) -> None:
        with pytest.raises(ValueError, match="from 0 to 30"):
            refractive_index(35.0, 31.0)
        with pytest.raises(ValueError, match="400 to 700"):
            refractive_index(35.0, 25.0, 1000.0)


def test_no_library_is_loaded_for_it() -> None:
    code = (
        "import sys\n"
        "from stillwell.water.seawater import *\n"
        "salinity_of_conductivity(53.0, 25.0)\n"
        "salinity_of_specific_gravity(1.026, Reference(25.0, 25.0))\n"
        "sys.exit('gsw' in sys.modules or 'numpy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
