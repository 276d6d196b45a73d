"""The model of the water's heat, on a tank of two equations that shares no code with it. The worlds
in `tests/support/tanks` are harder, and `tests/bench/bench_heat.py` goes through them."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.estimate.heat_balance.devices import Control, Devices, Night
from stillwell.estimate.heat_balance.hypotheses import Cause, chain
from stillwell.estimate.heat_balance.judge import Judgement, Verdict
from stillwell.estimate.heat_balance.kalman import Point
from stillwell.estimate.heat_balance.law import Law
from stillwell.estimate.heat_balance.means import Means
from stillwell.estimate.heat_balance.mixture import Mixture
from stillwell.estimate.heat_balance.tank import TankHeat

LIFT, LOSS, SETTING = 1.1, 1 / 16, 25.3
DAY_H = 24.0


class Tank:
    """A thermostat, a lamp from 12 to 22, a room that swings by a kelvin."""

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
            at = self._setting(hour)
            self._on = self._water < at - 0.2 or (self._on and self._water < at + 0.2)
            share = float(self._on) if force is None else force
            rest = room - 1.5 + 2.0 * lamp
            self._water += (LIFT * share + LOSS * (rest - self._water)) / 30
            seen = self._water + self._noise.gauss(0, 0.015)
            self.heat.take(self._at_h, seen, 0.02, room=room, lamp=float(lamp), hour=hour)
            before = set(self.judgement.since)
            self.judgement.look(self.heat)
            after = set(self.judgement.since)
            self.said += [(self._at_h, v, v in after) for v in before ^ after]


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


@pytest.mark.long
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
