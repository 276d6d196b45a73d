"""Setting a new heater: warming, steady, which way to trim."""

from __future__ import annotations

from math import exp, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.keeper.warm_up import HOUR_MS, Guide, Stage, hours_to, stage, words
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

    def test_a_tank_that_warms_is_left_alone_and_its_hours_are_foretold(self) -> None:
        points = [(at, 18.0 + 0.9 * at / HOUR_MS) for at, _ in warmed(0, 4)]
        run = stage(points, TARGET, 0, 4 * HOUR_MS)
        assert run.stage is Stage.WARMING
        # 3.7 K and half an hour's lag of the mean, at 0.9 K/h
        assert hours_to(run, TARGET) == pytest.approx(4.6, abs=0.1)
        said = words(run, TARGET, System.METRIC)
        assert "at this rate it is at 25.3 °C in about 4 h 30 min" in said
        assert said.endswith("Leave the dial.")

    def test_water_that_has_met_the_thermostat_once_is_settling(self) -> None:
        rising = [(at, min(25.4, 20.0 + at / HOUR_MS * 1.5)) for at, _ in warmed(0, 4)]
        points = [*rising, (round(4.1 * HOUR_MS), 25.3), (round(4.3 * HOUR_MS), 25.2)]
        assert stage(points, TARGET, 0, round(4.4 * HOUR_MS)).stage is Stage.SETTLING

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
        assert f"Turn the dial {way}" in said
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


class TestGuide:
    """A run that somebody stays with: the water of each half hour, a dial that is turned."""

    def told(self, dial_c: list[tuple[float, float]], notes: list[float], hours: int) -> list[str]:
        """Stages as they were told. `dial_c`: (from this hour on, what the heater holds)."""
        guide, out = Guide(), []
        points: list[tuple[int, float]] = []
        base = 21.0
        for half in range(hours * 2):
            now_h = (half + 1) / 2
            for cell in range(3):
                at_h = half / 2 + (cell + 0.5) / 6
                held = [c for since, c in dial_c if since <= at_h][-1]
                base = min(held, base + 0.25) if base < held else max(held, base - 0.25)
                points.append((round(at_h * HOUR_MS), base + 0.15 * sin(at_h * 5.0)))
            noted = [h for h in notes if h <= now_h]
            trimmed = round(noted[-1] * HOUR_MS) if noted else None
            now_ms = round(now_h * HOUR_MS)
            run = stage(points, TARGET, 0, now_ms, trimmed)
            if guide.tells(run, trimmed, now_ms):
                out.append(str(run.stage))
            if run.stage is Stage.DONE:
                break
        return out

    def test_warms_settles_and_is_done(self) -> None:
        told = self.told([(0.0, 25.3)], [], 16)
        assert told[-1] == Stage.DONE
        assert Stage.WARMING in told
        assert Stage.TRIM not in told

    def test_a_trim_is_told_waited_for_and_judged_again(self) -> None:
        told = self.told([(0.0, 24.5), (9.0, 25.3)], [9.0], 20)
        assert told[-1] == Stage.DONE
        assert Stage.TRIM in told
        assert told.index(Stage.TRIM) < len(told) - 2

    def test_advice_that_nobody_follows_is_said_again_each_hour(self) -> None:
        told = self.told([(0.0, 24.5)], [], 14)
        assert told.count(Stage.TRIM) >= 3

    def test_a_trim_that_is_noted_is_answered_also_while_nothing_else_changes(self) -> None:
        guide = Guide()
        run = stage(warmed(24.5, 2), TARGET, 0, 2 * HOUR_MS - 1)
        assert run.stage is Stage.SETTLING
        assert guide.tells(run, None, 0)
        assert not guide.tells(run, None, TEN_MIN)
        assert guide.tells(run, TEN_MIN, 2 * TEN_MIN)
        assert not guide.tells(run, TEN_MIN, 3 * TEN_MIN)


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
