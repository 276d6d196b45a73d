"""Whether anybody watches, from what can be seen of a daemon."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.reading import Moment
from stillwell.watching import HANGS_AFTER_MS, RUN, Run, Signs, Watch, watching

NOW = 1_770_000_000_000
HOUR = 3_600_000
RUNS = Signs(
    held=True,
    moved_ms=NOW - 20_000,
    ran=True,
    fast=False,
    began_ms=NOW - 5 * HOUR,
    newest_ms=NOW - 30_000,
)


class TestWatching:
    def test_a_daemon_that_moves_watches(self) -> None:
        found = watching(RUNS, NOW)
        assert (found.watch, found.since_ms, found.nobody) == (Watch.ON, NOW - 5 * HOUR, False)

    def test_one_that_has_ended_watched_until_its_last_reading(self) -> None:
        found = watching(replace(RUNS, held=False, newest_ms=NOW - 96 * HOUR), NOW)
        assert (found.watch, found.since_ms, found.nobody) == (Watch.OFF, NOW - 96 * HOUR, True)

    def test_one_that_holds_the_store_and_does_not_move_does_not_watch(self) -> None:
        found = watching(replace(RUNS, moved_ms=NOW - HOUR), NOW)
        assert (found.watch, found.since_ms, found.nobody) == (Watch.HANGS, NOW - HOUR, True)

    def test_one_whose_sensors_are_all_dead_still_does(self) -> None:
        for newest in (NOW - 9 * HOUR, None):
            assert watching(replace(RUNS, newest_ms=newest), NOW).watch is Watch.ON

    def test_a_reading_from_a_time_to_come_is_said(self) -> None:
        ahead = replace(RUNS, newest_ms=NOW + 6 * HOUR)
        assert watching(ahead, NOW).ahead_ms == 6 * HOUR
        ended = watching(replace(ahead, held=False), NOW)
        assert (ended.watch, ended.since_ms, ended.ahead_ms) == (Watch.OFF, None, 6 * HOUR)

    def test_where_no_daemon_ever_ran_nobody_watches_yet(self) -> None:
        never = replace(RUNS, held=False, ran=False, began_ms=None, newest_ms=None)
        assert watching(never, NOW).watch is Watch.NEVER
        assert watching(never, NOW).nobody

    @pytest.mark.parametrize("held", [False, True])
    def test_a_replay_has_no_tank(self, held: bool) -> None:
        found = watching(replace(RUNS, held=held, ran=False, began_ms=None), NOW)
        assert (found.watch, found.nobody, found.made_up) == (Watch.NO_TANK, False, True)

    def test_nor_has_a_demonstration_that_is_over(self) -> None:
        demo = replace(RUNS, fast=True, newest_ms=NOW + 50 * HOUR)
        going_on = watching(demo, NOW)
        assert (going_on.watch, going_on.ahead_ms, going_on.made_up) == (Watch.ON, 0, True)
        assert watching(replace(demo, held=False), NOW).watch is Watch.NO_TANK

    @given(
        st.builds(
            Signs,
            held=st.booleans(),
            moved_ms=st.none() | st.integers(NOW - 10**9, NOW + 10**9),
            ran=st.just(True),
            fast=st.just(False),
            began_ms=st.none() | st.integers(NOW - 10**9, NOW + 10**9),
            newest_ms=st.none() | st.integers(NOW - 10**9, NOW + 10**9),
        )
    )
    def test_never_passes_for_watched_without_a_holder_that_moves(self, signs: Signs) -> None:
        found = watching(signs, NOW)
        late = signs.moved_ms is not None and abs(NOW - signs.moved_ms) > HANGS_AFTER_MS
        assert found.nobody == (not signs.held or late)

    def test_a_run_is_kept_as_it_is(self) -> None:
        run = Run(Moment(5, NOW, 3), "1.2.3", fast=True)
        assert RUN.read(RUN.text(run)) == run
