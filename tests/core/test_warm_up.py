"""Setting a new heater: warming, steady, which way to trim."""

from __future__ import annotations

from math import exp, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.keeper.warm_up import HOUR_MS, Stage, stage, words
from stillwell.units import System

TEN_MIN = 600_000
TARGET = 25.3


def warmed(to_c: float, hours: float, from_c: float = 20.0) -> list[tuple[int, float]]:
    """A heater that holds `to_c` with a saw-tooth of 0.2 K, reached exponentially in an hour or
    so."""
    points = []
    for cell in range(int(hours * 6)):
        at_h = (cell + 0.5) / 6
        value = to_c - (to_c - from_c) * exp(-at_h / 0.8) + 0.1 * sin(at_h * 4.0)
        points.append((round(at_h * HOUR_MS), value))
    return points


class TestStages:
    def test_nothing_is_said_of_the_first_hour(self) -> None:
        assert stage(warmed(25.3, 0.5), TARGET, 0, HOUR_MS // 2).stage is Stage.UNSEEN

    def test_a_tank_that_warms_is_left_alone(self) -> None:
        run = stage(warmed(25.3, 2.2), TARGET, 0, round(2.2 * HOUR_MS))
        assert run.stage is Stage.WARMING
        assert "Leave it" in words(run, TARGET, System.METRIC)

    def test_steady_at_the_target_is_done(self) -> None:
        run = stage(warmed(25.2, 8), TARGET, 0, 8 * HOUR_MS)
        assert run.stage is Stage.DONE
        assert run.trim_k == 0.0

    @pytest.mark.parametrize(("held", "way"), [(24.3, "up"), (26.4, "down")])
    def test_steady_elsewhere_is_trimmed_with_the_caution(self, held: float, way: str) -> None:
        run = stage(warmed(held, 8), TARGET, 0, 8 * HOUR_MS)
        assert run.stage is Stage.TRIM
        assert run.trim_k == pytest.approx(TARGET - held, abs=0.05)
        said = words(run, TARGET, System.METRIC)
        assert f"turn the dial {way}" in said
        assert "unplug the heater and the pump" in said

    def test_after_a_trim_an_hour_passes_first(self) -> None:
        points = warmed(24.3, 8)
        run = stage(points, TARGET, 0, 8 * HOUR_MS, trimmed_ms=round(7.5 * HOUR_MS))
        assert run.stage is Stage.UNSEEN
        assert run.look_again_ms >= round(8.5 * HOUR_MS)

    def test_a_cold_tank_that_cools_speaks_of_the_heater(self) -> None:
        points = [(at, 24.0 - at / HOUR_MS * 0.5) for at, _ in warmed(0, 4)]
        run = stage(points, TARGET, 0, 4 * HOUR_MS)
        assert run.stage is Stage.COOLING
        assert "plugged in" in words(run, TARGET, System.METRIC)


class TestAlways:
    @given(
        st.lists(st.floats(15.0, 32.0), max_size=60),
        st.floats(0.0, 12.0),
        st.one_of(st.none(), st.floats(0.0, 12.0)),
    )
    def test_a_trim_leads_towards_the_target_and_nothing_else_moves_the_dial(
        self, values: list[float], now_h: float, trim_h: float | None
    ) -> None:
        points = [(i * TEN_MIN, v) for i, v in enumerate(values)]
        trimmed = None if trim_h is None else round(min(trim_h, now_h) * HOUR_MS)
        now_ms = round(now_h * HOUR_MS)
        run = stage(points, TARGET, 0, now_ms, trimmed)
        assert run.look_again_ms >= now_ms
        assert (run.trim_k != 0.0) == (run.stage is Stage.TRIM)
        if run.stage is Stage.TRIM:
            assert run.mean_c is not None
            assert min(values) <= run.mean_c <= max(values)
            assert run.mean_c + run.trim_k == pytest.approx(TARGET)
        assert words(run, TARGET, System.US)
