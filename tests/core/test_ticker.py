"""The cadence of reading: no drift, no catching up; and the back-off of a failing source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.acquire.backoff import LONGEST_S, pause_s
from stillwell.acquire.ticker import Ticker


class TestTicker:
    @given(st.integers(1, 10**7), st.integers(0, 10**9), st.integers(0, 10**10))
    def test_the_next_tick_is_on_the_grid_and_within_one_period(
        self, period: int, start: int, now: int
    ) -> None:
        tick = Ticker(period, start).after(now)
        assert (tick - start) % period == 0
        assert tick > now or tick == start
        assert tick - max(now, start - period) <= period

    def test_what_was_missed_is_not_made_up_for(self) -> None:
        assert Ticker(1_000, 0).after(3_600_500) == 3_601_000

    def test_a_period_of_nothing_is_refused(self) -> None:
        with pytest.raises(ValueError, match="above zero"):
            Ticker(0, 0)


class TestBackoff:
    def test_doubles_from_one_second_to_a_minute(self) -> None:
        assert [pause_s(n) for n in range(9)] == [0, 1, 2, 4, 8, 16, 32, 60, 60]

    @given(st.integers(0, 10**9))
    def test_never_exceeds_a_minute(self, failures: int) -> None:
        assert 0 <= pause_s(failures) <= LONGEST_S
