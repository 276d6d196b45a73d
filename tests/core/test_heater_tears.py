"""Tears of the trace: by how much it has jumped for good."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.estimate.heat.tears import JUMP_K, SETTLE_S, Tear

SLOPE = -0.3 / 3600


def torn(by_k: float, lasts_s: float = 0.0, wild_k: float = 0.0) -> Tear:
    """A trace that cools steadily, is elsewhere by `wild_k` for a while, and then by `by_k`."""
    tear, t = Tear(), 0.0
    while t < 600:
        tear.add(t, 25.0 + SLOPE * t, (25.0 + SLOPE * t, SLOPE))
        t += 30
    end = t + lasts_s
    while t < end:
        tear.mark(t, torn=True)
        tear.add(t, 25.0 + SLOPE * t + wild_k, (25.0, SLOPE))
        t += 30
    tear.mark(t, torn=True)
    while not tear.add(t, 25.0 + SLOPE * t + by_k, (25.0, SLOPE)):
        t += 30
    return tear


class TestJump:
    @given(st.floats(0.1, 0.5), st.sampled_from([-1, 1]))
    def test_is_measured_from_the_course_before(self, size: float, way: int) -> None:
        assert torn(way * size).mend(None, 0.0) == pytest.approx(way * size, abs=0.01)

    @given(st.floats(-0.9, 0.9).map(lambda share: share * JUMP_K))
    def test_that_is_small_is_none(self, by_k: float) -> None:
        assert torn(by_k).mend(None, 0.0) == 0.0

    def test_while_the_pump_stood_does_not_count(self) -> None:
        tear = torn(-0.25, lasts_s=600.0, wild_k=2.0)
        assert tear.mend(None, 0.0) == pytest.approx(-0.25, abs=0.02)

    def test_that_the_heater_may_have_made_is_none(self) -> None:
        assert torn(0.12).mend(3.0 / 3600, 0.0) == 0.0

    def test_a_trace_that_only_went_astray_has_not_jumped_where_the_relay_may_have_switched(
        self,
    ) -> None:
        tear = Tear()
        for k in range(20):
            tear.add(30.0 * k, 25.0, (25.0, 0.0))
        tear.mark(600.0, torn=False)
        t = 600.0
        while not tear.add(t, 25.3, (25.0, 0.0)):
            t += 30
        assert tear.mend(0.3 / 3600, 0.0) == 0.0

    def test_a_second_tear_soon_after_mends_the_first(self) -> None:
        tear = torn(2.0)
        first = tear.mend(None, 0.0)
        t = 600.0 + SETTLE_S + 30.0
        tear.add(t, 27.0, (27.0, SLOPE))
        tear.mark(t + 30, torn=True)
        t += 60
        while not tear.add(t, 25.0 + SLOPE * t - 0.2, (27.0, SLOPE)):
            t += 30
        second = tear.mend(None, 0.0)
        assert tear.again
        assert first + second == pytest.approx(-0.2, abs=0.03)
