"""Whether the calendar may go by the wall clock, without and with a network."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stillwell.supervise.clock_word import SETTLES_MS, WAIT_MS, ClockWord

INSTALLED = 1_780_000_000_000
MINUTE = 60_000


class TestNeverTrusted:
    def test_is_waited_for_ten_minutes(self) -> None:
        word = ClockWord(0, INSTALLED)
        assert not word.counts(WAIT_MS - 1, INSTALLED + WAIT_MS, False)
        assert word.counts(WAIT_MS, INSTALLED + WAIT_MS, False)

    def test_ten_minutes_of_the_run_not_of_the_machine(self) -> None:
        word = ClockWord(40 * MINUTE, INSTALLED)
        assert not word.counts(45 * MINUTE, INSTALLED + MINUTE, False)
        assert word.counts(50 * MINUTE, INSTALLED + MINUTE, False)

    def test_before_the_last_reading_or_the_installation_it_is_wrong(self) -> None:
        word = ClockWord(0, INSTALLED)
        assert not word.counts(5 * WAIT_MS, INSTALLED - 1, False)

    def test_counts_once_it_has_passed_them(self) -> None:
        word = ClockWord(0, INSTALLED)
        start = INSTALLED - 60 * MINUTE  # saved an hour before the power went
        assert not word.counts(59 * MINUTE, start + 59 * MINUTE, False)
        assert word.counts(60 * MINUTE, start + 60 * MINUTE, False)


class TestTrusted:
    def test_from_the_start_counts_at_once(self) -> None:
        assert ClockWord(0, INSTALLED).counts(1_000, INSTALLED, True)

    def test_in_the_middle_counts_when_the_store_has_been_put_right(self) -> None:
        word = ClockWord(0, INSTALLED)
        word.counts(MINUTE, 0, False)
        assert not word.counts(2 * MINUTE, INSTALLED, True)
        assert word.counts(2 * MINUTE + SETTLES_MS, INSTALLED + SETTLES_MS, True)

    def test_a_time_server_that_is_away_takes_nothing_back(self) -> None:
        word = ClockWord(0, INSTALLED)
        word.counts(0, INSTALLED, True)
        assert word.counts(MINUTE, INSTALLED + MINUTE, False)

    @given(st.lists(st.tuples(st.integers(0, 10**7), st.booleans()), min_size=1))
    def test_what_counts_goes_on_counting_while_nobody_steps_it(
        self, looks: list[tuple[int, bool]]
    ) -> None:
        word, mono, counted = ClockWord(0, INSTALLED), 0, False
        trusted_before = False
        for passed, trusted in looks:
            mono += passed
            first = trusted and not trusted_before
            counts = word.counts(mono, INSTALLED + mono, trusted)
            assert counts or not counted or first
            counted, trusted_before = counts or counted, trusted or trusted_before
            if first:
                counted = counts
