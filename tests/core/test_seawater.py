"""Seawater's properties, against the published points."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.water.seawater import (
    AT_20,
    AT_25,
    AT_60_F,
    Reference,
    conductivity_ms_cm,
    density_kg_m3,
    grams_per_kilogram,
    hydrometer_reading,
    practical_salinity,
    refractive_index,
    salinity_of_conductivity,
    salinity_of_density,
    salinity_of_hydrometer,
    salinity_of_refractive_index,
    salinity_of_specific_gravity,
    salt_g_per_l,
    specific_gravity,
)

COLUMNS = (30, 32, 33, 34, 35, 36, 38, 40)
# Values of PSS-78 (UNESCO Technical Papers in Marine Science 37 and 44) for p = 0 and t90, mS/cm.
CONDUCTIVITY = {
    20: (41.748, 44.233, 45.467, 46.695, 47.918, 49.135, 51.554, 53.951),
    24: (45.342, 48.036, 49.373, 50.704, 52.029, 53.348, 55.968, 58.565),
    25: (46.253, 49.000, 50.363, 51.720, 53.071, 54.416, 57.087, 59.734),
    26: (47.169, 49.968, 51.358, 52.741, 54.118, 55.489, 58.211, 60.909),
    27: (48.089, 50.942, 52.358, 53.768, 55.171, 56.567, 59.341, 62.090),
}
# Values of TEOS-10 (IOC Manual and Guides 56, 2010), reference composition, p = 0, kg/m3.
DENSITY = {
    20: (1020.958, 1022.480, 1023.242, 1024.004, 1024.766, 1025.529, 1027.054, 1028.582),
    24: (1019.865, 1021.376, 1022.132, 1022.888, 1023.644, 1024.401, 1025.916, 1027.432),
    25: (1019.571, 1021.079, 1021.834, 1022.588, 1023.344, 1024.099, 1025.611, 1027.125),
    26: (1019.269, 1020.774, 1021.528, 1022.281, 1023.035, 1023.790, 1025.299, 1026.810),
    27: (1018.959, 1020.462, 1021.214, 1021.966, 1022.719, 1023.472, 1024.979, 1026.488),
}
# From the same two equations of state (EOS-80 and TEOS-10 agree to 0.00001).
GRAVITY = {
    AT_25: (1.02259, 1.02410, 1.02486, 1.02561, 1.02637, 1.02713, 1.02865, 1.03017),
    AT_20: (1.02279, 1.02431, 1.02508, 1.02584, 1.02660, 1.02737, 1.02890, 1.03043),
    AT_60_F: (1.02301, 1.02455, 1.02532, 1.02609, 1.02686, 1.02763, 1.02917, 1.03072),
}
GRAVITIES = (1.020, 1.023, 1.025, 1.0264, 1.027, 1.030)
SALINITIES = {
    AT_25: (26.573, 30.545, 33.188, 35.036, 35.827, 39.779),
    AT_60_F: (26.083, 29.987, 32.587, 34.404, 35.182, 39.069),
    AT_20: (26.339, 30.278, 32.900, 34.733, 35.518, 39.438),
}
# X. Quan & E. S. Fry, Applied Optics 34 (1995) 3477, n_D (589.3 nm).
INDEX = {
    15: (1.33339, 1.33895, 1.33951, 1.33988, 1.34007, 1.34044),
    20: (1.33300, 1.33849, 1.33904, 1.33941, 1.33959, 1.33995),
    25: (1.33251, 1.33795, 1.33850, 1.33886, 1.33904, 1.33940),
    30: (1.33192, 1.33733, 1.33788, 1.33824, 1.33842, 1.33878),
}

salinities = st.floats(0.0, 42.0)
temperatures = st.floats(0.0, 30.0)
references = st.sampled_from([AT_25, AT_20, AT_60_F, Reference(20.0, 4.0), Reference(25.0, 20.0)])


class TestConductivity:
    @pytest.mark.parametrize("t_c", CONDUCTIVITY)
    def test_is_that_of_pss_78(self, t_c: int) -> None:
        found = [conductivity_ms_cm(s, t_c) for s in COLUMNS]
        assert found == pytest.approx(CONDUCTIVITY[t_c], abs=1e-3)

    def test_of_standard_seawater_at_15_degrees_is_the_one_the_scale_is_built_on(self) -> None:
        # Culkin & Smith 1980, IEEE J. Oceanic Eng. 5, 22: 42.914 mS/cm at 15 °C on IPTS-68.
        assert conductivity_ms_cm(35.0, 15.0 / 1.00024) == pytest.approx(42.914, abs=1e-4)

    def test_gives_the_salinities_of_the_check_table_at_the_surface(self) -> None:
        # UNESCO 44 gives (R=1, 15 °C) -> 35; its other points are under pressure.
        assert salinity_of_conductivity(42.914, 15.0 / 1.00024) == pytest.approx(35.0, abs=1e-4)

    def test_half_a_kelvin_wrong_is_worth_two_fifths_of_a_unit(self) -> None:
        # PSS-78: the same water, its temperature read 0.5 K too high.
        read = salinity_of_conductivity(conductivity_ms_cm(35.0, 25.0), 25.5)
        assert read == pytest.approx(34.616, abs=1e-3)

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
    @pytest.mark.parametrize("t_c", DENSITY)
    def test_is_that_of_teos_10(self, t_c: int) -> None:
        assert [density_kg_m3(s, t_c) for s in COLUMNS] == pytest.approx(DENSITY[t_c], abs=2e-3)

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
        assert density_kg_m3(s, t68 / 1.00024) == pytest.approx(kg_m3, abs=0.006)

    @given(salinities, temperatures)
    def test_comes_back(self, s: float, t_c: float) -> None:
        assert salinity_of_density(density_kg_m3(s, t_c), t_c) == pytest.approx(s, abs=1e-6)

    def test_of_no_seawater_is_refused_with_the_range(self) -> None:
        with pytest.raises(ValueError, match=r"from 997\.0 to 10"):
            salinity_of_density(1.026, 25.0)

    def test_outside_the_range_of_the_equation_is_refused(self) -> None:
        with pytest.raises(ValueError, match="outside 0 to 42"):
            density_kg_m3(50.0, 25.0)
        with pytest.raises(ValueError, match="outside -2 to 40"):
            density_kg_m3(35.0, 77.5)


class TestSaltByMass:
    def test_is_35_165_g_in_a_kilogram_at_35(self) -> None:
        # Millero et al. 2008, Deep-Sea Research I 55, 50: 35.16504 g/kg at practical salinity 35.
        assert grams_per_kilogram(35.0) == pytest.approx(35.16504, abs=1e-5)

    def test_is_36_g_in_a_litre_at_25_degrees(self) -> None:
        # From the two above: 35.165 g/kg times 1.02334 kg/L.
        assert salt_g_per_l(35.0, 25.0) == pytest.approx(35.986, abs=0.01)

    @given(salinities)
    def test_comes_back(self, s: float) -> None:
        assert practical_salinity(grams_per_kilogram(s)) == pytest.approx(s, abs=1e-12)


class TestSpecificGravity:
    @pytest.mark.parametrize("reference", GRAVITY, ids=str)
    def test_is_that_of_the_equations_of_state(self, reference: Reference) -> None:
        found = [specific_gravity(s, reference) for s in COLUMNS]
        assert found == pytest.approx(GRAVITY[reference], abs=2e-5)

    @pytest.mark.parametrize("reference", SALINITIES, ids=str)
    def test_gives_the_salinity(self, reference: Reference) -> None:
        found = [salinity_of_specific_gravity(sg, reference) for sg in GRAVITIES]
        # The columns were made with EOS-80; 0.006 kg/m3 are 0.008 in salinity.
        assert found == pytest.approx(SALINITIES[reference], abs=0.008)

    @pytest.mark.parametrize(
        ("text", "gravity"),
        # The same equations, S = 35 with other references.
        [
            ("25/4 degC", 1.02337),
            ("25/20 °C", 1.02518),
            ("77/60 degF", 1.02435),
            ("20/4 C", 1.02479),
        ],
    )
    def test_knows_the_rarer_references(self, text: str, gravity: float) -> None:
        assert specific_gravity(35.0, Reference.parse(text)) == pytest.approx(gravity, abs=2e-5)

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


class TestHydrometer:
    def test_made_for_60_fahrenheit_reads_low_in_a_warm_tank(self) -> None:
        # 1.02435 times 1 + 25e-6 x 9.44 (expansion of glass, ISO 649-1, from memory).
        assert hydrometer_reading(35.0, 25.0, AT_60_F) == pytest.approx(1.0246, abs=5e-5)

    def test_at_its_own_temperature_shows_the_specific_gravity(self) -> None:
        assert hydrometer_reading(35.0, AT_60_F.sample_c, AT_60_F) == specific_gravity(
            35.0, AT_60_F
        )

    @given(st.floats(5.0, 42.0), temperatures, references)
    def test_comes_back(self, s: float, t_c: float, made_for: Reference) -> None:
        shown = hydrometer_reading(s, t_c, made_for)
        assert salinity_of_hydrometer(shown, t_c, made_for) == pytest.approx(s, abs=1e-6)


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
    @pytest.mark.parametrize("t_c", INDEX)
    def test_is_that_of_quan_and_fry(self, t_c: int) -> None:
        found = [refractive_index(s, t_c) for s in (0, 30, 33, 35, 36, 38)]
        assert found == pytest.approx(INDEX[t_c], abs=1e-5)

    @given(salinities, temperatures)
    def test_comes_back(self, s: float, t_c: float) -> None:
        there = refractive_index(s, t_c)
        assert salinity_of_refractive_index(there, t_c) == pytest.approx(s, abs=1e-6)

    def test_outside_its_range_is_refused(self) -> None:
        with pytest.raises(ValueError, match="from 0 to 30"):
            refractive_index(35.0, 31.0)
        with pytest.raises(ValueError, match="400 to 700"):
            refractive_index(35.0, 25.0, 1000.0)
        with pytest.raises(ValueError, match="no refractive index of seawater"):
            salinity_of_refractive_index(1.30, 25.0)


class TestThePackage:
    def test_is_not_imported_before_it_is_needed(self) -> None:
        code = (
            "import sys, stillwell.water.seawater, stillwell.water.mixing\n"
            "import stillwell.water.refractometer, stillwell.water.ammonia\n"
            "sys.exit('gsw' in sys.modules or 'numpy' in sys.modules)"
        )
        assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

    def test_when_missing_is_named_with_the_command_that_brings_it(self) -> None:
        code = (
            "import sys\n"
            "sys.modules['gsw'] = None\n"  # what Python itself does for a missing package
            "from stillwell.water.seawater import *\n"
            "print(refractive_index(35.0, 20.0))\n"  # needs none
            "try:\n    density_kg_m3(35.0, 25.0)\n"
            "except SeawaterMissingError as error:\n    print(error)\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], check=True, capture_output=True, text=True
        )
        assert done.stdout.startswith("1.3394")
        assert "pip install 'stillwell[seawater]'" in done.stdout
