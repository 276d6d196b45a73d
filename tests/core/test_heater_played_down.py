"""A dead heater in a calm tank, on which the lamp burns meanwhile: the lamp makes up much of what
the tank loses, which is what a weak heater looks like.

The tank is this file's own: Newton's law of cooling, a thermostat with hysteresis, a probe of the
first order with noise and steps. It shares nothing with the simulator of the drivers.
"""

from __future__ import annotations

import math
import random

import pytest

from stillwell.estimate.heat import Condition, Inference

HOUR = 3600.0
DAY = 24 * HOUR
HEAT_CAPACITY = 89.8 * 1.023 * 3994 * 1.05
"""J/K: 89.8 L of salt water, glass and rock."""
HEATER_W, LAMP_W, LOSS_W_PER_K = 124.0, 8.0, 8.92
SETTING_C, DIFFERENTIAL_K = 25.55, 0.954
DIES_S = 4 * DAY + 14 * HOUR


def lived(mind: Inference, seed: int, until_s: float) -> list[tuple[float, set[Condition]]]:
    """What stands, each minute from the heater's death on."""
    chance = random.Random(seed)
    water = felt = SETTING_C
    on = False
    stood = []
    step_s = 10.0
    for n in range(round(until_s / step_s)):
        t = n * step_s
        room = 22.57 + 1.2 * math.sin(2 * math.pi * (t / DAY - 0.4))
        if water < SETTING_C - DIFFERENTIAL_K / 2:
            on = True
        elif water > SETTING_C + DIFFERENTIAL_K / 2:
            on = False
        watts = HEATER_W if on and t < DIES_S else 0.0
        watts += LAMP_W if 12 <= t / HOUR % 24 < 22 else 0.0
        water += (watts - LOSS_W_PER_K * (water - room)) / HEAT_CAPACITY * step_s
        felt += (water - felt) * step_s / 60.0
        if t % 60 == 0:
            mind.see(1000.0 + t, round((felt + chance.gauss(0, 0.05)) * 16) / 16)
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
