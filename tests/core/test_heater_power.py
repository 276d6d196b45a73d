"""How much of its heat a heater gives: dead, weak, at its limit, sound."""

from __future__ import annotations

import copy
import json
import math
import random
from functools import cache

import pytest

from in_words import said, what
from stillwell.estimate.heat import Condition, HeaterPlan, Inference
from stillwell.finding import Finding
from stillwell.notice import Priority
from stillwell.observe.heat.watch import HeaterWatch
from stillwell.reading import Flag, Moment, Reading
from tanks.bath import DAY, HOUR, Bath, shown

GAIN = 0.9 / HOUR
"""What the heater does, K/s."""
TAU_S = 22 * HOUR
LOW_C, HIGH_C = 25.1, 25.5
STEP_S = 30.0


class Bowl(Bath):
    """Water that would rest at its room's temperature, and is held at 25.3 degC."""

    def __init__(self, seed: int = 1) -> None:
        super().__init__(GAIN, tau_s=TAU_S, low=LOW_C, high=HIGH_C, lag_s=60.0)
        self.rng = random.Random(seed)
        self.mind = Inference()
        self.t = 0.0
        self.room_c, self.colder = 19.0, 0.0
        """K an hour."""
        self.lamp = 0.0
        """What a lamp gives, K/s."""
        self.hours: tuple[float, float] | None = None
        """In which it burns each day; None: always."""
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

    def lit(self, from_s: float, to_s: float) -> float:
        """The part of the time in which the lamp burns, looked at in ten instants."""
        assert self.hours is not None
        on, off = self.hours
        at = [from_s + (to_s - from_s) * k / 9 for k in range(10)]
        return sum(on <= t % DAY / HOUR < off for t in at) / 10

    def step(self) -> None:
        room = self.unwatched()
        before = set(self.mind.standing)
        read = shown(self.felt, 0.03, self.rng)
        self.mind.see(1000.0 + self.t, read, round(room * 16) / 16)
        self.told += [(self.t, each) for each in set(self.mind.standing) - before]

    def unwatched(self) -> float:
        """A step of the water, at which nobody looks. Returns the room's temperature."""
        self.t += STEP_S
        self.room_c -= self.colder * STEP_S / HOUR
        room = self.room_c + 0.8 * math.sin(2 * math.pi * self.t / DAY)
        lamp = self.lamp if self.hours is None else self.lamp * self.lit(self.t, self.t)
        self.move(STEP_S, room, lamp)
        return room


@cache
def learned() -> Bowl:
    """Four days of it; look, do not touch."""
    bowl = Bowl()
    bowl.run(96)
    assert bowl.told == []
    return bowl


@cache
def lit() -> Bowl:
    """A week beside a lamp that gives most of what the water loses, from ten to eight."""
    bowl = Bowl(seed=3)
    bowl.lamp, bowl.hours = 0.18 / HOUR, (10.0, 20.0)
    bowl.mind.lit = lambda from_s, to_s: bowl.lit(from_s - 1000.0, to_s - 1000.0)
    bowl.run(7 * 24 + 10)
    assert bowl.told == []
    return bowl


class TestALitLamp:
    def dead(self, know: bool) -> Bowl:
        """The heater dies once it has gone off in the lamp's first hours."""
        bowl = copy.deepcopy(lit())
        if not know:
            bowl.mind.lit = lambda _from_s, _to_s: None
        bowl.until(on=True)
        bowl.until(on=False)
        bowl.share = 0.0
        bowl.until(on=True)
        return bowl

    def test_is_learned_as_what_the_water_loses_less(self) -> None:
        law = lit().mind.thermostat.room
        losses = [law.predict(6.3, part) for part in (0.0, 1.0, 0.5)]
        dark, whole, half = (loss[0] * HOUR for loss in losses if loss is not None)
        assert dark - whole == pytest.approx(0.18, abs=0.03)
        assert half == pytest.approx((dark + whole) / 2)
        assert dark == pytest.approx(6.3 / (TAU_S / HOUR), abs=0.03)

    def test_is_not_taken_for_a_part_of_a_dead_heaters_heat(self) -> None:
        shares = []
        for know in (True, False):
            bowl = self.dead(know)
            bowl.run(1)
            assert 10 < bowl.t % DAY / HOUR < 20
            share = bowl.mind.power.heat.measure(bowl.mind.thermostat)
            assert share is not None
            shares.append(share.value)
        assert abs(shares[0]) < 0.08 < shares[1]

    def test_outlives_a_restart(self) -> None:
        mind = Inference()
        mind.restore(json.loads(json.dumps(lit().mind.to_json())))
        assert mind.thermostat.room == lit().mind.thermostat.room


class TestADeadHeater:
    def test_is_told_where_its_heat_is_missing_also_if_the_filter_never_believes_it(self) -> None:
        bowl = copy.deepcopy(learned())
        bowl.until(on=False)
        bowl.share = 0.0
        watch = bowl.mind.filter
        assert watch is not None
        while not bowl.told and bowl.water > LOW_C - 0.5:
            watch.certain = math.inf
            bowl.step()
        assert [condition for _, condition in bowl.told] == [Condition.NOT_HEATING]
        assert LOW_C - 0.4 < bowl.water < LOW_C - 0.1

    def test_is_not_missed_before_where_its_point_may_have_moved_to(self) -> None:
        """Another probe may read less: then it comes on further down."""
        depths = []
        for moved_k in (0.0, -0.2):
            bowl = copy.deepcopy(learned())
            bowl.until(on=False)
            bowl.share = 0.0
            thermostat, watch = bowl.mind.thermostat, bowl.mind.filter
            assert watch is not None
            thermostat.moved_k, thermostat.moved_s = moved_k, 1000.0 + bowl.t
            bowl.mind._know(1000.0 + bowl.t)
            while not bowl.told and bowl.water > LOW_C - 0.6:
                watch.certain = math.inf
                bowl.step()
            depths.append(LOW_C - bowl.water)
        assert depths[1] > depths[0] + 0.1

    def test_a_jump_that_no_probes_zero_makes_moves_no_point(self) -> None:
        thermostat = copy.deepcopy(learned()).mind.thermostat
        for by_k, moves in ((0.3, 0.3), (1.1, 0.0)):
            thermostat.moved_k = 0.0
            thermostat.jump(by_k, 1000.0)
            assert thermostat.moves(peak=True) == moves


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
        assert [condition for _, condition in bowl.told] == [Condition.TOO_WEAK]

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
        assert (Condition.TOO_WEAK in bowl.mind.standing) is dark
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
        assert [condition for _, condition in bowl.told] == [Condition.TOO_WEAK]
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
        while not any(f.active and f.priority is not Priority.LOW for f in heard):
            assert bowl.t < 124 * HOUR
            if bowl.t > 96 * HOUR:
                bowl.colder = 1.2
            bowl.unwatched()
            ms = round(bowl.t * 1000)
            now = Moment(1 + ms, 1_800_000_000_000 + ms, 1)
            watch.see(Reading("room", now, bowl.room_c, Flag.PASS))
            read = shown(bowl.felt, 0.03, bowl.rng)
            heard += watch.see(Reading("a", now, read, Flag.PASS))
        short = [f for f in heard if f.alarm == Condition.TOO_WEAK]
        first, second = short[0], next(f for f in short if f.priority is not Priority.LOW)
        assert (first.active, first.priority) == (True, Priority.LOW)
        assert "still holds" in what(first)
        assert "It bears a room of" in said(first).why
        assert (second.active, second.priority) == (True, Priority.MEDIUM)
        assert {f.alarm for f in heard if f.active} == {Condition.TOO_WEAK}
