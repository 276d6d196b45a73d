"""One channel's judge, from samples to readings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from examples import examples
from stillwell.quality.judge import Judge, Limits, default_limits
from stillwell.reading import Failure, Flag, Moment, Quantity, Reading, Sample

TEMPERATURE = default_limits(Quantity.TEMPERATURE)
LSB = 0.0625


def at(seconds: float) -> Moment:
    return Moment(round(seconds * 1000), 1_750_000_000_000 + round(seconds * 1000), 1)


def judged(
    values: Sequence[float | None], every_s: float = 30.0, limits: Limits = TEMPERATURE
) -> list[Reading]:
    judge = Judge(limits)
    return [
        judge.judge(Sample("water-a", value, raw=f"raw {value}"), at(i * every_s))
        for i, value in enumerate(values)
    ]


def told(readings: list[Reading]) -> list[str]:
    return [f"{int(r.flag)} {r.tests}".strip() for r in readings]


class TestOrdinaryReadings:
    def test_pass_and_keep_no_raw_evidence(self) -> None:
        readings = judged([25.0, 25.0625, 25.0, 25.125])
        assert told(readings) == ["1", "1", "1", "1"]
        assert readings[1] == Reading("water-a", at(30), 25.0625, Flag.PASS)
        assert isinstance(readings[1], Reading)

    def test_say_how_many_looks_they_rest_on_as_every_reading_does(self) -> None:
        judge = Judge(default_limits(Quantity.FLOAT))
        values = [0.5, 0.6, 7.0, None, 0.5]
        readings = [
            judge.judge(Sample("float-low", value, looks=20 + i), at(30 * i))
            for i, value in enumerate(values)
        ]
        assert [r.flag for r in readings] == [1, 1, 4, 9, 1]
        assert [r.looks for r in readings] == [20, 21, 22, 23, 24]

    def test_noise_of_some_steps_each_second_is_no_rate(self) -> None:
        values = [25.0 + LSB * n for n in (0, 2, -1, 1, -2, 0, 2)]
        assert told(judged(values, every_s=1.0)) == ["1"] * 7

    def test_a_heater_that_warms_as_fast_as_it_can_passes(self) -> None:
        # 1 K an hour: 75 W on 68 L of seawater.
        values = [round((25 + i / 120) * 16) / 16 for i in range(600)]
        assert set(told(judged(values))) == {"1"}


class TestSpikesAndSteps:
    def test_a_spike_is_suspect_and_the_way_back_passes(self) -> None:
        readings = judged([25.0, 25.0, 25.0, 28.0, 25.0, 25.0])
        assert told(readings) == ["1", "1", "1", "3 rate,spike", "1", "1"]
        assert readings[3].raw == "raw 28.0"
        assert readings[3].value == 28.0

    def test_a_step_that_stays_is_believed_when_time_explains_it(self) -> None:
        # 2 K less the floor of 0.25 K at 0.5 K a minute: 210 s from the last good reading.
        readings = judged([25.0] * 3 + [27.0] * 10)
        assert told(readings)[3:] == ["3 rate,spike", *["3 rate"] * 5, *["1"] * 4]

    def test_a_value_out_of_range_fails_and_is_compared_with_nothing(self) -> None:
        readings = judged([25.0, 25.0, 99.0, 25.0, -5.0, 25.0])
        assert told(readings) == ["1", "1", "4 gross-range", "1", "4 gross-range", "1"]

    def test_a_value_between_the_spans_is_suspect(self) -> None:
        assert told(judged([36.0, 36.0])) == ["3 gross-range", "3 gross-range"]


class TestFlatLine:
    def test_is_suspect_after_its_time_and_ends_when_the_value_moves(self) -> None:
        limits = replace(TEMPERATURE, flat_for_s=120.0)
        readings = judged([25.0] * 6 + [25.0625, 25.0625], limits=limits)
        assert told(readings) == [*["1"] * 4, "3 flat-line", "3 flat-line", "1", "1"]

    def test_a_silence_longer_than_the_gap_limit_was_not_flat(self) -> None:
        limits = replace(TEMPERATURE, flat_for_s=600.0)
        judge = Judge(limits)
        for t in (0, 60):
            judge.judge(Sample("a", 25.0), at(t))
        assert judge.judge(Sample("a", 25.0), at(700)).flag is Flag.PASS
        assert judge.judge(Sample("a", 25.0), at(760)).flag is Flag.PASS

    def test_missing_readings_in_between_do_not_end_it(self) -> None:
        limits = replace(TEMPERATURE, flat_for_s=120.0)
        assert told(judged([25.0, 25.0, None, 25.0, 25.0], limits=limits))[-1] == "3 flat-line"


class TestAfterAGap:
    def test_the_rate_has_its_time_and_neighbours_are_forgotten(self) -> None:
        judge = Judge(TEMPERATURE)
        for t in (0, 30, 60):
            judge.judge(Sample("a", 25.0), at(t))
        assert judge.judge(Sample("a", 27.0), at(60 + 3600)).flag is Flag.PASS
        assert judge.judge(Sample("a", 40.0), at(60 + 7200)).tests == "gross-range"

    def test_a_jump_that_not_even_the_gap_explains_is_a_rate(self) -> None:
        judge = Judge(TEMPERATURE)
        judge.judge(Sample("a", 20.0), at(0))
        assert judge.judge(Sample("a", 30.0), at(400)).tests == "rate"


class TestFailures:
    @pytest.mark.parametrize("failure", list(Failure))
    def test_without_a_value_are_missing_and_with_one_fail(self, failure: Failure) -> None:
        judge = Judge(TEMPERATURE)
        without = judge.judge(Sample("a", None, failure, "00 00"), at(0))
        assert without == Reading("a", at(0), None, Flag.MISSING, failure.value, "00 00")
        with_value = judge.judge(Sample("a", 25.0, failure, "ff ff"), at(1))
        assert with_value == Reading("a", at(1), 25.0, Flag.FAIL, failure.value, "ff ff")

    def test_values_that_fail_are_remembered_by_no_test(self) -> None:
        judge = Judge(TEMPERATURE)
        judge.judge(Sample("a", 25.0), at(0))
        judge.judge(Sample("a", 31.0, Failure.CRC), at(30))
        assert judge.judge(Sample("a", 25.0), at(60)).flag is Flag.PASS

    def test_nothing_is_missing_and_nan_is_an_answer_without_a_number(self) -> None:
        assert told(judged([None, math.nan])) == ["9 missing", "9 not-a-number"]
        assert judged([math.nan])[0].value is None

    @pytest.mark.parametrize("value", [math.inf, -math.inf])
    def test_an_infinite_value_fails_and_is_kept_as_evidence_only(self, value: float) -> None:
        reading = Judge(TEMPERATURE).judge(Sample("a", value), at(0))
        assert reading == Reading("a", at(0), None, Flag.FAIL, "gross-range", repr(value))
        infinite_switch = Judge(default_limits(Quantity.FLOAT)).judge(Sample("f", value), at(0))
        assert infinite_switch.flag is Flag.FAIL

    def test_85_from_a_probe_that_read_25_a_minute_ago_fails_unmarked(self) -> None:
        readings = judged([25.0, 25.0, 85.0, 25.0])
        assert told(readings) == ["1", "1", "4 power-on,gross-range", "1"]

    def test_85_fails_also_where_the_range_would_allow_it(self) -> None:
        limits = replace(TEMPERATURE, fail=(-55.0, 125.0), suspect=(-55.0, 125.0))
        assert told(judged([25.0, 25.0, 85.0, 25.0], limits=limits)) == [
            "1",
            "1",
            "4 power-on",
            "1",
        ]

    def test_85_fails_also_where_no_test_of_change_is_asked(self) -> None:
        limits = replace(
            TEMPERATURE, fail=(0.0, 125.0), suspect=(0.0, 125.0), rate_per_s=None, spike=None
        )
        assert told(judged([82.5, 85.0, 85.0625], limits=limits)) == ["1", "4 power-on", "1"]
        assert told(judged([83.5, 85.0, 85.0625], limits=limits)) == ["1", "1", "1"]

    def test_85_mm_is_a_level_like_any_other(self) -> None:
        limits = replace(default_limits(Quantity.LEVEL), suspect=(-100.0, 100.0))
        assert told(judged([84.0, 85.0], limits=limits)) == ["1", "1"]

    def test_a_stale_conversion_is_suspect(self) -> None:
        judge = Judge(TEMPERATURE)
        judge.judge(Sample("a", 25.0), at(0))
        stale = judge.judge(Sample("a", 25.0, raw="x", stale=True), at(30))
        assert stale == Reading("a", at(30), 25.0, Flag.SUSPECT, "stale", "x")
        assert judge.judge(Sample("a", 25.0), at(60)).flag is Flag.PASS


class TestFloatsAndSwitches:
    @pytest.mark.parametrize("quantity", [Quantity.FLOAT, Quantity.SWITCH])
    def test_may_stand_still_for_months_and_turn_over_at_once(self, quantity: Quantity) -> None:
        limits = default_limits(quantity)
        values = [1.0] * 5 + [0.0, 1.0, 0.37]
        assert set(told(judged(values, every_s=86_400 * 30, limits=limits))) == {"1"}
        assert set(told(judged(values, every_s=1, limits=limits))) == {"1"}

    def test_a_share_outside_0_to_1_fails(self) -> None:
        limits = default_limits(Quantity.FLOAT)
        assert told(judged([1.01, -0.01], limits=limits)) == ["4 gross-range"] * 2


class TestClock:
    def test_wall_clock_steps_change_nothing(self) -> None:
        judge = Judge(TEMPERATURE)
        ten_years = 10 * 365 * 86_400_000
        flags = [
            judge.judge(Sample("a", 25.0 + 0.1 * i), Moment(i * 30_000, utc, i)).flag
            for i, utc in enumerate((0, ten_years, -ten_years, 5, 5))
        ]
        assert set(flags) == {Flag.PASS}

    def test_a_monotonic_clock_that_began_anew_empties_the_memory_of_neighbours(self) -> None:
        judge = Judge(replace(TEMPERATURE, rate_per_s=None))
        for t in (1000, 1030):
            judge.judge(Sample("a", 25.0), at(t))
        assert judge.judge(Sample("a", 28.0), at(0)).flag is Flag.PASS


class TestLimits:
    @pytest.mark.parametrize("quantity", list(Quantity))
    def test_every_quantity_has_some(self, quantity: Quantity) -> None:
        assert default_limits(quantity).quantity is quantity

    @pytest.mark.parametrize(
        ("change", "match"),
        [
            ({"suspect": (0.0, 60.0)}, "not within"),
            ({"fail": (45.0, 1.0)}, "upward"),
            ({"fail": (-math.inf, math.inf)}, "not a number"),
            ({"spike": -1.0}, "spike must not be below zero"),
            ({"rate_per_s": math.nan}, "rate_per_s must not be below zero"),
            ({"gap_s": 0.0}, "gap limit"),
            ({"flat_tolerance": 0.0}, "tolerance above zero"),
        ],
    )
    def test_that_make_no_sense_are_refused(self, change: dict[str, object], match: str) -> None:
        with pytest.raises(ValueError, match=match):
            replace(TEMPERATURE, **change)  # type: ignore[arg-type]


LIMITS = st.builds(
    Limits,
    fail=st.just((1.0, 99.0)),
    suspect=st.sampled_from([(15.0, 35.0), (1.0, 99.0)]),
    rate_per_s=st.sampled_from([None, 0.0, 0.5 / 60, 0.05]),
    spike=st.sampled_from([None, 0.0, 0.1, 0.4, 5.0]),
    flat_for_s=st.sampled_from([None, 0.0, 60.0, 600.0]),
    flat_tolerance=st.sampled_from([0.06, 0.2]),
    gap_s=st.sampled_from([30.0, 180.0, 1e5]),
    quantity=st.sampled_from([Quantity.TEMPERATURE, Quantity.LEVEL]),
    rate_floor=st.sampled_from([0.0, 0.0625, 0.25, 3.0]),
)
NUMBERS = st.one_of(
    st.integers(-12, 12).map(lambda n: 25.0 + n * LSB),
    st.floats(24.0, 26.0),
    st.sampled_from([85.0, 84.0, 0.0, 16.0, 34.9, 99.0, math.nan, math.inf, -math.inf]),
    st.floats(allow_nan=True, allow_infinity=True),
    st.none(),
)
STREAM = st.lists(
    st.tuples(
        NUMBERS,
        st.sampled_from([None] * 12 + [Failure.CRC, Failure.GONE]),
        st.sampled_from([False] * 9 + [True]),
        st.sampled_from([0, 1, 1000, 30_000, 30_000, 30_000, 30_001, 180_001, 10_000_000, -5000]),
    ),
    max_size=60,
)


class TestTheShortCut:
    @examples(400)
    @given(LIMITS, STREAM)
    def test_gives_what_all_the_tests_would_have_given(
        self,
        limits: Limits,
        stream: list[tuple[float | None, Failure | None, bool, int]],
    ) -> None:
        short, full = Judge(limits), Judge(limits)
        mono_ms = 10_000_000
        for value, failure, stale, step in stream:
            mono_ms += step
            sample = Sample("a", value, failure, "raw", stale)
            moment = Moment(mono_ms, mono_ms)
            assert short.judge(sample, moment) == full.judge_in_full(sample, moment)

    @given(LIMITS, STREAM)
    def test_is_within_what_the_store_can_keep(
        self,
        limits: Limits,
        stream: list[tuple[float | None, Failure | None, bool, int]],
    ) -> None:
        judge = Judge(limits)
        mono_ms = 10_000_000
        for value, failure, stale, step in stream:
            mono_ms += step
            reading = judge.judge(Sample("a", value, failure, "raw", stale), Moment(mono_ms, 0))
            assert reading.value is None or math.isfinite(reading.value)
            assert (reading.flag is Flag.PASS) == (reading.tests == "") == (reading.raw == "")
            assert (reading.value is None) >= (reading.flag is Flag.MISSING)
