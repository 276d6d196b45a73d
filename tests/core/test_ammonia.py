"""Ammonia: the published tables, and units that can't be confused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.water.ammonia import (
    Concentration,
    Formula,
    Ph,
    PhScale,
    Species,
    free_ammonia,
    measured,
    nh3_share,
    words,
)

PH = (8.0, 8.1, 8.2, 8.3, 8.4)


def percent(formula: Formula, t_c: float = 25.0) -> list[float]:
    return [100 * nh3_share(Ph(ph, formula.scale), t_c, 34.0, formula) for ph in PH]


class TestTheShareOfNh3:
    @pytest.mark.parametrize(
        ("formula", "expected"),
        [
            # Johansson & Wedborg 1980 as quoted by Bell et al., Environ. Chem. 4 (2007) 183.
            (Formula.JOHANSSON_WEDBORG, (4.20, 5.23, 6.50, 8.05, 9.92)),
            # U.S. EPA 440/5-88-004 (1989), formula from memory.
            (Formula.EPA_1989, (4.50, 5.60, 6.95, 8.60, 10.59)),
            # Clegg & Whitfield 1995, total scale, coefficients from memory.
            (Formula.CLEGG_WHITFIELD, (5.57, 6.92, 8.55, 10.54, 12.91)),
        ],
    )
    def test_is_that_of_its_formula(self, formula: Formula, expected: tuple[float, ...]) -> None:
        assert percent(formula) == pytest.approx(expected, rel=0.01)

    @pytest.mark.parametrize(
        ("t_c", "table"),
        # Bower & Bidwell 1978, J. Fish. Res. Board Can. 35, 1012: their table for 32 to 40 ppt.
        [(25.0, (4.28, 5.32, 6.61, 8.18, 10.10)), (20.0, (2.98, 3.73, 4.65, 5.78, 7.17))],
    )
    def test_lies_near_the_measured_table(self, t_c: float, table: tuple[float, ...]) -> None:
        assert percent(Formula.JOHANSSON_WEDBORG, t_c) == pytest.approx(table, rel=0.03)

    @pytest.mark.parametrize(
        ("salinity", "t_c", "ph", "share"),
        # What ammFrac of the R package wq (Jassby & Cloern) gives for the total scale.
        [
            (0.0, 10.0, 8.0, 0.0183),
            (0.0, 25.0, 8.0, 0.0539),
            (35.0, 25.0, 8.0, 0.0556),
            (35.0, 25.0, 7.8, 0.0358),
        ],
    )
    def test_on_the_total_scale_is_what_another_code_gives(
        self, salinity: float, t_c: float, ph: float, share: float
    ) -> None:
        found = nh3_share(Ph(ph, PhScale.TOTAL), t_c, salinity, Formula.CLEGG_WHITFIELD)
        assert found == pytest.approx(share, abs=6e-5)

    def test_is_nearly_the_same_by_two_formulas_once_the_scale_is_told(self) -> None:
        # Read as if on one scale they are 30 % apart; a pH on NBS buffers brings them together.
        for ph in PH:
            one = nh3_share(Ph(ph), 25.0, 34.0, Formula.JOHANSSON_WEDBORG)
            other = nh3_share(Ph(ph), 25.0, 34.0, Formula.CLEGG_WHITFIELD)
            assert other == pytest.approx(one, rel=0.03)

    @given(st.floats(7.0, 9.0), st.floats(10.0, 30.0), st.sampled_from(list(Formula)))
    def test_grows_with_ph_and_warmth(self, ph: float, t_c: float, formula: Formula) -> None:
        here = nh3_share(Ph(ph), t_c, 35.0, formula)
        assert 0 < here < nh3_share(Ph(ph + 0.1), t_c, 35.0, formula) < 1
        assert here < nh3_share(Ph(ph), t_c + 1, 35.0, formula)

    def test_outside_the_range_is_refused(self) -> None:
        with pytest.raises(ValueError, match="0 to 40 °C"):
            nh3_share(Ph(8.2), 77.5, 35.0)
        with pytest.raises(ValueError, match="none of a tank"):
            nh3_share(Ph(3.0), 25.0, 35.0)


class TestUnits:
    @pytest.mark.parametrize(
        ("species", "unit", "mg"),
        # By the atomic weights of IUPAC: 1 mg/L as N in mg/L of the substance.
        [
            (Species.AMMONIA, "mg/L NH3", 1.2159),
            (Species.AMMONIA, "mg/L NH4+", 1.2879),
            (Species.NITRITE, "mg/L NO2", 3.2845),
            (Species.NITRATE, "ppm NO3-", 4.4267),
            (Species.NITRITE, "mg/l NO2-N", 1.0),
            (Species.AMMONIA, "ppm N", 1.0),
        ],
    )
    def test_as_the_substance_and_as_nitrogen(self, species: Species, unit: str, mg: float) -> None:
        assert measured(species, mg, unit).mg_n_per_l == pytest.approx(1.0, rel=1e-3)

    @pytest.mark.parametrize("unit", ["mg/L", "ppm", "", "N", "ug/L N", "mg/L NO3"])
    def test_that_leave_it_open_or_are_another_substances_are_asked_back(self, unit: str) -> None:
        with pytest.raises(ValueError, match=r"leaflet|is counted as"):
            measured(Species.AMMONIA, 0.5, unit)

    @given(st.floats(0.0, 100.0), st.sampled_from(["N", "NH3", "NH4"]))
    def test_come_back(self, mg: float, substance: str) -> None:
        there = measured(Species.AMMONIA, mg, f"mg/L {substance}")
        assert there.counted_as(substance) == pytest.approx(mg, rel=1e-12)

    @pytest.mark.parametrize("value", [-0.1, float("nan"), float("inf")])
    def test_no_amount_is_refused(self, value: float) -> None:
        with pytest.raises(ValueError, match="0 or more"):
            measured(Species.NITRITE, value, "mg/L N")

    def test_of_two_species_do_not_mix(self) -> None:
        with pytest.raises(ValueError, match="not of nitrite"):
            free_ammonia(Concentration(Species.NITRITE, 1.0), Ph(8.2), 25.0, 35.0)


class TestTheWords:
    def test_name_formula_scale_and_unit_and_caution(self) -> None:
        said = words(Concentration(Species.AMMONIA, 0.5), Ph(8.2), 25.0, 34.0)
        for part in ("0.033 mg/L as N", "6.5 %", "NBS scale", "Johansson", "No animals"):
            assert part in said

    def test_have_no_caution_without_ammonia(self) -> None:
        assert "No animals" not in words(Concentration(Species.AMMONIA, 0.0), Ph(8.2), 25.0, 34.0)
