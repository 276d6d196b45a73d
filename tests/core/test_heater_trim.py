"""The advice on the heater's dial."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stillwell.estimate.trim import CLOSE_K, Trim, Turn, trim

degrees = st.floats(15.0, 35.0)


def at(setting: float, target: float, lately: list[float] | None = None) -> Trim:
    swings = [setting - 0.2, setting, setting + 0.2] if lately is None else lately
    around = (setting, setting - 0.02, setting + 0.02)
    return trim(around, (setting - 0.2, setting + 0.2), target, swings)


class TestTrim:
    def test_turns_up_what_is_set_too_low_by_the_difference(self) -> None:
        advice = at(24.9, 25.3)
        assert advice.turn is Turn.UP
        assert abs(advice.by_k - 0.4) < 1e-9

    def test_turns_down_what_is_set_too_high(self) -> None:
        assert at(25.8, 25.3).turn is Turn.DOWN

    def test_waits_while_the_water_is_on_its_way_to_where_the_heater_holds_it(self) -> None:
        assert at(24.9, 25.3, [22.0, 22.8, 23.5]) == Trim(Turn.WAIT)

    def test_waits_while_the_water_is_above_it(self) -> None:
        assert at(24.9, 25.3, [25.6, 25.5]) == Trim(Turn.WAIT)

    def test_waits_where_nothing_was_seen(self) -> None:
        assert at(24.9, 25.3, []) == Trim(Turn.WAIT)

    def test_leaves_what_is_as_near_as_a_dial_can_be_set(self) -> None:
        assert at(25.3 - CLOSE_K / 2, 25.3) == Trim(Turn.LEAVE)

    def test_leaves_what_it_does_not_know_better(self) -> None:
        assert trim((25.0, 24.6, 25.4), (24.8, 25.2), 25.3, [25.0]) == Trim(Turn.LEAVE)

    @given(degrees, degrees)
    def test_whoever_follows_it_is_told_to_leave_the_dial_next(
        self, setting: float, target: float
    ) -> None:
        advice = at(setting, target)
        way = {Turn.UP: 1, Turn.DOWN: -1}.get(advice.turn, 0)
        assert at(setting + way * advice.by_k, target).turn is Turn.LEAVE
