"""Sensor trouble: what a reading is worth, and silent, fault and stuck."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.rules.missing import (
    NONE,
    ChannelWatch,
    Kind,
    Trouble,
    Worth,
    watch_over,
    worth,
)
from stillwell.reading import Flag, Moment, Quantity, Reading

GAP = 180_000


def at(ms: int) -> Moment:
    return Moment(ms, 1_800_000_000_000 + ms, 1)


START = at(0)


class TestWorth:
    @pytest.mark.parametrize(
        ("value", "flag", "tests", "expected"),
        [
            (25.0, Flag.PASS, "", Worth.GOOD),
            (25.0, Flag.NOT_EVALUATED, "", Worth.GOOD),
            (36.0, Flag.SUSPECT, "gross-range", Worth.GOOD),
            (25.0, Flag.SUSPECT, "rate", Worth.GOOD),
            (25.0, Flag.SUSPECT, "spike", Worth.BAD),
            (25.0, Flag.SUSPECT, "rate,spike", Worth.BAD),
            (25.0, Flag.SUSPECT, "stale", Worth.BAD),
            (25.0, Flag.SUSPECT, "flat-line", Worth.FLAT),
            (25.0, Flag.FAIL, "flat-line", Worth.FLAT),
            (60.0, Flag.FAIL, "gross-range", Worth.BAD),
            (60.0, Flag.FAIL, "gross-range,flat-line", Worth.BAD),
            (85.0, Flag.FAIL, "power-on", Worth.BAD),
            (25.0, Flag.FAIL, "crc", Worth.BAD),
            (None, Flag.MISSING, "gone", Worth.NOTHING),
            (None, Flag.MISSING, "silent", Worth.NOTHING),
            (None, Flag.MISSING, "missing", Worth.NOTHING),
            (None, Flag.MISSING, "", Worth.NOTHING),
            (None, Flag.MISSING, "crc", Worth.BAD),
            (None, Flag.MISSING, "garbage", Worth.BAD),
            (float("nan"), Flag.PASS, "", Worth.BAD),
            (float("inf"), Flag.SUSPECT, "gross-range", Worth.BAD),
        ],
    )
    def test_follows_from_flag_and_tests(
        self, value: float | None, flag: Flag, tests: str, expected: Worth
    ) -> None:
        assert worth(Reading("a", START, value, flag, tests)) is expected

    @given(st.floats(allow_nan=True, allow_infinity=True), st.text(max_size=20))
    def test_a_failed_reading_never_moves_a_band(self, value: float, tests: str) -> None:
        assert worth(Reading("a", START, value, Flag.FAIL, tests)) is not Worth.GOOD
        assert worth(Reading("a", START, value, Flag.MISSING, tests)) is not Worth.GOOD


class TestSilence:
    def test_is_told_when_the_gap_has_passed_to_the_millisecond(self) -> None:
        good = at(1000)
        assert watch_over(NONE, good, None, START, GAP, at(1000 + GAP - 1)) == NONE
        assert watch_over(NONE, good, None, START, GAP, at(1000 + GAP)) == Trouble(
            Kind.SILENT, good
        )

    def test_before_the_first_reading_runs_from_the_start(self) -> None:
        assert watch_over(NONE, None, None, START, GAP, at(GAP - 1)) == NONE
        assert watch_over(NONE, None, None, START, GAP, at(GAP)).kind is Kind.SILENT

    def test_is_a_fault_where_answers_came_that_cannot_be_used(self) -> None:
        assert watch_over(NONE, at(0), 60_000, START, GAP, at(GAP)).kind is Kind.FAULT

    def test_an_old_bad_answer_before_the_last_good_reading_is_no_fault(self) -> None:
        assert (
            watch_over(NONE, at(60_000), 50_000, START, GAP, at(60_000 + GAP)).kind is Kind.SILENT
        )

    def test_keeps_its_kind_until_it_is_over(self) -> None:
        silent = Trouble(Kind.SILENT, at(0))
        assert watch_over(silent, at(0), GAP + 5, START, GAP, at(GAP + 9)) == silent


def play(good_ms: list[int], end_ms: int, trouble: Trouble = NONE) -> list[tuple[int, Kind | None]]:
    """Good readings at these times, looked at each second; returns the changes of kind."""
    changes, good, due = [], None, sorted(good_ms)
    for ms in range(0, end_ms, 1000):
        while due and due[0] <= ms:
            good = at(due.pop(0))
        after = watch_over(trouble, good, None, START, GAP, at(ms))
        if after.kind is not trouble.kind:
            changes.append((ms, after.kind))
        trouble = after
    return changes


class TestReturn:
    def test_comes_after_a_gap_of_good_readings(self) -> None:
        good = list(range(400_000, 1_000_000, 30_000))
        assert play(good, 1_000_000) == [(GAP, Kind.SILENT), (400_000 + GAP, None)]

    def test_a_loose_plug_is_one_alarm(self) -> None:
        """One good reading every four minutes, for a day, with a gap of three minutes."""
        good = list(range(0, 86_400_000, 240_000))
        assert play(good, 86_400_000) == [(GAP, Kind.SILENT)]

    def test_a_restored_trouble_does_not_return_without_a_reading(self) -> None:
        restored = Trouble(Kind.SILENT, Moment(-60_000, 1_799_999_940_000))
        assert play([], 3_600_000, restored) == []

    def test_a_restored_trouble_returns_when_readings_come(self) -> None:
        restored = Trouble(Kind.FAULT, Moment(-60_000, 1_799_999_940_000))
        assert play(list(range(0, 600_000, 30_000)), 600_000, restored) == [(GAP, None)]


class TestResolution:
    def test_is_that_of_the_usual_sensor_unless_told(self) -> None:
        assert ChannelWatch("a", "s", Quantity.TEMPERATURE, 180).step == 1 / 16
        assert ChannelWatch("a", "s", Quantity.TEMPERATURE, 180, resolution=0.5).step == 0.5
        assert ChannelWatch("a", "s", Quantity.FLOAT, 180).step == 0.0
