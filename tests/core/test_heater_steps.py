"""A probe that is replaced, and the only one there is: another zero, told apart from a heater that
is dead and from a dial that was turned."""

from __future__ import annotations

import copy
import math
import random
from collections.abc import Callable
from functools import cache

import pytest

from stillwell.estimate.heat import Condition, Inference
from stillwell.estimate.heat.sawtooth import Minute
from stillwell.estimate.heat.steps import LIKELIER, Habit, Trail, step_at
from stillwell.estimate.heat.thermostat import Thermostat
from tanks.bath import DAY, HOUR, Bath, shown

SIGMA = 0.035
GAIN = 1.9 / HOUR
LOSS = 0.35 / HOUR
HABIT = Habit(25.0, 25.3, GAIN, SIGMA)


def sloping(
    seed: int, slope: Callable[[float], float], step_k: float = 0.0, noise: float = 0.03
) -> list[Minute]:
    """Half an hour of minutes; the step comes in the middle."""
    chance = random.Random(seed)
    value, out = 25.1, []
    for n in range(30):
        value += 60.0 * slope(60.0 * n)
        read = value + (step_k if n >= 15 else 0.0) + chance.gauss(0, noise)
        out.append((60.0 * n, round(read * 16) / 16))
    return out


def cools(_t: float) -> float:
    return -LOSS


def heats_a_while(t: float) -> float:
    return GAIN - LOSS if 480 < t < 1080 else -LOSS


class TestStep:
    @pytest.mark.parametrize("way", [-1.0, 1.0])
    def test_is_measured_within_its_error(self, way: float) -> None:
        found = [step_at(sloping(seed, cools, way * 0.25), 15, HABIT) for seed in range(40)]
        steps = [step for step in found if step is not None]
        assert len(steps) == 40
        assert all(step.likelier > LIKELIER for step in steps)
        off = [abs(step.by_k - way * 0.25) / step.error_k for step in steps]
        assert sum(o < 2 for o in off) >= 36

    def test_of_a_fifth_of_a_kelvin_is_seen_while_the_heater_switches(self) -> None:
        found = [step_at(sloping(seed, heats_a_while, -0.2), 15, HABIT) for seed in range(40)]
        assert sum(s is not None and s.likelier > LIKELIER for s in found) >= 30

    @pytest.mark.parametrize("slope", [cools, heats_a_while])
    def test_is_not_made_of_noise_and_the_heater(self, slope: Callable[[float], float]) -> None:
        found = [step_at(sloping(seed, slope), 15, HABIT) for seed in range(100)]
        assert sum(s is not None and s.likelier > LIKELIER for s in found) <= 1

    def test_is_none_where_the_minutes_are_neither_line_nor_step(self) -> None:
        """A chamber whose pump stands is warmed, and mixed again."""
        minutes = sloping(1, cools)
        warmed = [(t, v + (1.0 if 500 < t < 1000 else 0.0)) for t, v in minutes]
        assert step_at(warmed, 15, HABIT) is None

    def test_is_none_of_too_few_minutes(self) -> None:
        assert step_at(sloping(1, cools, 0.3)[:17], 15, HABIT) is None

    def test_in_a_longer_time_must_be_likelier(self) -> None:
        trail = Trail()
        for t, v in sloping(5, cools, -0.16):
            trail.add((t, v))
        found = trail.step_since(600.0, HABIT, 0.0)
        assert found is not None
        least = found.likelier - 0.5
        assert trail.step_since(600.0, HABIT, least) is not None
        late = Trail()
        for n in range(300):
            late.add((60.0 * n - 18_000.0, round((25.1 + LOSS * (18_000.0 - 60 * n)) * 16) / 16))
        for t, v in sloping(5, cools, -0.16):
            late.add((t, v))
        assert late.step_since(-18_000.0, HABIT, least) is None


class TestAPauseWhileAnotherProbeIsOpen:
    def test_leaves_it_open(self) -> None:
        thermostat = Thermostat()
        thermostat.jump(-0.15, 100.0)
        thermostat.jump(1.2, 2000.0)
        thermostat.jump(-1.17, 3000.0, again=True)
        assert thermostat.moved_k == -0.15


HEAT_CAPACITY = 58.5 * 1.023 * 3994 * 1.05
"""J/K: 58.5 L of salt water, glass and rock."""
HEATER_W, LOSS_W_PER_K, ROOM_C = 128.0, 5.2, 20.5
LOW_C, SETTING_C, HIGH_C = 25.035, 25.15, 25.265


class Tank(Bath):
    """With one probe that is read once a minute."""

    def __init__(self, seed: int) -> None:
        super().__init__(
            HEATER_W / HEAT_CAPACITY,
            tau_s=HEAT_CAPACITY / LOSS_W_PER_K,
            low=LOW_C,
            high=HIGH_C,
            lag_s=40.0,
            begins=SETTING_C,
        )
        self.mind = Inference()
        self.t = 0.0
        self.zero = 0.0
        self.told: dict[Condition, float] = {}
        self._chance = random.Random(seed)

    def run(self, seconds: float, seen: bool = True) -> None:
        """Lets time pass; the probe is read all the while, or is not there."""
        end = self.t + seconds
        while self.t < end:
            self.t += 10.0
            self.move(10.0, ROOM_C)
            if seen and self.t % 60 == 0:
                read = shown(self.felt + self.zero, 0.033, self._chance)
                self.mind.see(1000.0 + self.t, read)
                for condition in self.mind.standing:
                    self.told.setdefault(condition, self.t)

    def until(self, on: bool) -> None:
        """Runs until the heater has just switched."""
        while self.on is on:
            self.run(10.0)
        while self.on is not on:
            self.run(10.0)


@cache
def _watched(seed: int) -> Tank:
    tank = Tank(seed)
    tank.run(3 * DAY)
    assert tank.told == {}
    assert tank.mind.learned
    return tank


def watched(seed: int) -> Tank:
    """After three days."""
    return copy.deepcopy(_watched(seed))


class TestAnotherProbe:
    @pytest.mark.parametrize("after_s", [120.0, 400.0, 1500.0])
    @pytest.mark.parametrize("by_k", [-0.28, -0.2, 0.2, 0.28])
    def test_is_no_dead_heater_and_no_turned_dial(self, by_k: float, after_s: float) -> None:
        for seed in (1, 2):
            tank = watched(seed)
            tank.until(on=True)
            tank.run(after_s)
            tank.zero = by_k
            tank.run(12 * HOUR)
            assert tank.told == {}

    @pytest.mark.parametrize("away_s", [240.0, 900.0])
    @pytest.mark.parametrize("by_k", [-0.25, 0.25])
    def test_that_comes_after_minutes_without_any_is_none_either(
        self, by_k: float, away_s: float
    ) -> None:
        for seed in (3, 4):
            tank = watched(seed)
            tank.until(on=False)
            tank.run(1200.0)
            tank.run(away_s, seen=False)
            tank.zero = by_k
            tank.run(12 * HOUR)
            assert tank.told == {}

    def test_hides_no_heater_that_dies_later(self) -> None:
        tank = watched(5)
        tank.until(on=True)
        tank.run(400.0)
        tank.zero = -0.2
        tank.run(12 * HOUR)
        tank.share = 0.0
        tank.until(on=True)
        died = tank.t
        tank.run(2 * HOUR)
        assert Condition.NOT_HEATING in tank.told
        assert tank.told[Condition.NOT_HEATING] - died < HOUR

    @pytest.mark.parametrize("by_k", [-0.3, 0.3])
    def test_is_not_what_a_turned_dial_is_taken_for(self, by_k: float) -> None:
        for seed in (6, 7):
            tank = watched(seed)
            tank.until(on=False)
            tank.run(600.0)
            tank.low, tank.high = tank.low + by_k, tank.high + by_k
            tank.run(12 * HOUR)
            assert Condition.SETTING_MOVED in tank.told
            assert math.copysign(1, tank.mind.moved_k) == math.copysign(1, by_k)
