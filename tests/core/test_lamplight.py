"""The lamp's hours by the water's temperature."""

from __future__ import annotations

import math
import random

import pytest

from stillwell.estimate.lamplight import Cell, LitHours, NotSeen, lit_hours
from tanks.bath import HOUR, Bath

START = 1_767_571_200_000  # 5 January 2026 00:00 UTC
MINUTE = 60_000


def lived(
    lamp_k_h: float,
    on_h: float = 12.0,
    hours: float = 10.0,
    *,
    days: int = 6,
    heater_k_h: float = 1.0,
    seed: int = 1,
    room: bool = True,
    noise: float = 0.01,
    air_c: float = 20.0,
) -> list[Cell]:
    """Ten-minute means."""
    rng = random.Random(seed)
    water = Bath(heater_k_h / HOUR, tau_s=15 * HOUR)
    cells = []
    values: list[float] = []
    for minute in range(days * 1440):
        hour = minute / 60 % 24
        air = air_c + 1.5 * math.sin(2 * math.pi * (hour - 9) / 24)
        lit = (hour - on_h) % 24 < hours
        water.move(60.0, air, lamp_k_h / HOUR if lit else 0.0)
        values.append(water.water)
        if minute % 10 == 9:
            mean = sum(values) / 10 + rng.gauss(0.0, noise)
            at = minute - 9
            cells.append(Cell(START + at * MINUTE, at % 1440, mean, air if room else None))
            values = []
    return cells


class TestLampHours:
    @pytest.mark.parametrize(
        ("on_h", "hours"), [(12.0, 10.0), (9.0, 8.0), (18.0, 12.0), (7.5, 6.0)]
    )
    @pytest.mark.parametrize("room", [True, False])
    def test_are_counted_where_the_lamp_warms_the_water(
        self, on_h: float, hours: float, room: bool
    ) -> None:
        found = lit_hours(lived(0.2, on_h, hours, room=room))
        assert isinstance(found, LitHours)
        assert found.low <= hours <= found.high
        assert found.high - found.low <= 3.0
        assert abs(found.from_minute - on_h * 60) <= 30

    def test_are_counted_without_a_heater_too(self) -> None:
        found = lit_hours(lived(0.2, heater_k_h=0.0))
        assert isinstance(found, LitHours)
        assert found.low <= 10.0 <= found.high

    @pytest.mark.parametrize("seed", range(1, 9))
    @pytest.mark.parametrize("room", [True, False])
    def test_are_not_made_up_where_there_is_no_lamp(self, seed: int, room: bool) -> None:
        assert isinstance(lit_hours(lived(0.0, seed=seed, room=room)), NotSeen)

    @pytest.mark.parametrize("air_c", [22.5, 23.5, 24.0, 24.5, 25.0, 26.0])
    def test_are_not_turned_round_where_the_heater_hardly_runs(self, air_c: float) -> None:
        found = lit_hours(lived(0.3, heater_k_h=1.2, air_c=air_c))
        assert isinstance(found, NotSeen) or found.low <= 10.0 <= found.high

    def test_are_not_told_of_two_days_nor_of_nights_alone(self) -> None:
        assert isinstance(lit_hours(lived(0.2, days=2)), NotSeen)
        nights = [cell for cell in lived(0.2, days=14) if not 480 <= cell.minute < 1200]
        assert isinstance(lit_hours(nights), NotSeen)

    def test_of_nothing_are_not_told(self) -> None:
        assert isinstance(lit_hours([]), NotSeen)
