"""Ammonia: the published tables, and units that can't be confused."""

from __future__ import annotations

from functools import cache
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.units import System
from stillwell.water.ammonia import (
    Concentration,
    Formula,
    Ph,
    PhScale,
    Species,
    measured,
    nh3_between,
    nh3_share,
    words,
)

PH = (8.0, 8.1, 8.2, 8.3, 8.4)
T_C, SALINITY = (15.0, 20.0, 25.0, 28.0, 30.0), (20.0, 30.0, 35.0, 40.0)


def percent(formula: Formula, t_c: float = 25.0) -> list[float]:
    return [100 * nh3_share(Ph(ph, formula.scale), t_c, 34.0, formula) for ph in PH]


@cache
def reference() -> dict[tuple[float, float], tuple[float, float]]:
    """By temperature and salinity: the pH on the total scale and the share of NH3 by PyCO2SYS for
    pH 8.2 on NBS buffers. All in one call, which takes as long as one of them."""
    import PyCO2SYS

    waters = list(product(T_C, SALINITY))
    found = PyCO2SYS.sys(
        par1=8.2,
        par1_type=3,
        par2=2000.0,
        par2_type=1,
        salinity=[salinity for _, salinity in waters],
        temperature=[t_c for t_c, _ in waters],
        opt_pH_scale=4,
        total_ammonia=1.0,
    )
    shares = zip(found["pH_total"], found["NH3"], strict=True)
    return {water: (float(ph), float(nh3)) for water, (ph, nh3) in zip(waters, shares, strict=True)}


class TestTheShareOfNh3:
    def test_is_that_of_johansson_and_wedborg(self) -> None:
        # By hand from their formula as quoted by Bell et al., Environ. Chem. 4 (2007) 183.
        expected = (4.20, 5.23, 6.50, 8.05, 9.92)
        assert percent(Formula.JOHANSSON_WEDBORG) == pytest.approx(expected, rel=0.002)

    @pytest.mark.parametrize(
        ("t_c", "table"),
        # Bower & Bidwell 1978, J. Fish. Res. Board Can. 35, 1012: their table for 32 to 40 ppt.
        [(25.0, (4.28, 5.32, 6.61, 8.18, 10.10)), (20.0, (2.98, 3.73, 4.65, 5.78, 7.17))],
    )
    def test_lies_near_the_table_of_bower_and_bidwell(
        self, t_c: float, table: tuple[float, ...]
    ) -> None:
        assert percent(Formula.JOHANSSON_WEDBORG, t_c) == pytest.approx(table, rel=0.03)

    @pytest.mark.parametrize("salinity", SALINITY)
    @pytest.mark.parametrize("t_c", T_C)
    def test_is_that_of_pyco2sys(self, t_c: float, salinity: float) -> None:
        # Clegg & Whitfield for a kg of seawater, and the step from NBS buffers to the total scale.
        total, share = reference()[t_c, salinity]
        exactly = nh3_share(Ph(total, PhScale.TOTAL), t_c, salinity, Formula.CLEGG_WHITFIELD)
        assert exactly == pytest.approx(share, rel=1e-9)
        assert Ph(8.2).on(PhScale.TOTAL, t_c, salinity) == pytest.approx(total, abs=0.003)
        assert Ph(total, PhScale.TOTAL).on(PhScale.NBS, t_c, salinity) == pytest.approx(
            8.2, abs=0.003
        )

    @pytest.mark.parametrize("salinity", [30.0, 35.0, 40.0])
    @pytest.mark.parametrize("t_c", [20.0, 25.0, 28.0])
    def test_comes_with_an_interval_that_holds_what_pyco2sys_gives(
        self, t_c: float, salinity: float
    ) -> None:
        _, share = reference()[t_c, salinity]
        low, high = nh3_between(Ph(8.2), t_c, salinity)
        ours = nh3_share(Ph(8.2), t_c, salinity)
        assert 1.02 < ours / share < 1.09, "so much higher is ours"
        assert low < share < ours <= high

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
        with pytest.raises(ValueError, match=r"leaflet|is counted as|no unit"):
            measured(Species.AMMONIA, 0.5, unit)

    @pytest.mark.parametrize("value", [-0.1, float("nan"), float("inf")])
    def test_no_amount_is_refused(self, value: float) -> None:
        with pytest.raises(ValueError, match="0 or more"):
            measured(Species.NITRITE, value, "mg/L N")


class TestTheWords:
    def test_name_formula_scale_and_unit_and_caution(self) -> None:
        said = words(Concentration(Species.AMMONIA, 0.5), Ph(8.2), 25.0, 34.0)
        for part in (
            "0.033 mg/L as N (0.029 to 0.033)",
            "6.5 %",
            "NBS scale",
            "Johansson & Wedborg 1980.",
            "No animals",
        ):
            assert part in said

    def test_say_that_a_warm_tank_is_beyond_what_was_measured(self) -> None:
        said = words(Concentration(Species.AMMONIA, 0.5), Ph(8.2), 25.3, 34.0, System.US)
        assert "(measured up to 77.0 °F, extrapolated here)" in said

    def test_have_no_caution_without_ammonia(self) -> None:
        assert "No animals" not in words(Concentration(Species.AMMONIA, 0.0), Ph(8.2), 25.0, 34.0)

    def test_say_where_nothing_is_known_and_keep_the_caution(self) -> None:
        said = words(Concentration(Species.AMMONIA, 0.5), Ph(8.2), 41.0, 35.0)
        assert "known from 0 to 40 °C" in said
        assert "No animals" in said
