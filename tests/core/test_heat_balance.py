"""The model of the water's heat, on a tank of two equations that shares no code with it. The worlds
in `tests/support/tanks` are harder, and `tests/bench/bench_heat.py` goes through them."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.estimate.heat_balance.devices import Control, Devices, Night
from stillwell.estimate.heat_balance.hypotheses import Around, Cause, Level, chain
from stillwell.estimate.heat_balance.judge import Judgement, Verdict, full, sums
from stillwell.estimate.heat_balance.kalman import (
    ANEW_H,
    Filter,
    Point,
    calmed,
    fresh,
    merged,
    settles,
    switches,
)
from stillwell.estimate.heat_balance.knowledge import Knowledge
from stillwell.estimate.heat_balance.law import Alike, Law
from stillwell.estimate.heat_balance.means import Means
from stillwell.estimate.heat_balance.mixture import Mixture
from stillwell.estimate.heat_balance.places import placed
from stillwell.estimate.heat_balance.points import KEPT, SWING_PART, Turn, Turns, nearest
from stillwell.estimate.heat_balance.rests import UNSEEN, Rests
from stillwell.estimate.heat_balance.tank import TankHeat
from stillwell.estimate.heat_balance.transitions import Belief
from stillwell.form import Form

LIFT, LOSS, SETTING = 1.1, 1 / 16, 25.3
DAY_H = 24.0


class Tank:
    """A thermostat, a lamp from 12 to 22, a room that swings by a kelvin."""

    lift, loss, lamp_k = LIFT, LOSS, 2.0

    def __init__(self, devices: Devices, setting: Callable[[float], float] = lambda _: SETTING):
        self.heat = TankHeat(devices, room_seen=True)
        self.judgement = Judgement()
        self.said: list[tuple[float, Verdict, bool]] = []
        self._noise = random.Random(3)
        self._setting = setting
        self._water, self._on, self._at_h = SETTING, False, 0.0

    def live(self, until_h: float, force: float | None = None) -> None:
        """Lives up to an hour; `force` is what the heater gives whatever its thermostat says."""
        while self._at_h < until_h:
            self._at_h += 1 / 30
            hour = self._at_h % 24
            lamp = 12 <= hour < 22
            room = 21 + (1.0 if 8 <= hour < 20 else -1.0)
            share = self.control(self._setting(hour)) if force is None else force
            rest = room - 1.5 + self.lamp_k * lamp
            self._water += (self.lift * share + self.loss * (rest - self._water)) / 30
            seen = self._water + self._noise.gauss(0, 0.015)
            self.heat.take(self._at_h, seen, 0.02, room=room, lamp=float(lamp), hour=hour)
            before = set(self.judgement.since)
            self.judgement.look(self.heat)
            after = set(self.judgement.since)
            self.said += [(self._at_h, v, v in after) for v in before ^ after]

    def control(self, at: float) -> float:
        """Returns what the heater gives, 0 to 1."""
        self._on = self._water < at - 0.2 or (self._on and self._water < at + 0.2)
        return float(self._on)


class Held(Tank):
    """A large tank, held by proportional control without a reset: the water follows lamp and room
    by some tenths of a kelvin."""

    lift, loss, lamp_k = 0.45, 1 / 35, 5.0

    def control(self, at: float) -> float:
        return min(1.0, max(0.0, 0.35 + (at - self._water) / 1.5))


def heated() -> Devices:
    return Devices(Control.THERMOSTAT, (90.0,), volume_l=70.0)


@pytest.mark.long
def test_a_healthy_tank_is_quiet_and_teaches_its_law() -> None:
    tank = Tank(heated())
    tank.live(6 * DAY_H)
    assert tank.said == []
    law = tank.heat.learner.law
    assert law.heater == pytest.approx(LIFT, rel=0.1)
    low, high = tank.heat.pair()
    assert low.at == pytest.approx(SETTING - 0.2, abs=0.08)
    assert high.at == pytest.approx(SETTING + 0.2, abs=0.08)


@pytest.mark.parametrize(
    ("force", "verdict"), [(0.0, Verdict.NOT_HEATING), (1.0, Verdict.STUCK_ON)]
)
def test_a_fault_is_told_once_stays_for_three_days_and_ends_when_mended(
    force: float, verdict: Verdict
) -> None:
    tank = Tank(heated())
    tank.live(4 * DAY_H)
    tank.live(7 * DAY_H, force)
    assert [(v, stands) for _, v, stands in tank.said] == [(verdict, True)]
    tank.live(8 * DAY_H)
    assert [(v, stands) for _, v, stands in tank.said] == [(verdict, True), (verdict, False)]


@pytest.mark.parametrize(
    ("force", "verdict"), [(0.0, Verdict.NOT_HEATING), (1.0, Verdict.STUCK_ON)]
)
def test_a_fault_of_proportional_control_is_told_too_and_nothing_before(
    force: float, verdict: Verdict
) -> None:
    tank = Held(Devices(Control.PROPORTIONAL, (200.0,), volume_l=370.0))
    tank.live(6 * DAY_H)
    assert tank.said == []
    tank.live(9 * DAY_H, force)
    assert [(v, stands) for _, v, stands in tank.said] == [(verdict, True)]


def test_a_dial_that_was_moved_is_learned_at_its_new_points_and_sticks_once_at_most() -> None:
    by_k = 0.0
    tank = Tank(heated(), lambda _: SETTING + by_k)
    tank.live(3 * DAY_H)
    by_k = 0.5
    tank.live(5 * DAY_H)
    low, high = tank.heat.pair()
    assert (low.at, high.at) == pytest.approx((SETTING + 0.3, SETTING + 0.7), abs=0.08)
    assert [(v, stands) for _, v, stands in tank.said if v is Verdict.STUCK_ON] in (
        [],
        [(Verdict.STUCK_ON, True), (Verdict.STUCK_ON, False)],
    )


@pytest.mark.long
def test_a_heater_that_gives_a_third_is_missed_too() -> None:
    tank = Tank(heated())
    tank.live(4 * DAY_H)
    tank.live(6 * DAY_H, 0.2)
    assert {v for _, v, _ in tank.said} <= {Verdict.NOT_HEATING, Verdict.TOO_WEAK}
    assert tank.said


@pytest.mark.long
def test_a_setting_that_is_lower_by_night_is_no_fault() -> None:
    def setting(hour: float) -> float:
        return SETTING - 1.0 if hour >= 22 or hour < 7 else SETTING

    night = Night(22.0, 7.0, -1.0)
    tank = Tank(Devices(Control.THERMOSTAT, (90.0,), volume_l=70.0, night=night), setting)
    tank.live(6 * DAY_H)
    assert tank.said == []


def test_without_heater_and_chiller_nothing_is_ever_said() -> None:
    tank = Tank(Devices(heater=None))
    tank.live(3 * DAY_H)
    tank.live(5 * DAY_H, 0.0)
    assert tank.said == []


def values() -> st.SearchStrategy[list[float]]:
    return st.lists(st.floats(0.0, 45.0), min_size=1, max_size=40)


@given(values(), st.booleans(), st.booleans())
def test_weights_stay_a_distribution_whatever_is_read(
    read: list[float], proportional: bool, chiller: bool
) -> None:
    mixture = Mixture.begun(chain(Devices(chiller=chiller), proportional), 25.0, room_seen=True)
    law = Law(1.0, 1.0, 0.05, -1.0, 0.0)
    pair = (Point(25.0, 0.05), Point(25.4, 0.05))
    for value in read:
        mixture.step(1 / 30, value, 0.02, law, 21.0, [pair] * 6)
        causes = mixture.causes
        assert sum(causes.values()) == pytest.approx(1.0)
        assert all(0 <= p <= 1 + 1e-9 for p in causes.values())
        assert Cause.HEALTHY in causes


def test_sun_heats_at_one_pace_however_well_the_tank_keeps_its_heat() -> None:
    def pace(loss: float) -> float:
        """Returns how fast the water warms by the sun after it has shone for an hour, K/h."""
        mixture = Mixture.begun(chain(Devices(), False), 25.0, room_seen=False)
        mixture.step(1.0, None, 0.02, Law(1.0, 1.0, loss, 0.0, 0.0), 25.0, [pair] * 6)
        off = mixture.chain.levels.index(Level.OFF)
        sunny = mixture.belief.filters[Around.WARMED * len(mixture.chain.levels) + off]
        assert sunny is not None
        return loss * sunny.w

    pair = (Point(20.0, 0.05), Point(30.0, 0.05))
    assert pace(1 / 60) == pytest.approx(pace(1 / 10))
    # 60 W of a clear sky at its height on 68 L, and half of that over the visit.
    assert pace(1 / 30) < 60 / 2 / (68 * 1.14)


def steps(step: float) -> Iterator[float]:
    for i in range(400):
        yield round((25.0 + 0.2 * (i % 40) / 40) / step) * step


def test_a_probe_of_coarse_steps_has_means_that_err_by_its_step() -> None:
    def error(step: float) -> float:
        means = Means()
        found = [means.add(30.0 * i, value) for i, value in enumerate(steps(step))]
        return next(mean.error for mean in reversed(found) if mean is not None)

    assert error(0.1) > 0.1 / 12**0.5 * 0.9
    assert error(0.01) < error(0.1)


def filters() -> st.SearchStrategy[Filter]:
    near = st.floats(-8.0, 8.0)
    return st.builds(
        lambda water, w, tt, ww, r: Filter(
            25 + water, w, tt, r * (tt * ww) ** 0.5, ww, 25 + water, 25 + water
        ),
        near,
        near,
        st.floats(1e-5, 1.0),
        st.floats(1e-3, 30.0),
        st.floats(-0.9, 0.9),
    )


@given(filters(), st.floats(0.5, 6.0))
def test_calm_surroundings_are_nearer_to_what_was_learned_and_surer(at: Filter, k: float) -> None:
    near, calm = calmed(at, k)
    assert 0.0 <= near <= 1.0
    assert abs(calm.w) <= abs(at.w)
    assert 0 < calm.ww <= at.ww
    assert 0 < calm.tt <= at.tt
    assert calm.tw**2 <= calm.tt * calm.ww * (1 + 1e-9)


@given(st.lists(st.tuples(st.floats(0.01, 1.0), filters(), st.booleans()), min_size=1, max_size=6))
def test_a_blend_is_no_surer_than_the_surest_of_its_parts(
    found: list[tuple[float, Filter, bool]],
) -> None:
    out = merged(found, sum(weight for weight, _, _ in found))
    assert out.tt >= min(one.tt for _, one, _ in found) * (1 - 1e-9)
    assert out.ww >= min(one.ww for _, one, _ in found) * (1 - 1e-9)
    waters = [one.water for _, one, _ in found]
    assert min(waters) - 1e-9 <= out.water <= max(waters) + 1e-9


@given(filters(), st.booleans())
def test_a_moved_dial_comes_to_rest_only_while_the_water_moves(at: Filter, falls: bool) -> None:
    assert settles(at, falls) == 0.0
    at.water += -1.0 if falls else 1.0
    assert 0.3 < settles(at, falls) < 1.0


def test_a_dead_heater_leaves_the_chiller_its_work_and_the_other_way_round() -> None:
    both = chain(Devices(Control.THERMOSTAT, (90.0,), chiller=True, volume_l=70.0), False)
    of = {cause: {s.level for s in both.states if s.cause is cause} for cause in Cause}
    assert Level.COOL in of[Cause.DEAD]
    assert {Level.OFF, Level.ON} <= of[Cause.CHILLER_DEAD]
    assert Level.BOTH in of[Cause.STUCK]
    assert Level.BOTH in of[Cause.CHILLER_STUCK]


def test_where_lamps_turn_the_water_too_the_nearest_turning_points_are_the_devices() -> None:
    own, lamp = [25.76, 25.75, 25.78, 25.88, 26.01], [27.95, 27.3, 26.9, 28.4, 29.6]
    assert nearest(own + lamp).at == pytest.approx(25.8, abs=0.1)


def scatter(count: int, off_k: float) -> float:
    """Of a thermostat's upper point, 0.4 K above the lower one, by so many turning points."""
    turns = Turns()
    for k in range(count):
        turns.add(Turn(2.0 * k, 25.1, peak=False), None)
        turns.add(Turn(2.0 * k + 1, 25.5 + off_k * (-1) ** k, peak=True), None)
    pair = turns.pair()
    assert pair is not None
    return pair[1].scatter


def test_how_far_a_thermostat_scatters_is_learned_of_each() -> None:
    assert scatter(KEPT, 0.0) < SWING_PART * 0.4 < scatter(4, 0.0)
    assert scatter(KEPT, 0.1) > 0.1


def test_water_that_hovers_at_a_point_says_little_of_its_device_and_water_far_beyond_much() -> None:
    pair = (Point(25.1, 0.05), Point(25.5, 0.05))
    at, waits = fresh(25.15, 0.0, 0.1), 1.0
    for _ in range(4 * 30):
        waits *= 1 - switches(at, pair, True, 1 / 30 / ANEW_H)
    assert waits > 0.4
    at.water = 24.8
    assert 1 - switches(at, pair, True, 1 / 30 / ANEW_H) < 1e-6


def roughness(noise_k: float) -> float:
    """Of still water, read with a noise that is supposed to be 0.02 K."""
    mixture = Mixture.begun(chain(heated(), False), 25.0, True)
    chance = random.Random(4)
    points = [(Point(20.0, 0.1), Point(20.5, 0.1))] * 3
    law = Law(LIFT, 1.0, LOSS, -1.5, 2.0)
    for _ in range(800):
        mixture.step(1 / 30, 25.0 + chance.gauss(0, noise_k), 0.02, law, 25.0, points)
    return mixture.belief.rough


def test_how_far_values_are_off_is_learned_to_either_side_of_what_is_supposed() -> None:
    assert roughness(0.012) < 0.7
    assert roughness(0.05) > 2.0


def test_a_moved_heater_whose_water_has_turned_at_a_peak_does_not_heat_on() -> None:
    states = chain(heated(), False)
    odds = {(Cause.MOVED, Level.ON): 0.1, (Cause.MOVED, Level.OFF): 0.7}
    weight = [odds.get((s.cause, s.level), 0.0) for s in states.states]
    weight += [0.0] * (3 * len(weight))
    filters: list[Filter | None] = [fresh(25.8, 0.0, 1.0)] * (3 * len(states.levels) + 1)
    heat = TankHeat(heated())
    heat.known.pairs = [(Point(25.1, 0.05), Point(25.5, 0.05)), None]
    heat.mixture = Mixture(states, Belief(weight, filters), True)
    heat.known.recent = [Turn(1.0, 25.1, peak=False)]
    assert sums(heat) == pytest.approx((0.0, 0.1))
    heat.known.recent.append(Turn(3.0, 25.9, peak=True))
    assert sums(heat) == pytest.approx((0.0, 0.0))


def test_what_was_learned_of_water_apart_is_forgotten_when_it_is_mixed() -> None:
    tank = Tank(heated())
    tank.live(2 * DAY_H)
    learner, known = tank.heat.learner, tank.heat.known
    tank.live(2 * DAY_H + 9, force=0.0)
    assert known.sound is not None
    before, _ = known.sound
    assert learner.theta.x != before
    tank._water += 1.0
    tank.live(2 * DAY_H + 9.2)
    assert learner.theta.x == before


def test_what_is_kept_goes_on_as_if_nothing_had_been() -> None:
    first = Tank(heated())
    first.live(30.0)
    text = Form(Knowledge).text(first.heat.knowledge())
    again = TankHeat(heated(), room_seen=True, known=Form(Knowledge).read(text))
    for i in range(60):
        at_h, value = 30.1 + i / 30, SETTING + 0.1 * (i % 3)
        for heat in (first.heat, again):
            heat.take(at_h, value, 0.02, room=21.0, lamp=0.0, hour=at_h % 24)
    assert again.mixture is not None
    assert first.heat.mixture is not None
    assert again.mixture.causes == pytest.approx(first.heat.mixture.causes)
    assert again.learner.law == first.heat.learner.law


def night(rests: Rests, day: int, mixed_k: float) -> list[float]:
    """A pump that rests from 22 to 6; returns the hours in which its tank is not weighed."""
    held = []
    for tenth in range(200, 320):
        hour = tenth / 10 % 24
        at_h = 24 * day + tenth / 10
        mixed = tenth >= 301
        if rests.holds(hour, mixed_k * mixed):
            held.append(hour)
            continue
        missing = 0.99 if 230 < tenth < 310 else 0.0
        jolt = mixed_k if tenth == 301 else 0.0
        rests.see(at_h, 0.1, hour, jolt, (missing, missing))
    return held


def test_a_pump_that_rests_each_night_is_known_after_one_and_for_as_long_as_it_does() -> None:
    rests = Rests(own_h=21.5)
    assert night(rests, 0, 0.4) == []
    second = night(rests, 1, 0.4)
    assert min(second, key=lambda h: (h - 12) % 24) <= 22
    assert max(second, key=lambda h: (h - 12) % 24) == pytest.approx(6.5, abs=0.2)
    for day in range(2, 2 + UNSEEN):
        night(rests, day, 0.0)
    assert night(rests, 9, 0.0) == []


def test_heat_that_comes_back_as_a_heater_gives_it_is_no_rest_of_the_pump() -> None:
    rests = Rests(own_h=21.5)
    night(rests, 0, 0.0)
    assert rests.hours is None


def test_sun_that_never_came_is_taken_for_rarer_and_one_that_comes_for_more_frequent() -> None:
    never, daily = (
        Belief([], [], visits=[visits, 0.0], watched_h=[80.0, 80.0]) for visits in (0.0, 8.0)
    )
    new = Belief([], []).rate(Around.WARMED)
    assert never.rate(Around.WARMED) < new / 20
    assert daily.rate(Around.WARMED) > new


@pytest.mark.parametrize("night", [None, Night(22.0, 6.0, -1.0)])
def test_two_ends_of_two_days_without_current_are_no_flat_water(night: Night | None) -> None:
    tank = TankHeat(Devices(night=night))
    for at_h in (0.0, 0.05, 48.0, 48.1):
        tank.take(at_h, 25.0, 0.02, hour=23.0)
    assert tank.mixture is None
    assert not tank.known.proportional


def test_pieces_that_share_what_disturbs_them_teach_less() -> None:
    chance, alone, shared = random.Random(1), Alike(), Alike()
    for k in range(300):
        alone.add(chance.gauss(0, 1), 2 / 3)
        shared.add(math.sin(k / 6) + chance.gauss(0, 0.3), 2 / 3)
    assert alone.counts < 2 < 5 < shared.counts


def test_several_heaters_are_at_their_limit_together() -> None:
    heat = TankHeat(Devices(heaters_w=(60.0, 40.0), volume_l=70.0))
    assert full(heat) == pytest.approx(2.0)
    assert full(TankHeat(Devices(heaters_w=(60.0,), volume_l=70.0))) == 1.0


def test_where_a_schedule_shifts_its_points_they_are_less_sure() -> None:
    pair = (Point(25.0, 0.05), Point(25.4, 0.05))
    [(low, high), *_] = placed(Knowledge(pairs=[pair, None]), Devices(), -1.5)
    assert (low.at, high.at) == pytest.approx((23.5, 23.9))
    assert low.scatter == high.scatter > 0.1


def test_several_heaters_in_a_tank_of_unknown_volume_have_their_levels() -> None:
    devices = Devices(heaters_w=(50.0, 50.0))
    mixture = Mixture.begun(chain(devices, False), 25.0, False, together=devices.together)
    pair = (Point(25.0, 0.05), Point(25.4, 0.05))
    mixture.step(0.1, 24.9, 0.02, Law(1.0, 1.0, 0.05, -1.0, 0.0), 21.0, [pair] * 3)
    assert sum(mixture.causes.values()) == pytest.approx(1.0)
