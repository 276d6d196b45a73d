"""Which channels are left out because they hung, and until when."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stillwell.acquire.left_out import FIRST_S, LONGEST_S, LeftOut, to_blame

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

    def test_is_not_tried_while_the_read_that_hung_on_it_goes_on(self) -> None:
        left = LeftOut()
        left.hung("b", 0, still)
        assert left.rounds("ab", 100 * MINUTE_MS) == [["a"]]
        assert left.rounds("b", 100 * MINUTE_MS) == []

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
