"""A dead heater in a calm tank, on which the lamp burns meanwhile: the lamp makes up much of what
the tank loses, which is what a weak heater looks like."""

from __future__ import annotations

import math
import random

import pytest

from stillwell.estimate.heat import Condition, Inference
from tanks.bath import DAY, HOUR, Bath, shown

HEAT_CAPACITY = 89.8 * 1.023 * 3994 * 1.05
"""J/K: 89.8 L of salt water, glass and rock."""
HEATER_W, LAMP_W, LOSS_W_PER_K = 124.0, 8.0, 8.92
LOW_C, SETTING_C, HIGH_C = 25.073, 25.55, 26.027
DIES_S = 4 * DAY + 14 * HOUR


def lived(mind: Inference, seed: int, until_s: float) -> list[tuple[float, set[Condition]]]:
    """What stands, each minute from the heater's death on."""
    chance = random.Random(seed)
    tank = Bath(
        HEATER_W / HEAT_CAPACITY,
        tau_s=HEAT_CAPACITY / LOSS_W_PER_K,
        low=LOW_C,
        high=HIGH_C,
        lag_s=60.0,
        begins=SETTING_C,
    )
    stood = []
    step_s = 10.0
    for n in range(round(until_s / step_s)):
        t = n * step_s
        room = 22.57 + 1.2 * math.sin(2 * math.pi * (t / DAY - 0.4))
        if t >= DIES_S:
            tank.share = 0.0
        lamp_w = LAMP_W if 12 <= t / HOUR % 24 < 22 else 0.0
        tank.move(step_s, room, lamp_w / HEAT_CAPACITY)
        if t % 60 == 0:
            mind.see(1000.0 + t, shown(tank.felt, 0.05, chance))
            if t >= DIES_S:
                stood.append((t - DIES_S, set(mind.standing)))
    return stood


class TestADeadHeater:
    @pytest.mark.parametrize("seed", range(1, 5))
    def test_that_was_told_is_not_called_weak_while_the_lamp_burns(self, seed: int) -> None:
        stood = lived(Inference(), seed, DIES_S + 8 * HOUR)
        told_s = next(t for t, standing in stood if Condition.NOT_HEATING in standing)
        assert all(Condition.NOT_HEATING in now for t, now in stood if t >= told_s)
        assert told_s < 6 * HOUR
