"""The two-step Monod model: against an exact solver, and what may never happen."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.estimate.cycle.nitrification import (
    DECAY_PER_D,
    Happening,
    Kinetics,
    State,
    end_d,
    prior,
    reached,
    start,
    stepped,
)

kinetics = st.builds(
    Kinetics,
    st.floats(0.5, 8.0),
    st.floats(0.1, 1.5),
    st.floats(1e-3, 3.0),
    st.floats(0.2, 1.2),
    st.floats(0.1, 3.0),
    st.floats(1e-3, 3.0),
    st.floats(0.2, 1.2),
    st.floats(0.1, 2.0),
)
TYPICAL = Kinetics(2.5, 0.35, 0.006, 0.5, 0.8, 0.006, 0.55, 0.5)


def exact(k: Kinetics, days: list[float]) -> np.ndarray:
    """Organic, ammonia, nitrite, both rates: LSODA at 1e-9."""
    from scipy.integrate import solve_ivp

    def law(_: float, y: np.ndarray) -> list[float]:
        organic, a, n, va, vn = y
        eat_a, eat_n = va * a / (k.half_a + a), vn * n / (k.half_n + n)
        return [
            -k.release * organic,
            k.release * organic - eat_a,
            eat_a - eat_n,
            va * (k.growth_a * a / (k.half_a + a) - DECAY_PER_D),
            vn * (k.growth_n * n / (k.half_n + n) - DECAY_PER_D),
        ]

    begin = [k.total_n, 0.0, 0.0, k.rate_a, k.rate_n]
    solved = solve_ivp(law, (0.0, days[-1]), begin, "LSODA", days, rtol=1e-9, atol=1e-11)
    return np.asarray(solved.y)


class TestTheCourse:
    @pytest.mark.parametrize("rate", [0.003, 0.006, 0.1, 1.0])
    def test_is_that_of_an_exact_solver(self, rate: float) -> None:
        k = TYPICAL._replace(rate_a=rate, rate_n=rate)
        days = list(np.arange(0.0, 80.0, 0.05))
        y = exact(k, days)
        for day in range(2, 60, 4):
            state = reached(start(k), k, day)
            # The curve is steep where it falls: a quarter of a day to either side counts as there.
            near = slice(int((day - 0.3) / 0.05), int((day + 0.3) / 0.05) + 1)
            for found, row in ((state.ammonia, y[1]), (state.nitrite, y[2])):
                assert row[near].min() - 0.03 <= found <= row[near].max() + 0.03

    @pytest.mark.parametrize("rate", [0.003, 0.006, 0.1, 1.0])
    def test_ends_on_the_day_of_the_exact_one(self, rate: float) -> None:
        k = TYPICAL._replace(rate_a=rate, rate_n=rate)
        days = np.arange(0.0, 120.0, 0.01)
        y = exact(k, list(days))
        above = np.flatnonzero((y[1] >= 0.125) | (y[2] >= 0.04))
        found = end_d(start(k), k, 0.125, 0.04, 120.0)
        assert found == pytest.approx(days[above[-1]], abs=0.3)

    @given(kinetics, st.floats(0.0, 60.0))
    def test_makes_no_nitrogen_and_none_below_zero(self, k: Kinetics, day: float) -> None:
        state = reached(start(k), k, day)
        assert min(state[1:]) >= 0
        assert state.organic + state.ammonia + state.nitrite <= k.total_n * (1 + 1e-9)

    @given(kinetics, st.floats(0.0, 30.0), st.floats(0.0, 30.0))
    def test_is_the_same_in_one_go_and_in_two(self, k: Kinetics, one: float, two: float) -> None:
        first, last = sorted((round(one * 4) / 4, round(two * 4) / 4))
        through = reached(reached(start(k), k, first), k, last)
        assert through == pytest.approx(reached(start(k), k, last), rel=1e-9)

    def test_of_more_at_first_is_earlier(self) -> None:
        ends = [
            end_d(start(k), k, 0.125, 0.04, 120.0)
            for k in (TYPICAL._replace(rate_a=r, rate_n=r) for r in (0.003, 0.03, 0.3))
        ]
        assert ends == sorted(ends, reverse=True)


class TestWhatTheKeeperDoes:
    def test_a_dose_adds_and_a_change_dilutes(self) -> None:
        state = State(5.0, 0.0, 1.0, 2.0, 0.0, 0.0)
        after = reached(state, TYPICAL, 7.0, [Happening(6.0, added_n=1.0)])
        assert after.ammonia == pytest.approx(2.0)
        after = reached(state, TYPICAL, 7.0, [Happening(6.0, diluted=0.25)])
        assert (after.ammonia, after.nitrite) == pytest.approx((0.75, 1.5))

    def test_before_the_state_counts_no_more(self) -> None:
        state = State(5.0, 0.0, 1.0, 2.0, 0.0, 0.0)
        assert reached(state, TYPICAL, 7.0, [Happening(5.0, added_n=9.0)]).ammonia == 1.0

    def test_at_the_very_end_still_counts(self) -> None:
        state = State(5.0, 0.0, 1.0, 2.0, 0.0, 0.0)
        assert reached(state, TYPICAL, 7.0, [Happening(7.0, added_n=1.0)]).ammonia == 2.0


class TestThePrior:
    def test_holds_what_is_published_of_new_systems(self) -> None:
        # FAO's glossary, system cycling: one to six weeks, seeded and unseeded alike. The prior was
        # not made from it (see there), and it is no more than a frame: the usual tank of both
        # kinds lies in it, and neither edge lies outside 95 of 100 tanks.
        def ends(seeded: bool) -> list[float]:
            rng = random.Random(f"prior {seeded}")
            drawn = (
                Kinetics(*(p.median * math.exp(rng.gauss(0.0, p.log_sd)) for p in prior(seeded)))
                for _ in range(200)
            )
            return sorted(end_d(start(k), k, 0.125, 0.04, 200.0) for k in drawn)

        live, new = ends(True), ends(False)
        assert 7 <= live[100] < new[100] <= 42
        assert live[5] <= 7
        assert new[195] >= 42

    def test_step_of_a_day_is_still_sane(self) -> None:
        state = start(TYPICAL._replace(rate_a=50.0))
        for _ in range(30):
            state = stepped(state, TYPICAL, 1.0)
            assert min(state[1:]) >= 0
