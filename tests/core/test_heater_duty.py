"""The share of the last day that the heater was on."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.estimate.heat.duty import DAY_S, Duty


def alternating(on_s: float, off_s: float, days: float) -> Duty:
    duty, t, on = Duty(), 0.0, True
    while t < days * DAY_S:
        duty.turn(t, on)
        t += on_s if on else off_s
        on = not on
    return duty


class TestShare:
    @given(st.floats(600, 7200), st.floats(600, 7200))
    def test_of_a_steady_cycle_is_the_cycles(self, on_s: float, off_s: float) -> None:
        found = alternating(on_s, off_s, 3).share(3 * DAY_S)
        assert found is not None
        cycle = on_s + off_s
        assert found[0] == pytest.approx(on_s / cycle, abs=cycle / DAY_S)
        assert 0.0 < found[1] < 0.05

    def test_before_six_hours_nothing_is_said(self) -> None:
        duty = Duty()
        duty.turn(0.0, True)
        assert duty.share(5 * 3600.0) is None

    def test_what_nobody_knows_is_left_out_and_widens_it(self) -> None:
        duty, gap = alternating(3600, 3600, 1), alternating(3600, 3600, 1)
        gap.turn(DAY_S, None)
        gap.turn(1.25 * DAY_S, True)
        gap.turn(1.25 * DAY_S + 3600, False)
        whole, torn = duty.share(DAY_S), gap.share(1.25 * DAY_S + 7200)
        assert whole is not None
        assert torn is not None
        assert torn[0] == pytest.approx(0.5, abs=0.05)
        assert torn[1] > 3 * whole[1]

    def test_yesterday_is_forgotten(self) -> None:
        duty = alternating(3600, 3600, 2)
        duty.turn(2 * DAY_S, False)
        found = duty.share(3 * DAY_S)
        assert found is not None
        assert found[0] == 0.0

    def test_an_earlier_instant_that_is_learned_later_takes_the_place_of_what_was_thought(
        self,
    ) -> None:
        duty = Duty()
        duty.turn(0.0, False)
        duty.turn(50_000.0, True)
        duty.turn(43_200.0, True)
        found = duty.share(DAY_S)
        assert found is not None
        assert found[0] == pytest.approx(0.5)


class TestKept:
    def test_comes_back_as_it_was_to_the_second(self) -> None:
        duty, again = alternating(1234.5, 4321.0, 2), Duty()
        again.restore(duty.to_json())
        ours, theirs = duty.share(2 * DAY_S), again.share(2 * DAY_S)
        assert ours is not None
        assert theirs is not None
        assert theirs[0] == pytest.approx(ours[0], abs=1e-3)

    @pytest.mark.parametrize("kept", [[[1, 2]], [[1]], 3, [["x", 1]]])
    def test_what_is_none_is_refused(self, kept: object) -> None:
        with pytest.raises((TypeError, ValueError)):
            Duty().restore(kept)
