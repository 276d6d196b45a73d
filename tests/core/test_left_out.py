"""Which channels are left out because they hung, and until when."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stillwell.acquire.left_out import FIRST_S, LONGEST_S, LeftOut, to_blame
from stillwell.foreign import MOST_LEFT_BEHIND

MINUTE_MS = 60_000


def still() -> bool:
    return True


def over() -> bool:
    return False


class TestBlame:
    def test_goes_to_the_channel_in_whose_turn_it_hangs(self) -> None:
        assert to_blame([("a", 0), ("b", 800)], 10_800) == "b"

    def test_goes_to_the_one_that_used_the_time_up_and_not_to_the_last(self) -> None:
        assert to_blame([("a", 0), ("b", 9_500), ("c", 9_900)], 10_100) == "a"

    def test_goes_to_none_when_what_they_share_hangs(self) -> None:
        assert to_blame([("a", 0), ("", 800)], 10_800) == ""
        assert to_blame([], 10_800) == ""


class TestAChannelThatHung:
    def test_is_left_out_and_then_tried_by_itself_after_the_others(self) -> None:
        left = LeftOut()
        assert left.hung("b", 0, over) == FIRST_S
        assert left.rounds("abc", MINUTE_MS - 1) == [["a", "c"]]
        assert left.rounds("abc", MINUTE_MS) == [["a", "c"], ["b"]]

    def test_is_tried_beside_reads_that_never_end_and_not_beside_too_many(self) -> None:
        left, now_ms = LeftOut(), 0
        for _ in range(MOST_LEFT_BEHIND):
            assert ["b"] in left.rounds("ab", now_ms) or now_ms == 0
            now_ms += round(left.hung("b", now_ms, still) * 1000)
        assert left.rounds("ab", now_ms) == [["a"]]
        assert left.rounds("b", now_ms) == []

    def test_that_is_trusted_again_is_still_one_whose_reads_go_on(self) -> None:
        left = LeftOut()
        for minute in range(0, 10 * MOST_LEFT_BEHIND, 10):
            left.hung("b", minute * MINUTE_MS, still)
            left.answered("b", (minute + 9) * MINUTE_MS)
            assert left.sound("b") == ["b"]
        left.hung("b", 1000 * MINUTE_MS, still)
        assert left.rounds("b", 2000 * MINUTE_MS) == []

    def test_is_trusted_again_when_it_was_well_for_as_long_as_it_was_left_out(self) -> None:
        left = LeftOut()
        left.hung("b", 0, over)
        left.answered("ab", MINUTE_MS)
        assert left.sound("ab") == ["a"]
        left.answered("ab", 2 * MINUTE_MS)
        assert left.sound("ab") == ["a", "b"]
        assert left.hung("b", 3 * MINUTE_MS, over) == FIRST_S

    @given(st.lists(st.integers(0, 10 * MINUTE_MS), max_size=20))
    def test_waits_longer_each_time_and_never_longer_than_an_hour(self, delays: list[int]) -> None:
        left, now_ms, last_s = LeftOut(), 0, 0.0
        for delay_ms in delays:
            pause_s = left.hung("b", now_ms, over)
            assert last_s <= pause_s <= LONGEST_S
            assert pause_s == LONGEST_S or pause_s > last_s
            ends_ms = now_ms + round(pause_s * 1000)
            assert left.rounds("ab", ends_ms - 1) == [["a"]]
            assert left.rounds("ab", ends_ms) == [["a"], ["b"]]
            now_ms, last_s = ends_ms + delay_ms, pause_s
