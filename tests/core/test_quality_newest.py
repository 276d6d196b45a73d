"""The forms that judge the newest value, and where they differ on purpose from those of ioos-qc."""

from __future__ import annotations

import math
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.quality.flat_line import Run, flat_line, grown
from stillwell.quality.gap import gap
from stillwell.quality.gross_range import gross_range
from stillwell.quality.power_on import power_on
from stillwell.quality.rate_of_change import rate_of_change
from stillwell.quality.spike import spike
from stillwell.quality.stale_conversion import stale_conversion
from stillwell.reading import Flag

LSB = 0.0625  # DS18B20 at 12 bit (data sheet)


class TestAnyValue:
    @pytest.mark.parametrize(
        ("value", "flag"),
        [
            (None, Flag.MISSING),
            (math.nan, Flag.MISSING),
            (math.inf, Flag.FAIL),
            (-math.inf, Flag.FAIL),
        ],
    )
    def test_that_is_no_number_is_told_by_every_test(self, value: float | None, flag: Flag) -> None:
        assert gross_range(value, (0, 35)) is flag
        assert spike(value, 25.0, 25.0, 1.0) is flag
        assert rate_of_change(value, 25.0, 60.0, 0.01) is flag
        assert power_on(value, 25.0) is flag
        assert stale_conversion(value, marked=True) is flag


class TestGrossRange:
    def test_ends_of_the_spans_are_inside(self) -> None:
        flags = [gross_range(v, (0, 35), (22, 29)) for v in (0, 21.9, 22, 29, 29.1, 35)]
        assert [int(f) for f in flags] == [3, 3, 1, 1, 3, 3]

    def test_outside_the_sensors_span_fails(self) -> None:
        assert gross_range(-0.1, (0, 35), (22, 29)) is Flag.FAIL
        assert gross_range(35.1, (0, 35)) is Flag.FAIL


class TestSpike:
    def run(self, values: list[float], suspect: float = 0.5) -> list[int]:
        """Flags of each value by the two before it."""
        flags = []
        for i, value in enumerate(values):
            previous = values[i - 1] if i > 0 else None
            earlier = values[i - 2] if i > 1 else None
            flags.append(int(spike(value, previous, earlier, suspect)))
        return flags

    def test_is_seen_at_once_and_alone(self) -> None:
        from ioos_qc import qartod

        values = [25.0, 25.1, 25.1, 28.0, 25.1, 25.2]
        assert self.run(values) == [2, 2, 1, 3, 1, 1]
        # the manual's form flags the neighbours with it, and everything one value late:
        assert [int(f) for f in qartod.spike_test(values, 0.5)] == [2, 1, 3, 3, 3, 2]

    def test_a_step_that_stays_is_suspect_once(self) -> None:
        assert self.run([25.0, 25.0, 27.0, 27.0, 27.1]) == [2, 2, 3, 1, 1]

    def test_a_steep_climb_is_suspect_once(self) -> None:
        # 128 W in 2.2 L of seawater while the pump stands: 0.8 K a minute (power over heat
        # capacity), as one probe beside the heater reads it.
        climb = [25.0 + 0.8 * minute for minute in range(6)]
        assert self.run([25.0, 25.0, *climb[1:]]) == [2, 2, 3, 1, 1, 1, 1]

    def test_the_way_back_of_a_spike_is_no_course(self) -> None:
        assert self.run([25.0, 25.0, 28.0, 25.0, 22.0, 25.0]) == [2, 2, 3, 1, 3, 1]

    def test_fails_above_the_second_threshold(self) -> None:
        assert spike(28.0, 25.0, 25.1, suspect=0.5, fail=2.0) is Flag.FAIL
        assert spike(26.0, 25.0, 25.1, suspect=0.5, fail=2.0) is Flag.SUSPECT

    def test_needs_two_neighbours(self) -> None:
        assert spike(28.0, None, None, 0.5) is Flag.NOT_EVALUATED
        assert spike(28.0, 25.0, None, 0.5) is Flag.NOT_EVALUATED


class TestRateOfChange:
    def test_one_step_of_the_sensor_within_a_second_is_no_rate(self) -> None:
        limit = 0.5 / 60
        assert rate_of_change(25.0 + LSB, 25.0, 1.0, limit) is Flag.SUSPECT
        assert rate_of_change(25.0 + LSB, 25.0, 1.0, limit, floor=4 * LSB) is Flag.PASS

    def test_a_change_is_believed_when_enough_time_has_passed_for_it(self) -> None:
        limit, floor = 0.5 / 60, 0.25
        explained_after = (2.0 - floor) / limit
        assert rate_of_change(27.0, 25.0, explained_after - 1, limit, floor) is Flag.SUSPECT
        assert rate_of_change(27.0, 25.0, explained_after + 1, limit, floor) is Flag.PASS

    def test_no_time_at_all_is_no_division_by_zero(self) -> None:
        assert rate_of_change(27.0, 25.0, 0.0, 0.01, 0.25) is Flag.SUSPECT
        assert rate_of_change(25.0, 25.0, 0.0, 0.01) is Flag.PASS

    def test_fails_above_the_second_threshold(self) -> None:
        assert rate_of_change(30.0, 25.0, 10.0, 0.1, 0.0, fail_per_s=0.4) is Flag.FAIL

    def test_is_not_evaluated_before_anything_has_passed(self) -> None:
        assert rate_of_change(25.0, None, 1.0, 0.01) is Flag.NOT_EVALUATED


QUANTISED = st.lists(
    st.tuples(st.integers(-2, 2), st.integers(1, 4000)), min_size=1, max_size=40
).map(
    lambda rows: [
        (25.0 + n * LSB, t)
        for (n, _), t in zip(rows, accumulate(step for _, step in rows), strict=True)
    ]
)


def run_flags(rows: list[tuple[float, int]], tolerance: float, suspect_s: float) -> list[Flag]:
    run: Run | None = None
    flags = []
    for value, t in rows:
        run = grown(run, value, t * 1000, tolerance)
        flags.append(flat_line(run, t * 1000, suspect_s))
    return flags


def window_flags(rows: list[tuple[float, int]], tolerance: float, suspect_s: float) -> list[Flag]:
    """The definition: some stretch of readings that ends here, lasts `suspect_s` and has a range
    less than the tolerance."""
    flags = []
    for end, (_, now) in enumerate(rows):
        flat = any(
            now - rows[start][1] >= suspect_s
            and max(v for v, _ in rows[start : end + 1]) - min(v for v, _ in rows[start : end + 1])
            < tolerance
            for start in range(end + 1)
        )
        flags.append(Flag.SUSPECT if flat else Flag.PASS)
    return flags


class TestFlatLine:
    @given(QUANTISED, st.integers(1, 9000))
    def test_equals_the_sliding_window_under_one_step_of_the_resolution(
        self, rows: list[tuple[float, int]], suspect_s: int
    ) -> None:
        assert run_flags(rows, 0.06, suspect_s) == window_flags(rows, 0.06, suspect_s)

    @given(QUANTISED, st.integers(1, 9000), st.sampled_from([0.07, 0.13, 0.2]))
    def test_is_never_earlier_than_the_sliding_window(
        self, rows: list[tuple[float, int]], suspect_s: int, tolerance: float
    ) -> None:
        ours = run_flags(rows, tolerance, suspect_s)
        for mine, theirs in zip(ours, window_flags(rows, tolerance, suspect_s), strict=True):
            assert mine is Flag.PASS or theirs is Flag.SUSPECT

    @given(st.lists(st.integers(-1, 1), min_size=3, max_size=40), st.integers(1, 10))
    def test_equals_ioos_qc_at_equal_intervals(self, steps: list[int], count: int) -> None:
        from ioos_qc import qartod

        rows = [(25.0 + n * LSB, 60 * i) for i, n in enumerate(steps)]
        values, times = zip(*rows, strict=True)
        theirs = qartod.flat_line_test(values, times, 60 * count, 10**9, 0.06)
        assert [int(f) for f in run_flags(rows, 0.06, 60 * count)] == [int(f) for f in theirs]

    def test_a_range_as_wide_as_the_tolerance_is_a_move(self) -> None:
        run = grown(None, 25.0, 0, LSB)
        assert grown(run, 25.0 + LSB, 1000, LSB) == Run(25.0 + LSB, 25.0 + LSB, 1000)
        assert grown(run, 25.0 + LSB / 2, 1000, LSB) == Run(25.0, 25.0 + LSB / 2, 0)

    def test_fails_after_the_second_time(self) -> None:
        run = grown(None, 25.0, 0, 0.06)
        flags = [flat_line(run, t * 1000, 60, 120) for t in (59, 60, 119, 120)]
        assert [int(f) for f in flags] == [1, 3, 3, 4]


class TestGap:
    def test_fails_only_past_the_limit(self) -> None:
        assert gap(180.0, 180.0) is Flag.PASS
        assert gap(180.1, 180.0) is Flag.FAIL


class TestPowerOn:
    def test_exactly_85_from_a_probe_that_read_25_fails(self) -> None:
        assert power_on(85.0, 25.0) is Flag.FAIL

    def test_85_from_a_probe_that_is_as_hot_passes(self) -> None:
        assert power_on(85.0, 84.5) is Flag.PASS

    def test_85_as_the_first_word_is_suspect(self) -> None:
        assert power_on(85.0, None) is Flag.SUSPECT

    def test_one_step_beside_it_is_a_measurement(self) -> None:
        assert power_on(85.0 - LSB, 25.0) is Flag.PASS


class TestStaleConversion:
    def test_is_suspect_only_when_the_driver_says_so(self) -> None:
        assert stale_conversion(25.0, marked=True) is Flag.SUSPECT
        assert stale_conversion(25.0, marked=False) is Flag.PASS
