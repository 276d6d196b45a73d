"""The series forms against ioos-qc, the reference implementation of the QARTOD tests.

The pasted flags were produced by running ioos-qc 3.0.0 on the series above them; the property tests
run ioos-qc itself beside ours.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from typing import Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ioos_qc import qartod

from stillwell.quality.flat_line import flat_line_series
from stillwell.quality.gross_range import gross_range_series
from stillwell.quality.rate_of_change import rate_of_change_series
from stillwell.quality.spike import spike_series
from stillwell.reading import Flag

X = [25.0, 25.1, 25.2, 28.0, 25.2, 25.1, 25.1, 25.1, 25.1, 25.1, 36.0, math.nan]
Y = [25.0, 25.1, *[25.2] * 6, 25.3, 25.3, 25.4, 25.5]
Z = [25.0] * 6 + [25.8] * 6
TIMES = [600.0 * i for i in range(12)]


def ints(flags: Sequence[Flag]) -> list[int]:
    return [int(flag) for flag in flags]


def oracle(flags: Any) -> list[int]:
    return [int(flag) for flag in flags]


class TestOnTheFlagsOfIoosQc:
    def test_gross_range(self) -> None:
        flags = gross_range_series(X, fail=(0, 35), suspect=(22, 29))
        assert ints(flags) == [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 4, 9]

    def test_spike_by_the_average_of_the_neighbours(self) -> None:
        flags = spike_series(X, suspect=0.5, fail=2.0)
        assert ints(flags) == [2, 1, 3, 4, 3, 1, 1, 1, 1, 4, 2, 9]

    def test_spike_by_the_differential(self) -> None:
        flags = spike_series(X, suspect=0.5, fail=2.0, method="differential")
        assert ints(flags) == [2, 1, 1, 4, 1, 1, 1, 1, 1, 1, 2, 9]

    def test_rate_of_change(self) -> None:
        flags = rate_of_change_series(X, TIMES, 1 / 600)
        assert ints(flags) == [1, 1, 1, 3, 3, 1, 1, 1, 1, 1, 3, 9]

    def test_flat_line(self) -> None:
        assert ints(flat_line_series(X, TIMES, 1200, 2400, 0.01)) == [
            *[1, 1, 1, 1, 1, 1, 1, 3, 3, 4, 1, 9]
        ]
        assert ints(flat_line_series(X, TIMES, 1800, 3000, 0.01)) == [
            *[1, 1, 1, 1, 1, 1, 1, 1, 3, 3, 1, 9]
        ]
        assert ints(flat_line_series(Y, TIMES, 1800, 3000, 0.01)) == [
            *[1, 1, 1, 1, 1, 3, 3, 4, 1, 1, 1, 1]
        ]

    def test_a_step_is_a_rate_and_over_a_gap_a_small_one(self) -> None:
        assert ints(rate_of_change_series(Z, TIMES, 0.5 / 600)) == [*[1] * 6, 3, *[1] * 5]
        gapped = [t if i < 6 else t + 3600 for i, t in enumerate(TIMES)]
        assert ints(rate_of_change_series(Z, gapped, 0.5 / 600)) == [1] * 12

    def test_a_flat_line_with_no_tolerance_is_never_flagged(self) -> None:
        times = [600.0 * i for i in range(8)]
        assert ints(flat_line_series([25.0] * 8, times, 1800, 3000, 0.0)) == [1] * 8


VALUES = st.one_of(
    st.floats(-1e6, 1e6).map(lambda v: round(v, 4)),
    st.sampled_from([25.0, 25.0625, 25.125, 24.9375]),
    st.sampled_from([math.nan, math.inf, -math.inf]),
)
SERIES = st.lists(VALUES, min_size=3, max_size=25)
THRESHOLD = st.sampled_from([0.05, 0.1, 0.5, 1.0, 20.0, 1e4])


@st.composite
def timed(draw: st.DrawFn) -> tuple[list[float], list[float]]:
    values = draw(SERIES)
    steps = draw(st.lists(st.integers(1, 2000), min_size=len(values) - 1, max_size=len(values) - 1))
    times = [0.0]
    for step in steps:
        times.append(times[-1] + step)
    return values, times


class TestEqualToIoosQcOnAnySeries:
    @given(SERIES, st.floats(-1e3, 0), st.floats(0, 1e3), st.floats(0, 1), st.floats(0, 1))
    def test_gross_range(
        self, values: list[float], low: float, high: float, a: float, b: float
    ) -> None:
        suspect = (low * a, high * b)
        expected = qartod.gross_range_test(values, (low, high), suspect)
        assert ints(gross_range_series(values, (low, high), suspect)) == oracle(expected)

    @given(SERIES, THRESHOLD, THRESHOLD, st.sampled_from(["average", "differential"]))
    def test_spike(
        self,
        values: list[float],
        suspect: float,
        fail: float,
        method: Literal["average", "differential"],
    ) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            expected = qartod.spike_test(values, suspect, fail, method=method)
        assert ints(spike_series(values, suspect, fail, method)) == oracle(expected)

    @given(timed(), st.sampled_from([1e-4, 1e-3, 0.1, 10.0]), st.sampled_from([None, 1.0, 100.0]))
    def test_rate_of_change(
        self, series: tuple[list[float], list[float]], suspect: float, fail: float | None
    ) -> None:
        values, times = series
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            expected = qartod.rate_of_change_test(values, times, suspect, fail)
        assert ints(rate_of_change_series(values, times, suspect, fail)) == oracle(expected)

    @settings(max_examples=200)
    @given(
        timed(), st.integers(0, 8000), st.integers(0, 8000), st.sampled_from([0.0, 0.06, 0.07, 1.0])
    )
    def test_flat_line_with_the_median_interval(
        self,
        series: tuple[list[float], list[float]],
        suspect: int,
        fail: int,
        tolerance: float,
    ) -> None:
        values, times = series
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            expected = qartod.flat_line_test(values, times, suspect, fail, tolerance)
        assert ints(flat_line_series(values, times, suspect, fail, tolerance)) == oracle(expected)


class TestBesideIoosQc:
    """Where the series forms refuse or mend what ioos-qc takes."""

    def test_nothing_counts_as_missing(self) -> None:
        assert gross_range_series([None, 25.0], (0, 35)) == [Flag.MISSING, Flag.PASS]
        assert spike_series([25.0, None, 25.0], 1.0)[1] is Flag.MISSING

    def test_an_empty_series_has_no_flags(self) -> None:
        assert gross_range_series([], (0, 35)) == []
        assert spike_series([], 1.0) == []
        assert rate_of_change_series([], [], 1.0) == []
        assert flat_line_series([], [], 60, 120, 0.1) == []

    def test_a_missing_value_of_a_short_series_is_missing(self) -> None:
        flags = flat_line_series([math.nan, 25.0], [0.0, 60.0], 60, 120, 0.1)
        assert flags == [Flag.MISSING, Flag.PASS]

    @pytest.mark.parametrize(
        ("fail", "suspect"), [((35, 0), None), ((0, 35), (29, 22)), ((0, 35), (-1, 29))]
    )
    def test_spans_that_make_no_sense_are_refused(
        self, fail: tuple[float, float], suspect: tuple[float, float] | None
    ) -> None:
        with pytest.raises(ValueError, match="span"):
            gross_range_series([25.0], fail, suspect)

    def test_values_without_times_are_refused(self) -> None:
        with pytest.raises(ValueError, match="3 values but 2 times"):
            rate_of_change_series([1.0, 2.0, 3.0], [0.0, 1.0], 1.0)
        with pytest.raises(ValueError, match="3 values but 2 times"):
            flat_line_series([1.0, 2.0, 3.0], [0.0, 1.0], 1, 2)

    def test_an_interval_under_a_second_is_refused(self) -> None:
        with pytest.raises(ValueError, match="shorter than a second"):
            flat_line_series([1.0, 2.0, 3.0], [0.0, 0.1, 0.2], 1, 2)
