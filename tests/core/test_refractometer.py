"""A hand refractometer: what it shows, and what the water is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.water.refractometer import (
    Adjusted,
    Calibration,
    drift_per_day,
    salinity,
    shown,
)

DAY = 86_400_000
adjusted = st.builds(
    Adjusted, st.sampled_from([0.0, 35.0]), st.floats(10.0, 30.0), st.sampled_from([20.0, 25.0])
)


class TestTheScale:
    @pytest.mark.parametrize(
        ("prism_c", "zeroed_at_20", "zeroed_here"),
        # Consistency, not a check: the equation of Quan & Fry, Applied Optics 34 (1995) 3477,
        # worked out by hand. A scale drawn for 20 °C, a sample of 35.
        [(15.0, 37.6, 35.47), (25.0, 32.0, 34.68), (30.0, 28.6, 34.52)],
    )
    def test_is_off_with_the_temperature_by_so_much(
        self, prism_c: float, zeroed_at_20: float, zeroed_here: float
    ) -> None:
        assert shown(35.0, prism_c, Adjusted(0.0, 20.0)) == pytest.approx(zeroed_at_20, abs=0.05)
        assert shown(35.0, prism_c, Adjusted(0.0, prism_c)) == pytest.approx(zeroed_here, abs=0.01)

    @pytest.mark.parametrize("prism_c", [15.0, 25.0, 30.0])
    def test_shows_of_pure_water_what_iapws_foretells(self, prism_c: float) -> None:
        # IAPWS R9-97 (Harvey et al. 1998): by how much the index of water moves from 20 °C on, over
        # what a unit of salinity is worth: 0.00018 (Quan & Fry at 20 °C). Theirs of pure water is
        # within 0.00003.
        def index(t_c: float) -> float:
            from iapws import IAPWS95
            from iapws._iapws import _Refractive

            kelvin = t_c + 273.15
            return float(_Refractive(IAPWS95(T=kelvin, P=0.101325).rho, kelvin, 0.5893))

        predicted = (index(prism_c) - index(20.0)) / 1.83e-4
        assert shown(0.0, prism_c, Adjusted(0.0, 20.0)) == pytest.approx(predicted, abs=0.17)

    def test_set_with_the_fluid_at_the_same_temperature_is_right_there(self) -> None:
        assert shown(35.0, 27.0, Adjusted(35.0, 27.0)) == pytest.approx(35.0, abs=1e-9)

    @given(st.floats(0.0, 42.0), st.floats(5.0, 30.0), adjusted)
    def test_comes_back(self, s: float, prism_c: float, how: Adjusted) -> None:
        assert salinity(shown(s, prism_c, how), prism_c, how) == pytest.approx(s, abs=1e-6)

    def test_that_shows_what_no_water_is_says_what_to_do(self) -> None:
        with pytest.raises(ValueError, match="Wipe the prism"):
            salinity(45.0, 25.0, Adjusted(0.0, 20.0))


class TestDrift:
    def test_is_what_the_scale_moved_over_the_time(self) -> None:
        looks = (
            Calibration(0, 35.0, 37.0),  # before the first setting: unknown history
            Calibration(30 * DAY, 35.0, 35.3),
            Calibration(60 * DAY, 35.0, 35.3),
        )
        assert drift_per_day(looks) == pytest.approx(0.01)
        assert drift_per_day(looks[::-1]) == pytest.approx(0.01)

    def test_is_unknown_before_the_second_look(self) -> None:
        assert drift_per_day(()) is None
        assert drift_per_day((Calibration(0, 35.0, 37.0),)) is None
