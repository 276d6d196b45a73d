"""What evaporates cools the water, and what leaks does not. The tank here is a balance of heat of
its own: latent heat and heat capacity as published, a thermostat, noise of a probe."""

from __future__ import annotations

from random import Random

import pytest

from stillwell.estimate.level.cooling import Warmth, for_leak

LITRES, SLICE_H, DAY = 100.0, 1.0 / 6.0, 144
J_K, J_ML = LITRES * 4_090.0, 2_440.0
NOW = range(DAY + 60, DAY + 78)
BEFORE = range(54, 84)


def lived(
    more_ml_h: float, *, heater_w: float = 150.0, room_c: float = 20.0, seed: int = 1
) -> dict[int, Warmth]:
    """Returns two days of a tank from which so much more evaporates from the 198th slice on."""
    rng, water, on = Random(seed), 25.0, False
    found = {}
    for index in range(2 * DAY):
        late = index >= NOW.start - 6
        room = room_c if late else 20.0
        total = 0.0
        for _ in range(10):
            on = water < 25.0 + (0.15 if on else -0.15)
            watt = (heater_w if on else 0.0) - 6.0 * (water - room) - 20.0 * J_ML / 3_600.0
            watt -= more_ml_h * J_ML / 3_600.0 if late else 0.0
            water += watt * 60.0 / J_K
            total += water / 10.0
        found[index] = Warmth(total + rng.gauss(0.0, 0.01), room)
    return found


def odds(slices: dict[int, Warmth], more_ml_h: float = 40.0) -> float:
    return for_leak(slices, NOW, BEFORE, SLICE_H, LITRES, more_ml_h)


@pytest.mark.parametrize("seed", range(5))
def test_a_leak_cools_nothing(seed: int) -> None:
    assert odds(lived(0.0, seed=seed)) > 3.0


@pytest.mark.parametrize("seed", range(5))
def test_a_fan_takes_the_heat_of_what_evaporates(seed: int) -> None:
    assert odds(lived(40.0, seed=seed)) < -1.5


def test_a_room_that_has_cooled_is_no_evaporation() -> None:
    assert odds(lived(0.0, room_c=18.0)) > 0.0


def test_where_nobody_measures_the_room_it_says_less() -> None:
    blind = {at: Warmth(each.water, None) for at, each in lived(0.0).items()}
    assert 0.0 < odds(blind) < odds(lived(0.0))


def test_a_little_more_says_nothing() -> None:
    assert abs(odds(lived(0.0), 2.0)) < 1.0


def test_water_that_is_held_steady_says_nothing() -> None:
    rng = Random(3)
    steady = {index: Warmth(25.0 + rng.gauss(0.0, 0.01), 20.0) for index in range(2 * DAY)}
    assert odds(steady) == 0.0
