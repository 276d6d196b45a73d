"""The absolute limit: deadband and delays, to the millisecond."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.rules.limit import CLEAR, Limit, LimitState, Side, judge
from stillwell.reading import Moment

LOW = Limit(Side.LOW, 24.8, 0.1, on_delay_ms=300_000, off_delay_ms=240_000, longest_step_ms=180_000)
OUT, STRIP, IN = 24.7, 24.85, 25.2


def at(ms: int) -> Moment:
    return Moment(ms, 1_800_000_000_000 + ms, 1)


def run(
    limit: Limit, rows: list[tuple[int, float]], state: LimitState = CLEAR
) -> list[tuple[int, bool]]:
    """Returns the changes of `active`, with their times."""
    changes = []
    for ms, value in rows:
        after = judge(limit, state, value, at(ms))
        if after.active != state.active:
            changes.append((ms, after.active))
        state = after
    return changes


def last(limit: Limit, rows: list[tuple[int, float]], state: LimitState = CLEAR) -> LimitState:
    for ms, value in rows:
        state = judge(limit, state, value, at(ms))
    return state


class TestOnDelay:
    @pytest.mark.parametrize("every_ms", [1000, 7000, 30_000, 60_000, 180_000])
    def test_raises_at_the_first_reading_at_or_after_it(self, every_ms: int) -> None:
        rows = [(ms, OUT) for ms in range(0, 1_000_000, every_ms)]
        first = next(ms for ms, _ in rows if ms >= 300_000)
        assert run(LOW, rows) == [(first, True)]

    def test_counts_from_the_first_reading_beyond(self) -> None:
        state = last(
            LOW, [(0, IN), (60_000, OUT), *((ms, OUT) for ms in range(120_000, 400_000, 60_000))]
        )
        assert state.active
        assert state.since == at(60_000)

    def test_zero_raises_at_once(self) -> None:
        assert run(Limit(Side.HIGH, 26.0), [(5, 26.1)]) == [(5, True)]

    def test_a_value_at_the_limit_is_in_order(self) -> None:
        assert run(Limit(Side.LOW, 24.8), [(0, 24.8)]) == []
        assert run(Limit(Side.HIGH, 26.0), [(0, 26.0)]) == []

    def test_counts_no_more_of_a_silence_than_the_longest_step(self) -> None:
        silent = [(0, OUT), (60_000, OUT), (60_000 + 3_600_000, OUT)]
        assert run(LOW, silent) == []
        more = [(3_660_000 + n * 60_000, OUT) for n in range(1, 5)]
        assert run(LOW, silent + more) == [(3_660_000 + 60_000, True)]

    def test_is_completed_by_a_probe_that_only_now_and_then_gives_a_reading(self) -> None:
        rows = [(n * 600_000, OUT) for n in range(4)]
        assert run(LOW, rows) == [(2 * 600_000, True)]

    def test_one_good_reading_ends_the_count(self) -> None:
        rows = [(n * 60_000, OUT) for n in range(5)] + [(300_000, IN)]
        assert run(LOW, rows) == []
        assert last(LOW, rows).quiet

    def test_noise_about_the_limit_takes_off_and_does_not_restart(self) -> None:
        """Two out, one in the strip: a count of 1 min net every 3 min, so 5 min after 15 min or
        so."""
        rows = [(n * 60_000, STRIP if n % 3 == 2 else OUT) for n in range(60)]
        [(ms, active)] = run(LOW, rows)
        assert active
        assert 600_000 <= ms <= 1_200_000

    def test_mostly_in_the_strip_never_raises(self) -> None:
        rows = [(n * 60_000, OUT if n % 3 == 0 else STRIP) for n in range(2000)]
        assert run(LOW, rows) == []

    def test_two_lucky_readings_an_hour_apart_do_not_raise(self) -> None:
        rows = [(n * 60_000, OUT if n % 60 == 0 else STRIP) for n in range(600)]
        assert run(LOW, rows) == []


class TestReturn:
    standing = LimitState(active=True, since=at(0))

    def test_comes_after_the_off_delay_inside_by_the_deadband(self) -> None:
        rows = [(ms, IN) for ms in range(0, 600_000, 30_000)]
        assert run(LOW, rows, self.standing) == [(240_000, False)]

    def test_does_not_come_in_the_strip(self) -> None:
        rows = [(ms, STRIP) for ms in range(0, 6_000_000, 30_000)]
        assert run(LOW, rows, self.standing) == []

    def test_is_put_off_by_a_value_beyond(self) -> None:
        rows = [(ms, OUT if ms == 210_000 else IN) for ms in range(0, 600_000, 30_000)]
        assert run(LOW, rows, self.standing) == [(240_000 + 240_000, False)]

    def test_does_not_run_on_silence(self) -> None:
        assert run(LOW, [(0, IN), (3_600_000, IN)], self.standing) == []

    def test_leaves_nothing_behind(self) -> None:
        assert last(LOW, [(ms, IN) for ms in range(0, 600_000, 30_000)], self.standing) == CLEAR


values = st.floats(24.0, 26.0)
limits = st.builds(
    Limit,
    side=st.sampled_from(Side),
    at=st.just(25.0),
    deadband=st.sampled_from([0.0, 0.1, 0.3]),
    on_delay_ms=st.sampled_from([0, 1, 60_000, 300_000]),
    off_delay_ms=st.sampled_from([0, 1, 60_000, 300_000]),
    longest_step_ms=st.just(180_000),
)
traces = st.lists(st.tuples(st.integers(1, 400_000), values), max_size=80)


def timed(steps: list[tuple[int, float]]) -> list[tuple[int, float]]:
    ms, rows = 0, []
    for step, value in steps:
        ms += step
        rows.append((ms, value))
    return rows


class TestAnySignal:
    @given(limits, traces)
    def test_chatter_is_bounded_by_the_delays(
        self, limit: Limit, steps: list[tuple[int, float]]
    ) -> None:
        changes = run(limit, timed(steps))
        for (before_ms, _), (ms, active) in pairwise(changes):
            assert ms - before_ms >= (limit.on_delay_ms if active else limit.off_delay_ms)

    @given(limits, st.lists(st.tuples(st.integers(1, 400_000), st.floats(0, 1)), max_size=80))
    def test_a_swing_within_the_deadband_raises_at_most_once(
        self, limit: Limit, steps: list[tuple[int, float]]
    ) -> None:
        """Whatever the noise does inside the strip about the limit: one raise, no return."""
        if not limit.deadband:
            return
        swing = 0.99 * limit.deadband
        base = limit.at - swing / 2
        rows = [(ms, base + swing * share) for ms, share in timed(steps)]
        assert len(run(limit, rows)) <= 1

    @given(limits, traces)
    def test_raises_only_on_a_value_beyond_and_returns_only_on_one_inside(
        self, limit: Limit, steps: list[tuple[int, float]]
    ) -> None:
        state = CLEAR
        for ms, value in timed(steps):
            after = judge(limit, state, value, at(ms))
            if after.active and not state.active:
                assert limit.beyond(value)
            if state.active and not after.active:
                assert limit.back(value)
            state = after

    @given(limits, traces)
    def test_a_quiet_state_is_not_changed_by_a_value_in_order(
        self, limit: Limit, steps: list[tuple[int, float]]
    ) -> None:
        """What the hot path rests on."""
        state = CLEAR
        for ms, value in timed(steps):
            after = judge(limit, state, value, at(ms))
            if state.quiet and not limit.beyond(value):
                assert after == state
            state = after
