"""Probes told apart from water, on made-up traces: a thermostat's saw-tooth, a room, noise."""

from __future__ import annotations

import copy
import random
from collections.abc import Callable
from functools import cache

import pytest

from in_words import what
from stillwell.estimate.probes.doubt import Kind
from stillwell.estimate.probes.judge import Judged, ProbeJudge
from stillwell.form import Form
from stillwell.notice import Priority
from stillwell.reading import Moment

DAY = 86_400.0
Fault = Callable[[str, float, float], float]
"""(channel, time, value) -> what the channel reads instead."""


def water(t: float) -> float:
    """A saw-tooth of 0.4 K about 25.3 degC with a period of 2 h."""
    phase = t % 7200 / 7200
    return 25.1 + (0.4 * phase / 0.3 if phase < 0.3 else 0.4 * (1 - phase) / 0.7)


def step(value: float) -> float:
    return round(value * 16) / 16


class Rig:
    """Probes a and b in one water, and a room at 20 degC."""

    def __init__(self, probes: tuple[str, ...] = ("a", "b"), room: bool = True, seed: int = 1):
        self.probes = probes
        self.room = room
        self.judge = ProbeJudge(probes, "room" if room else "")
        self.rng = random.Random(seed)
        self.t = 0.0
        self.changes: list[tuple[float, str, Kind | None]] = []
        self.creep = dict.fromkeys(probes, 0.0)

    def run(self, seconds: float, fault: Fault = lambda _name, _t, value: value) -> None:
        end = self.t + seconds
        while self.t < end:
            values = {name: water(self.t) + 0.1 * k for k, name in enumerate(self.probes)}
            if self.room:
                values["room"] = 20.0
            settings = {name: 25.3 + self.creep[name] for name in self.probes}
            for name, value in values.items():
                read = step(fault(name, self.t, value + self.rng.gauss(0, 0.03)))
                for changed in self.judge.see(name, self.t, read, settings):
                    doubt = self.judge.doubted.get(changed)
                    self.changes.append((self.t, changed, doubt.kind if doubt else None))
            self.t += 30.0

    def kinds(self) -> dict[str, Kind]:
        return {name: doubt.kind for name, doubt in self.judge.doubted.items()}


@cache
def _watched(probes: tuple[str, ...], room: bool) -> Rig:
    rig = Rig(probes, room)
    rig.run(DAY)
    return rig


def watched(probes: tuple[str, ...] = ("a", "b"), room: bool = True) -> Rig:
    """A rig that has been watched for a day."""
    return copy.deepcopy(_watched(probes, room))


class TestGoodProbes:
    """Nobody is doubted for nothing."""

    @pytest.mark.parametrize("probes", [("a",), ("a", "b")])
    def test_a_week_of_saw_tooth_is_believed(self, probes: tuple[str, ...]) -> None:
        rig = Rig(probes)
        rig.run(7 * DAY)
        assert rig.changes == []

    def test_a_water_change_that_both_see_is_believed(self) -> None:
        rig = Rig()
        rig.run(2 * DAY)
        rig.run(3600, lambda name, _t, value: value - 0.8 if name != "room" else value)
        assert rig.changes == []

    def test_a_chamber_that_warms_while_its_pump_stands_is_believed(self) -> None:
        rig = Rig()
        rig.run(2 * DAY)
        rig.run(900, lambda name, _t, value: value + 1.0 if name == "a" else value)
        rig.run(3600)
        assert rig.changes == []

    @pytest.mark.parametrize("room", [True, False])
    def test_a_single_one_that_comes_back_from_a_warmed_chamber_is_believed(
        self, room: bool
    ) -> None:
        rig = Rig(("a",), room)
        rig.run(2 * DAY)
        rig.run(900, lambda name, _t, value: value + 1.8 if name == "a" else value)
        rig.run(3600)
        assert rig.changes == []

    def test_a_chamber_that_warms_while_the_room_warms_too_is_believed(self) -> None:
        rig = Rig()
        rig.run(2 * DAY)
        closed = rig.t + 1800

        def window(name: str, t: float, value: float) -> float:
            if name == "room":
                return 16.0 if t < closed else 19.5
            return value + 1.2 if name == "a" and t > closed + 900 else value

        rig.run(1800 + 900 + 600, window)
        assert rig.changes == []

    def test_a_new_probe_with_a_slightly_other_zero_is_taken_as_it_is(self) -> None:
        rig = Rig()
        rig.run(2 * DAY)
        rig.run(3 * DAY, lambda name, _t, value: value + 0.25 if name == "a" else value)
        assert rig.changes == []


class TestBadProbes:
    """Each fault by its name, at the right probe."""

    @pytest.mark.parametrize("room", [True, False])
    @pytest.mark.parametrize("probes", [("a",), ("a", "b")])
    def test_out_of_the_water(self, probes: tuple[str, ...], room: bool) -> None:
        rig = watched(probes, room)
        began = rig.t

        def out(name: str, t: float, value: float) -> float:
            return 20.0 + (value - 20.0) * 0.9 ** ((t - began) / 60) if name == "a" else value

        rig.run(2400, out)
        assert rig.kinds() == {"a": Kind.OUT}
        rig.run(3 * 3600)
        assert rig.kinds() == {}

    def test_swapped_with_the_rooms(self) -> None:
        rig = watched(("a",))
        rig.run(1800, lambda name, t, value: {"a": 20.0, "room": water(t)}[name])
        assert rig.kinds() == {"a": Kind.SWAPPED, "room": Kind.SWAPPED}

    def test_swapped_ones_stay_doubted_until_they_are_changed_back(self) -> None:
        rig = watched()

        def changed(name: str, t: float, value: float) -> float:
            if name == "b":
                return 20.0
            if name == "room":
                return water(t) + 0.1
            return value + 1.0 if t % DAY < 600 else value  # a feeding pause

        rig.run(26 * 3600, changed)
        assert rig.kinds() == {"b": Kind.SWAPPED, "room": Kind.SWAPPED}
        rig.run(2 * 3600)
        assert rig.kinds() == {}

    def test_a_drift_is_laid_to_the_probe_that_sees_the_thermostat_creep(self) -> None:
        rig = Rig()
        rig.run(3 * DAY)
        began = rig.t
        while not rig.judge.doubted and rig.t < began + 4 * DAY:
            rig.creep["b"] = 0.15 * (rig.t - began) / DAY
            drifted = rig.creep["b"]
            rig.run(
                3600,
                lambda name, _t, value, d=drifted: value + d if name == "b" else value,  # type: ignore[misc]
            )
        assert rig.kinds() == {"b": Kind.DRIFT}
        assert rig.judge.doubted["b"].sure
        assert rig.t - began < 3 * DAY

    def test_noise_that_has_grown(self) -> None:
        rig = watched()
        rng = random.Random(9)
        rig.run(5400, lambda name, _t, value: value + rng.gauss(0, 0.3) if name == "b" else value)
        assert rig.kinds() == {"b": Kind.NOISY}

    def test_a_value_that_sticks(self) -> None:
        rig = watched()
        rig.run(3 * 3600, lambda name, _t, value: 25.25 if name == "a" else value)
        assert rig.kinds()["a"] is Kind.STUCK

    def test_the_last_probe_gone_is_urgent(self) -> None:
        now = Moment(0, 1_800_000_000_000, 1)
        for probes, priority in ((("a",), Priority.HIGH), (("a", "b"), Priority.MEDIUM)):
            rig = watched(probes)
            rig.run(3 * 3600, lambda name, _t, value: 25.25 if name == "a" else value)
            finding = rig.judge.finding("a", rig.t, now)
            assert finding.active
            assert finding.alarm == "a.doubtful"
            assert finding.priority is priority
            assert ("watched with b" in what(finding)) == (priority is Priority.MEDIUM)


KEPT = Form(Judged)


def next_run(rig: Rig) -> ProbeJudge:
    """The judge of the run after this one."""
    judge = ProbeJudge(rig.probes, "room")
    judge.restore(KEPT.read(KEPT.text(rig.judge.held())))
    return judge


class TestRestart:
    """The judge's memory."""

    def test_a_doubt_outlives_a_restart(self) -> None:
        rig = watched()
        rig.run(3 * 3600, lambda name, _t, value: 25.25 if name == "a" else value)
        again = next_run(rig)
        assert again.doubted == rig.judge.doubted
        assert KEPT.text(again.held()) == KEPT.text(rig.judge.held())

    @pytest.mark.parametrize("minutes", [3, 12, 25, 47])
    @pytest.mark.parametrize("kind", [Kind.OUT, Kind.STUCK, Kind.NOISY])
    def test_in_the_middle_of_a_fault_gives_the_same_as_none(
        self, kind: Kind, minutes: float
    ) -> None:
        rng = random.Random(9)

        def fault(name: str, _t: float, value: float) -> float:
            if name != "a":
                return value
            bad = {Kind.OUT: 20.0, Kind.STUCK: 25.25, Kind.NOISY: value + rng.gauss(0, 0.3)}
            return bad[kind]

        straight, cut = watched(), watched()
        straight.run(2 * 3600, fault)
        rng.seed(9)
        cut.run(60 * minutes, fault)
        cut.judge = next_run(cut)
        cut.run(2 * 3600 - 60 * minutes, fault)
        assert cut.changes == straight.changes
        assert [kind for _, _, kind in straight.changes][:1] == [kind]
        assert KEPT.text(cut.judge.held()) == KEPT.text(straight.judge.held())


class TestAnotherOffset:
    @staticmethod
    def higher(name: str, _t: float, value: float) -> float:
        return value + 0.6 if name == "a" else value

    @pytest.mark.parametrize("known", [True, False])
    def test_that_is_known_of_is_no_jump(self, known: bool) -> None:
        rig = watched()
        rig.run(DAY)
        rig.judge = next_run(rig)
        if known:
            rig.judge.rezero({"a": 0.6})
            rig.creep["a"] = 0.6
        rig.run(6 * 3600, self.higher)
        assert (rig.changes == []) is known

    def test_ends_the_doubt_about_a_probe_that_had_crept(self) -> None:
        rig = watched()
        rig.run(DAY)
        begun = rig.t
        rig.run(4 * DAY, lambda n, t, v: v + min(0.3, 0.1 * (t - begun) / DAY) if n == "a" else v)
        assert Kind.DRIFT in rig.kinds().values()
        rig.judge.rezero(dict.fromkeys(rig.kinds(), -0.3))
        assert rig.kinds() == {}
