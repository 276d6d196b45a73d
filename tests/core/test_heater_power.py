"""How much of its heat a heater gives: dead, weak, at its limit, sound.

The tank is this file's own: Newton's law of cooling, a thermostat with hysteresis, a probe of the
first order with noise and steps. It shares nothing with the simulator of the drivers.
"""

from __future__ import annotations

import copy
import math
import random
from functools import cache

import pytest

from stillwell.estimate.heater import Condition, HeaterPlan, HeaterWatch, Inference
from stillwell.finding import Finding
from stillwell.notice import Priority
from stillwell.reading import Flag, Moment, Reading

HOUR = 3600.0
DAY = 24 * HOUR
GAIN = 0.9 / HOUR
"""What the heater does, K/s."""
TAU_S = 22 * HOUR
LOW_C, HIGH_C = 25.1, 25.5
STEP_S = 30.0


class Bowl:
    """Water that would rest at its room's temperature, and is held at 25.3 degC."""

    def __init__(self, seed: int = 1) -> None:
        self.rng = random.Random(seed)
        self.mind = Inference()
        self.t, self.water, self.felt = 0.0, 25.3, 25.3
        self.on = False
        self.share = 1.0
        self.room_c, self.colder = 19.0, 0.0
        """K an hour."""
        self.lamp = 0.0
        """What a lamp gives, K/s."""
        self.told: list[tuple[float, Condition]] = []

    def run(self, hours: float) -> None:
        end = self.t + hours * HOUR
        while self.t < end:
            self.step()

    def until(self, on: bool) -> None:
        while self.on is not on:
            self.step()

    def half_way_up(self) -> None:
        """Waits until the heater has been on for a while, between its points."""
        self.until(on=False)
        self.until(on=True)
        self.run(0.4)

    def step(self) -> None:
        self.t += STEP_S
        self.room_c -= self.colder * STEP_S / HOUR
        room = self.room_c + 0.8 * math.sin(2 * math.pi * self.t / DAY)
        self.on = self.water < LOW_C or (self.on and self.water < HIGH_C)
        heat = GAIN * self.share if self.on else 0.0
        self.water += (heat + self.lamp - (self.water - room) / TAU_S) * STEP_S
        self.felt += (self.water - self.felt) * STEP_S / 60.0
        before = set(self.mind.standing)
        read = round((self.felt + self.rng.gauss(0, 0.03)) * 16) / 16
        self.mind.see(1000.0 + self.t, read, round(room * 16) / 16)
        self.told += [(self.t, each) for each in set(self.mind.standing) - before]


@cache
def learned() -> Bowl:
    """Four days of it; look, do not touch."""
    bowl = Bowl()
    bowl.run(96)
    assert bowl.told == []
    return bowl


class TestTheShare:
    """Of the heat, as it comes."""

    @pytest.mark.parametrize("share", [0.0, 0.2, 0.4])
    def test_that_comes_after_the_call_lies_in_its_interval(self, share: float) -> None:
        bowl = copy.deepcopy(learned())
        bowl.until(on=False)
        bowl.share = share
        bowl.until(on=True)
        bowl.run(1.5)
        found = bowl.mind.power.heat.measure(bowl.mind.thermostat, 1000.0 + bowl.t - 1.4 * HOUR)
        assert found is not None
        assert abs(found.value - share) < found.spread
        assert found.spread < 0.2

    def test_of_a_sound_heater_is_all_of_it(self) -> None:
        bowl = copy.deepcopy(learned())
        bowl.until(on=False)
        bowl.until(on=True)
        bowl.run(0.6)
        found = bowl.mind.power.share
        assert found is not None
        assert found.above(0.7)


class TestAWeakHeater:
    @pytest.mark.parametrize("share", [0.2, 0.27])
    def test_is_told_as_that_below_the_lower_point_and_not_as_a_dead_one(
        self, share: float
    ) -> None:
        bowl = copy.deepcopy(learned())
        bowl.until(on=False)
        bowl.share = share
        bowl.until(on=True)
        bowl.run(4)
        assert [condition for _, condition in bowl.told] == [Condition.SHORT_OF_POWER]

    def test_that_dies_altogether_is_told_as_dead(self) -> None:
        bowl = copy.deepcopy(learned())
        bowl.until(on=False)
        bowl.share = 0.25
        bowl.until(on=True)
        bowl.run(4)
        bowl.share = 0.0
        bowl.run(4)
        assert set(bowl.mind.standing) == {Condition.NOT_HEATING}

    @pytest.mark.parametrize("dark", [True, False])
    def test_that_grows_weak_half_way_up_is_told_there_when_no_lamp_can_hold_the_water(
        self, dark: bool
    ) -> None:
        bowl = copy.deepcopy(learned())
        bowl.mind.power.dark = lambda _: dark
        bowl.half_way_up()
        bowl.share = 0.3
        bowl.run(2)
        assert bowl.water > LOW_C + 0.1
        assert (Condition.SHORT_OF_POWER in bowl.mind.standing) is dark
        bowl.share = 1.0
        bowl.run(2)
        assert bowl.mind.standing == {}

    @pytest.mark.parametrize("seed", range(3))
    def test_is_told_beside_a_lit_lamp_only_where_the_water_is_deep(self, seed: int) -> None:
        """The relay is thought on, too soon; what comes is the lamp's heat."""
        depths = []
        for is_dark in (lambda _: True, lambda _: False):
            bowl = copy.deepcopy(learned())
            bowl.rng = random.Random(seed)
            bowl.mind.power.dark = is_dark
            bowl.until(on=False)
            while bowl.water > LOW_C + 0.02:
                bowl.step()
            bowl.share, bowl.lamp = 0.0, 0.2 * GAIN
            assert bowl.mind.filter is not None
            bowl.mind.filter.begin(1000.0 + bowl.t, bowl.water, relay=True)
            assert bowl.mind.filter.best is not None
            bowl.mind.filter.best.loss = GAIN - bowl.lamp
            while not bowl.told:
                bowl.step()
            depths.append(LOW_C - bowl.water)
        assert depths[0] < 0.08
        assert depths[1] > 0.1

    def test_relay_that_goes_off_half_way_up_is_no_weak_one(self) -> None:
        bowl = copy.deepcopy(learned())
        bowl.mind.power.dark = lambda _: True
        bowl.half_way_up()
        bowl.on = False
        bowl.run(3)
        assert bowl.told == []

    def test_that_it_rose_no_more_is_void_once_the_trace_is_torn(self) -> None:
        bowl = copy.deepcopy(learned())
        bowl.mind.power.dark = lambda _: True
        bowl.half_way_up()
        bowl.share = 0.3
        while bowl.mind.power._stopped_s is None:
            bowl.step()
        bowl.mind.power.torn(bowl.t + 1000.0)
        bowl.share = 0.0
        bowl.run(0.5)
        assert bowl.mind.power._stopped_s is None


class TestTheLimit:
    """A room that grows cold, and a heater that gives all it has."""

    def test_is_told_while_the_water_holds_and_then_that_it_does_not(self) -> None:
        bowl = copy.deepcopy(learned())
        bowl.colder = 1.2
        while bowl.mind.power.limit_s is None:
            bowl.step()
        assert bowl.water > LOW_C
        assert bowl.mind.standing == {}
        bowl.run(10)
        assert [condition for _, condition in bowl.told] == [Condition.SHORT_OF_POWER]
        bowl.colder, bowl.room_c = 0.0, 19.0
        bowl.run(8)
        assert bowl.mind.standing == {}
        assert bowl.mind.power.limit_s is None

    def test_outlives_a_restart(self) -> None:
        bowl = copy.deepcopy(learned())
        bowl.colder = 1.2
        while bowl.mind.power.limit_s is None:
            bowl.step()
        again = Inference()
        again.restore(bowl.mind.to_json())
        assert again.power.limit_s == bowl.mind.power.limit_s

    def test_is_said_with_the_room_that_it_can_bear_and_at_low_priority_first(self) -> None:
        watch = HeaterWatch(HeaterPlan(("a",), room="room"))
        bowl = Bowl()
        heard: list[Finding] = []
        watch.tick(Moment(1, 1_800_000_000_000, 1))
        for _ in range(round(124 * HOUR / STEP_S)):
            if bowl.t > 96 * HOUR:
                bowl.colder = 1.2
            bowl.step()
            ms = round(bowl.t * 1000)
            now = Moment(1 + ms, 1_800_000_000_000 + ms, 1)
            watch.see(Reading("room", now, bowl.room_c, Flag.PASS))
            read = round((bowl.felt + bowl.rng.gauss(0, 0.03)) * 16) / 16
            heard += watch.see(Reading("a", now, read, Flag.PASS))
        short = [f for f in heard if f.alarm == Condition.SHORT_OF_POWER]
        first, second = short[0], next(f for f in short if f.priority is not Priority.LOW)
        assert (first.active, first.priority) == (True, Priority.LOW)
        assert "still holds" in first.message.what
        assert "down to a room of" in first.message.likely
        assert (second.active, second.priority) == (True, Priority.MEDIUM)
        assert {f.alarm for f in heard if f.active} == {Condition.SHORT_OF_POWER}
