"""The picture of a series: where its dots are, what stands at its sides."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.cli.picture import HEIGHT, WIDTH, picture

DUBLIN = ZoneInfo("Europe/Dublin")
TEN_PM = 1_768_428_000_000  # 2026-01-14T22:00:00Z; Dublin keeps UTC in winter
HOUR = 3_600_000


def drawn(
    points: Sequence[tuple[int, float]],
    hours: float = 10,
    limits: tuple[float, float] | None = None,
    start_ms: int = TEN_PM,
) -> tuple[list[str], list[str], str]:
    """The scale at the side, the rows of dots, the times underneath."""
    text = picture(
        points,
        start_ms,
        start_ms + round(hours * HOUR),
        limits=limits,
        zone=DUBLIN,
        label=lambda value: f"{value:.2f}",
    ).plain
    *rows, times = text.split("\n")
    return [row[:9].strip() for row in rows], [row[10:] for row in rows], times[10:]


def dots(rows: Sequence[str]) -> set[tuple[int, int]]:
    """The dots as (column, row) of single dots, decoded by the Unicode standard's numbering of the
    dots of a braille cell (chapter 21.1, "Braille Patterns": dots 1 to 8 are bits 0 to 7)."""
    places = ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (0, 3), (1, 3))
    return {
        (2 * x + dx, 4 * y + dy)
        for y, row in enumerate(rows)
        for x, letter in enumerate(row)
        for bit, (dx, dy) in enumerate(places)
        if (ord(letter) - 0x2800) >> bit & 1
    }


class TestDots:
    def test_one_value_is_one_dot_half_way_up(self) -> None:
        scale, rows, _ = drawn([(TEN_PM, 25.3)])
        [(x, y)] = dots(rows)
        assert x == 0
        assert abs(y - (4 * HEIGHT - 1) / 2) <= 0.5
        assert (scale[0], scale[-1]) == ("25.80", "24.80")

    def test_the_highest_is_at_the_top_and_the_lowest_at_the_bottom(self) -> None:
        scale, rows, _ = drawn([(TEN_PM, 24.0), (TEN_PM + 10 * HOUR - 1, 26.0)])
        assert dots(rows) == {(0, 4 * HEIGHT - 1), (2 * WIDTH - 1, 0)}
        assert (scale[0], scale[-1]) == ("26.00", "24.00")

    def test_what_lies_outside_the_window_is_neither_drawn_nor_scaled(self) -> None:
        inside = [(TEN_PM + HOUR, 25.0), (TEN_PM + 2 * HOUR, 25.5)]
        outside = [(TEN_PM - 1, 99.0), *inside, (TEN_PM + 10 * HOUR, -99.0)]
        assert drawn(outside) == drawn(inside)

    @given(
        st.lists(
            st.tuples(
                st.integers(TEN_PM, TEN_PM + 10 * HOUR - 1),
                st.floats(-40, 85, allow_nan=False),
            ),
            min_size=1,
            max_size=60,
        ),
        st.one_of(st.none(), st.tuples(st.floats(20, 25), st.floats(25, 30))),
    )
    def test_every_picture_has_its_size(
        self, points: list[tuple[int, float]], limits: tuple[float, float] | None
    ) -> None:
        _, rows, times = drawn(sorted(points), limits=limits)
        assert [len(row) for row in rows] == [WIDTH] * HEIGHT
        assert len(times) <= WIDTH

    @given(
        st.lists(st.floats(20, 30, allow_nan=False), min_size=2, max_size=2 * WIDTH, unique=True)
    )
    def test_a_higher_value_is_never_drawn_lower(self, values: list[float]) -> None:
        column = 10 * HOUR // (2 * WIDTH)
        points = [(TEN_PM + column * n + column // 2, value) for n, value in enumerate(values)]
        _, rows, _ = drawn(points)
        row_of = dict(dots(rows))
        assert len(row_of) == len(values), "a dot for each"
        order = sorted(range(len(values)), key=lambda n: values[n])
        heights = [row_of[n] for n in order]
        assert heights == sorted(heights, reverse=True)


class TestLimits:
    def test_are_dotted_where_they_lie_within(self) -> None:
        wave = [(TEN_PM + n * HOUR, 25.0 + n % 2) for n in range(10)]
        _, rows, _ = drawn(wave, limits=(25.0, 26.0))
        for y in (0, 4 * HEIGHT - 1):
            assert {x for x, at in dots(rows) if at == y} >= set(range(0, 2 * WIDTH, 4))

    def test_one_just_outside_makes_room_for_itself(self) -> None:
        wave = [(TEN_PM + n * HOUR, 25.2 + 0.2 * (n % 2)) for n in range(10)]
        assert drawn(wave, limits=(25.1, 99.0))[0][-1] == "25.10"

    def test_one_far_away_does_not_flatten_the_curve(self) -> None:
        wave = [(TEN_PM + n * HOUR, 25.2 + 0.2 * (n % 2)) for n in range(10)]
        scale, _, _ = drawn(wave, limits=(20.0, 30.0))
        assert (scale[0], scale[-1]) == ("25.40", "25.20")


class TestTimes:
    def test_both_ends_and_round_hours_in_local_time(self) -> None:
        _, _, times = drawn([(TEN_PM, 25.3)])
        assert times.split() == ["22:00", "00:00", "02:00", "04:00", "06:00", "08:00"]

    def test_the_night_of_the_spring_change_has_its_local_times(self) -> None:
        # 28 March 2026, 22:00 GMT; at 01:00 GMT the clock goes to 02:00 IST (tz database).
        _, _, times = drawn([(1_774_735_200_000, 25.3)], hours=9, start_ms=1_774_735_200_000)
        assert times.split() == ["22:00", "00:00", "03:00", "05:00", "08:00"]

    @pytest.mark.parametrize("hours", [0.2, 1, 7, 30, 24 * 40])
    def test_labels_never_run_into_each_other(self, hours: float) -> None:
        _, _, times = drawn([(TEN_PM, 25.3)], hours=hours)
        assert all(len(word) == 5 for word in times.split())
        assert times.startswith("22:00")
