"""Rate of change and forecast."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.rules.forecast import LONGEST_H, reaches
from stillwell.alarm.rules.rate import (
    LATELY,
    LEAST_STRETCHES,
    STRETCH_MS,
    STRETCHES,
    Slope,
    Trail,
    comes_back,
    goes_on,
    leaps,
    slope,
    steepest,
    together,
    trend,
)

HOUR = 3_600_000


def line(per_h: float, n: int = 12, start: float = 25.0) -> list[tuple[int, float]]:
    return [(k * STRETCH_MS, start + per_h * k * STRETCH_MS / HOUR) for k in range(n)]


def some(points: list[tuple[int, float]], resolution: float = 1 / 16) -> Slope:
    found = slope(points, resolution)
    assert found is not None
    return found


def trailed(values: list[float], every_ms: int) -> Trail:
    trail = Trail()
    for k, value in enumerate(values):
        trail.close(k * every_ms)
        trail.total += value
        trail.count += 1
    return trail


class TestSlope:
    def test_of_a_line_is_the_line(self) -> None:
        found = some(line(-0.6), 0.0)
        assert found.per_h == pytest.approx(-0.6)
        assert found.low == pytest.approx(-0.6)
        assert found.high == pytest.approx(-0.6)
        assert found.value == pytest.approx(line(-0.6)[-1][1])

    def test_is_the_median_of_the_slopes_of_all_pairs(self) -> None:
        """Sen's estimator: y = 2x + 1 for x = 0 … 10 with y2 = 50 and y7 = -40 has slope 2.0, where
        least squares give -0.2273 (both computed with scipy.stats)."""
        points = [(x * HOUR, 2.0 * x + 1) for x in range(11)]
        points[2], points[7] = (2 * HOUR, 50.0), (7 * HOUR, -40.0)
        assert some(points, 0.0).per_h == pytest.approx(2.0)

    def test_is_none_where_the_evidence_is_thin(self) -> None:
        assert slope(line(1.0, LEAST_STRETCHES - 1), 0.0625) is None
        assert slope(line(1.0, LEAST_STRETCHES), 0.0625) is not None

    def test_its_interval_is_never_narrower_than_one_step_over_the_span(self) -> None:
        found = some(line(0.0))
        span_h = 11 * STRETCH_MS / HOUR
        assert found.high - found.low == pytest.approx(2 * 0.0625 / span_h)

    def test_its_interval_holds_the_truth_as_often_as_it_says(self) -> None:
        """95 % of 1000 lines with white noise; binomial sd 0.7 %, so 92 … 98 % is 4 sd."""
        seeded, held = random.Random(41), 0
        for _ in range(1000):
            points = [(ms, v + seeded.gauss(0, 0.05)) for ms, v in line(0.8)]
            found = some(points, 0.0)
            held += found.low <= 0.8 <= found.high
        assert 920 <= held <= 980

    def test_tells_when_the_value_turned(self) -> None:
        points = line(0.0, 6) + [(ms + 6 * STRETCH_MS, v) for ms, v in line(-2.0, 6)]
        found = some(points)
        assert found.turned_ms == 6 * STRETCH_MS

    def test_does_not_claim_to_know_a_turn_before_its_window(self) -> None:
        assert some(line(-0.6)).turned_ms is None


class TestTrend:
    def test_is_the_slope_since_the_turn(self) -> None:
        points = line(0.0, 6) + [(ms + 6 * STRETCH_MS, v) for ms, v in line(-2.0, 6)]
        found = trend(points, 1 / 16)
        assert found is not None
        assert found.per_h == pytest.approx(-2.0)
        assert found.turned_ms == 6 * STRETCH_MS

    def test_names_no_turn_that_is_too_recent_to_have_a_slope(self) -> None:
        points = line(0.0, 9) + [(ms + 9 * STRETCH_MS, v) for ms, v in line(-2.0, 3)]
        found = trend(points, 1 / 16)
        assert found is not None
        assert found.turned_ms is None

    def test_of_a_steady_fall_is_the_whole_of_it(self) -> None:
        assert trend(line(-0.6), 1 / 16) == slope(line(-0.6), 1 / 16)

    def test_is_none_where_the_evidence_is_thin(self) -> None:
        assert trend(line(-0.6, 4), 1 / 16) is None

    def test_still_water_is_given_no_trend_by_choosing_its_extreme(self) -> None:
        """Noise of 0.03 K in steps of 1/16 K, 200 hours: what is certain of the slope stays within
        one step an hour in all of them."""
        for seed in range(200):
            seeded = random.Random(seed)
            values = [round((25.03 + seeded.gauss(0, 0.03)) * 16) / 16 for _ in range(150)]
            found = trend(list(trailed(values, 30_000).points), 1 / 16)
            assert found is not None
            assert abs(found.certain_per_h) <= 1 / 16


class TestResolution:
    @pytest.mark.parametrize("every_ms", [1000, 30_000, 60_000])
    def test_a_flicker_between_two_steps_is_no_rate(self, every_ms: int) -> None:
        """Still water half-way between two steps of 1/16 K, with noise: many seeds, no rate above
        what two steps an hour would be."""
        for seed in range(10):
            seeded = random.Random(seed)
            count = 2 * HOUR // every_ms if every_ms > 1000 else 4000
            values = [round((25.03 + seeded.gauss(0, 0.03)) * 16) / 16 for _ in range(count)]
            found = slope(trailed(values, every_ms).points, 1 / 16)
            assert found is None or abs(found.certain_per_h) < 0.125

    def test_one_step_of_the_sensor_is_no_rate(self) -> None:
        """A jump of 1/16 K in the middle of the window, nothing else."""
        points = [(k * STRETCH_MS, 25.0 if k < 6 else 25.0625) for k in range(12)]
        assert some(points).certain_per_h <= 0.0625

    def test_a_real_cooling_seen_in_steps_is_found(self) -> None:
        seeded = random.Random(3)
        truth = [25.3 - 0.6 * k / 120 for k in range(150)]  # every 30 s
        values = [round((v + seeded.gauss(0, 0.03)) * 16) / 16 for v in truth]
        found = some(list(trailed(values, 30_000).points))
        assert found.per_h == pytest.approx(-0.6, abs=0.08)
        assert found.low <= -0.6 <= found.high


class TestSteepest:
    @given(
        st.lists(st.floats(-5, 45), min_size=LEAST_STRETCHES, max_size=STRETCHES),
        st.lists(st.integers(1, 5), min_size=STRETCHES, max_size=STRETCHES),
    )
    def test_no_slope_is_steeper(self, values: list[float], waits: list[int]) -> None:
        points = [(STRETCH_MS * sum(waits[:k]), value) for k, value in enumerate(values)]
        assert abs(some(points).per_h) <= steepest(points) * (1 + 1e-9)

    def test_of_a_line_is_its_slope(self) -> None:
        assert steepest(line(-0.6)) == pytest.approx(0.6)

    def test_of_less_than_two_stretches_is_none(self) -> None:
        assert steepest([]) == steepest(line(1.0, 1)) == 0.0


class TestTrail:
    def test_is_bounded_and_forgets_what_is_old(self) -> None:
        trail = trailed([1.0] * 10_000, 60_000)
        assert len(trail.points) == STRETCHES
        trail.close(10_000 * 60_000 + 10 * HOUR)
        assert len(trail.points) <= 1

    def test_averages_a_stretch(self) -> None:
        trail = trailed([1.0, 2.0, 3.0], STRETCH_MS // 3)
        assert trail.close(STRETCH_MS)
        assert [value for _, value in trail.points] == [2.0]

    def test_adds_nothing_for_an_empty_stretch(self) -> None:
        trail = Trail()
        assert not trail.close(0)
        assert not trail.close(STRETCH_MS)
        assert not trail.points


class TestComingBack:
    """Twelve stretches of an hour, of which a limit looks at the last seven."""

    @staticmethod
    def hour(values: Sequence[float]) -> tuple[list[tuple[int, float]], Slope]:
        points = [(k * STRETCH_MS, value) for k, value in enumerate(values)]
        return points, some(points[-LATELY:])

    def test_from_a_pause_of_the_pump_is_no_trend(self) -> None:
        warmed = [25.2] * 5 + [26.9, 26.5, 25.8, 25.4, 25.2, 25.1, 25.1]
        points, lately = self.hour(warmed)
        assert lately.per_h < -3.0
        assert comes_back(points, lately)

    @pytest.mark.parametrize("way", [1.0, -1.0])
    def test_a_change_that_goes_on_is_one(self, way: float) -> None:
        for since in (0, 3, 5, 7):
            values = [25.2 + way * 0.3 * max(0, k - since) for k in range(12)]
            assert not comes_back(*self.hour(values))

    def test_with_nothing_older_nothing_is_said(self) -> None:
        points, lately = self.hour([25.2 - 0.3 * k for k in range(7)])
        assert not comes_back(points, lately)


class TestLeaps:
    """Faster than a tank's water goes: 4 K an hour, by a choice of ours."""

    @staticmethod
    def warmed(per_h: float) -> list[tuple[int, float]]:
        """Half an hour of still water, then half an hour of that."""
        still = [(n * STRETCH_MS, 25.0) for n in range(6)]
        return still + [((6 + n) * STRETCH_MS, 25.0 + per_h * (n + 1) / 12) for n in range(6)]

    @pytest.mark.parametrize("way", [-1.0, 1.0])
    def test_a_chamber_whose_pump_rests_does(self, way: float) -> None:
        points = self.warmed(8.0 * way)[:9]
        assert leaps(points, points[-1][0] + STRETCH_MS // 2)

    def test_water_that_is_heated_does_not(self) -> None:
        points = self.warmed(3.5)
        assert not leaps(points, points[-1][0] + STRETCH_MS // 2)

    def test_what_goes_on_for_longer_than_a_pause_is_no_leap(self) -> None:
        points = self.warmed(8.0)
        assert leaps(points, points[-1][0])
        assert not leaps(points, points[-1][0] + 2 * STRETCH_MS)


class TestGoesOn:
    """What was a step and is over is no rate."""

    @pytest.mark.parametrize("way", [1.0, -1.0])
    def test_a_step_that_is_over_does_not(self, way: float) -> None:
        # A small chamber whose pump rests, warmed by a heater that was hot: 1.7 K in minutes.
        values = [0.0, 0.0, 0.0, 0.0, 1.6, 1.7, 1.7]
        points = [(k * STRETCH_MS, 25.0 + way * value) for k, value in enumerate(values)]
        lately = some(points)
        assert abs(lately.certain_per_h) > 3.0
        assert not goes_on(points, lately, 1 / 16)

    @pytest.mark.parametrize("per_h", [9.0, 3.0, 0.3, -0.3, -3.0, -9.0])
    def test_a_change_that_goes_on_does_also_in_the_sensors_steps(self, per_h: float) -> None:
        for begin in (25.0, 25.01, 25.03, 25.05):
            points = [(ms, round(v * 16) / 16) for ms, v in line(per_h, n=7, start=begin)]
            assert goes_on(points, some(points), 1 / 16)


class TestTogether:
    def test_one_wild_channel_of_three_does_not_count(self) -> None:
        slopes = [some(line(rate)) for rate in (0.1, 0.2, 9.0)]
        found = together(slopes)
        assert found is not None
        assert found.per_h == pytest.approx(0.2)

    @pytest.mark.parametrize("way", [1.0, -1.0])
    def test_what_one_of_two_sees_alone_is_not_the_waters(self, way: float) -> None:
        steep, still = some(line(9.0 * way)), some(line(0.0))
        assert together([steep, still]) == still
        assert together([still, steep]) == still

    def test_of_none_is_none(self) -> None:
        assert together([]) is None


class TestForecast:
    def test_is_distance_over_rate(self) -> None:
        found = reaches(some(line(-0.6)), 25.0, 24.7)
        assert found is not None
        assert found.seconds == pytest.approx(1800)
        assert found.soonest_s < 1800
        assert found.latest_s is not None
        assert found.latest_s > 1800

    @pytest.mark.parametrize(
        ("per_h", "value", "target"),
        [
            (0.6, 25.0, 24.7),
            (-0.6, 25.0, 25.0),
            (0.01, 25.0, 26.0),
            (-0.1, 25.0, 25 - 0.11 * LONGEST_H),
        ],
        ids=["moving away", "there already", "not told from standing still", "too far ahead"],
    )
    def test_says_nothing_when_the_evidence_is_thin(
        self, per_h: float, value: float, target: float
    ) -> None:
        assert reaches(some(line(per_h)), value, target) is None
        assert reaches(None, value, target) is None

    def test_has_no_latest_time_where_that_is_too_far_to_say(self) -> None:
        found = reaches(Slope(-0.5, -0.9, -0.01, 25.0, -0.4, 0, None), 25.0, 24.0)
        assert found is not None
        assert found.latest_s is None
        assert math.isclose(found.soonest_s, 1 / 0.9 * 3600)
