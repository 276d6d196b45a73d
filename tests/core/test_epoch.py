"""The clock's epochs: steps, trust, and that drift is no step."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stillwell.acquire.epoch import STEP_MS, Change, Clockface, first, look

YEAR_MS = 365 * 86_400_000


class TestLook:
    def test_an_undisturbed_clock_changes_nothing(self) -> None:
        face = first(1_000, 1_700_000_000_000, trusted=True)
        assert look(face, 61_000, 1_700_000_060_000, True) == (face, Change.NONE)

    def test_a_jitter_below_the_step_changes_nothing(self) -> None:
        face = first(0, 0, trusted=True)
        assert look(face, 1_000, 1_000 + STEP_MS, True) == (face, Change.NONE)

    def test_a_step_begins_a_new_epoch_in_either_direction(self) -> None:
        face = first(0, 10 * YEAR_MS, trusted=True)
        for wall in (0, 20 * YEAR_MS):
            stepped, change = look(face, 0, wall, True)
            assert change is Change.STEPPED
            assert stepped == Clockface(wall, True)

    def test_trust_won_comes_before_a_step(self) -> None:
        face = first(5_000, 0, trusted=False)
        now, change = look(face, 6_000, 50 * YEAR_MS, True)
        assert change is Change.TRUSTED
        assert now == Clockface(50 * YEAR_MS - 6_000, True)

    def test_trust_is_not_lost_by_a_server_that_goes_away(self) -> None:
        face = first(0, 0, trusted=True)
        assert look(face, 1_000, 1_000, False) == (face, Change.NONE)

    @given(st.integers(0, 10**12), st.integers(0, 4 * 10**12), st.booleans())
    def test_after_a_look_the_face_shows_the_wall_clock(
        self, mono: int, wall: int, trusted: bool
    ) -> None:
        face, _ = look(first(0, 0, trusted=False), mono, wall, trusted)
        assert abs(face.utc_ms(mono) - wall) <= STEP_MS
