"""The heater's observer: what it says, once, with words and relations, across restarts."""

from __future__ import annotations

import copy
import json
import random
import re
from collections.abc import Callable, Iterable
from functools import cache

import pytest

from in_words import said, what
from stillwell.alarm.row import Part
from stillwell.estimate.heat import BandEdges, Condition, HeaterPlan
from stillwell.finding import Finding
from stillwell.notice import Priority
from stillwell.observe.heat.watch import MAINS_LOST, PUMP_RESTS, HeaterWatch
from stillwell.observe.publishes import OF_PART
from stillwell.reading import Flag, Moment, Reading

DAY = 86_400
UTC_MS = 1_800_000_000_000
PLAN = HeaterPlan(("a", "b"), room="room", level="level", bands=(BandEdges("water", 24.8, 25.8),))


class Bench:
    """A thermostat of 25.1 to 25.5 degC, 0.7 K/h up and 0.3 K/h down, read every 30 s."""

    def __init__(self, plan: HeaterPlan = PLAN) -> None:
        self.plan = plan
        self.watch = HeaterWatch(plan)
        self.rng = random.Random(1)
        self.t = 0
        self.mono_offset_ms = 7_000_000
        self.value = 25.3
        self.on = False
        self.on_c, self.off_c = 25.1, 25.5
        self.level = 0.0
        self.gauge = True
        """Whether it is heard."""
        self.aside = 0.0
        """By how much the first probe reads more than the water, K."""
        self.stuck: float | None = None
        """What the first probe says whatever the water does."""
        self.lamp = 0.0
        """What a lamp gives, K/h."""
        self.dead = self.welded = False
        self.findings: list[Finding] = []
        self.newest: dict[str, Finding] = {}
        self.rests: list[tuple[bool, int]] = []
        """Whether the pump rests, and from when on it is so."""
        self.hear(self.watch.tick(self.now))
        self.findings.clear()

    @property
    def now(self) -> Moment:
        return Moment(self.t * 1000 + self.mono_offset_ms, UTC_MS + self.t * 1000, 1)

    def run(self, seconds: int, until: Callable[[], bool] = lambda: False) -> None:
        end = self.t + seconds
        while self.t < end and not until():
            if not self.welded:
                self.on = self.value < self.on_c or (self.on and self.value < self.off_c)
            heat = self.on and not self.dead
            self.value += ((0.7 if heat else -0.3) + self.lamp) / 120
            self.t += 30
            rows = {"room": 20.0, "level": self.level + self.rng.gauss(0, 0.5)}
            if not self.gauge:
                del rows["level"]
            rows |= dict.fromkeys(self.plan.probes, self.value)
            rows[self.plan.probes[0]] += self.aside
            for name, value in rows.items():
                noise = self.rng.gauss(0, 0.03) if name != "level" else 0.0
                read = round((value + noise) * 16) / 16
                if self.stuck is not None and name == self.plan.probes[0]:
                    read = self.stuck
                reading = Reading(name, self.now, read, Flag.PASS)
                self.hear(self.watch.see(reading))

    def hear(self, findings: Iterable[Finding]) -> None:
        """Keeps what has changed; an alarm that stands is found again and again."""
        for finding in findings:
            if finding.alarm == PUMP_RESTS:
                self.rests.append((finding.active, self.t))
                continue
            before = self.newest.get(finding.alarm)
            if before is None or before.active != finding.active:
                self.findings.append(finding)
            self.newest[finding.alarm] = finding

    def said(self) -> list[tuple[str, bool]]:
        return [(finding.alarm, finding.active) for finding in self.findings]

    def die(self) -> Finding:
        """Lets the heater die while it is off, and waits for the alarm."""
        self.run(DAY, lambda: self.on)
        self.run(DAY, lambda: not self.on)
        self.dead = True
        self.run(12 * 3600, lambda: bool(self.findings))
        return self.findings[-1]


@cache
def _learned(plan: HeaterPlan) -> Bench:
    bench = Bench(plan)
    bench.run(2 * DAY)
    return bench


def learned(plan: HeaterPlan = PLAN) -> Bench:
    """A bench after two days."""
    return copy.deepcopy(_learned(plan))


class TestWhatIsSaid:
    """One cause, one alarm, in words that a woken person understands."""

    def test_nothing_in_days_without_a_fault(self) -> None:
        bench = Bench()
        bench.run(5 * DAY)
        assert bench.said() == []

    def test_not_heating_once_with_figures_cause_and_caution(self) -> None:
        bench = learned()
        finding = bench.die()
        assert finding.alarm == str(Condition.NOT_HEATING)
        assert finding.priority is Priority.HIGH
        assert bench.value > 24.8, "before a plain band would have spoken"
        words, seen = said(finding), what(finding)
        # At one digit both would be 25.1 °C.
        first = r"Heater not heating: 25\.0\d °C, falling\. Below 25\.1 °C since"
        assert re.match(first, seen)
        assert "23.0 °C about" in seen
        assert "as with the heater off" in words.why
        assert "Or the dial was turned down" in words.why
        assert "RCD (GFCI)" in words.caution
        bench.run(6 * 3600)
        assert bench.said() == [("heater.not-heating", True)]

    def test_what_stands_is_worded_anew_as_the_water_goes_on(self) -> None:
        bench = learned()
        first = bench.die()
        bench.run(3 * 3600)
        newest = bench.newest[first.alarm]
        assert newest.since == first.since
        assert what(newest).startswith("Heater not heating: 24.2 °C, falling.")
        assert "Falling 0.3 °C an hour; at this rate" in what(newest)
        assert "23.0 °C about" in what(newest)

    def test_since_when_is_the_moment_at_which_the_heat_stayed_out(self) -> None:
        bench = learned()
        finding = bench.die()
        assert finding.since is not None
        late_s = (bench.now.mono_ms - finding.since.mono_ms) / 1000
        assert 0 <= late_s < 1800
        assert bench.now.utc_ms - finding.since.utc_ms == pytest.approx(late_s * 1000, abs=1)

    def test_it_is_over_when_the_heater_heats(self) -> None:
        bench = learned()
        bench.die()
        bench.dead = False
        bench.run(4 * 3600)
        assert bench.said() == [("heater.not-heating", True), ("heater.not-heating", False)]

    def test_a_dead_one_is_not_played_down_while_a_lamp_makes_up_most_of_what_is_lost(self) -> None:
        bench = learned()
        bench.die()
        bench.lamp = 0.24
        bench.run(4 * 3600)
        assert bench.said() == [("heater.not-heating", True)]

    @pytest.mark.parametrize("minutes", [-30, -20, -10])
    def test_a_dead_one_is_no_weak_one_because_a_lamp_is_lit_before_it_is_missed(
        self, minutes: int
    ) -> None:
        bench = learned(HeaterPlan(("a",)))
        bench.run(DAY, lambda: bench.on)
        bench.run(DAY, lambda: not bench.on)
        bench.dead = True
        left_s = (bench.value - 25.1) / 0.3 * 3600
        bench.run(round((left_s + 60 * minutes) / 30) * 30)
        bench.lamp = 0.15
        bench.run(5 * 3600)
        assert bench.said() == [("heater.not-heating", True)]

    def test_one_that_comes_on_further_down_may_have_had_its_dial_turned(self) -> None:
        bench = learned()
        bench.die()
        bench.run(DAY, lambda: bench.value < 24.7)
        bench.dead = False
        bench.run(3600)
        assert bench.said()[-1] == ("heater.not-heating", False)
        assert "0.4 °C lower than before. Water " in (what(bench.findings[-1]))

    def test_one_that_goes_off_further_up_has_had_its_dial_turned_or_sticks(self) -> None:
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.welded = True
        bench.run(DAY, lambda: bench.value > 25.9)
        bench.welded = False
        bench.run(3600)
        assert bench.said() == [
            ("heater.stuck-on", True),
            ("heater.stuck-on", False),
            ("heater.setting-moved", True),
        ]
        assert "0.4 °C higher than before. Water " in (what(bench.findings[1]))
        assert "0.4 °C higher than before" in what(bench.findings[2])

    def test_a_dial_that_is_only_supposed_to_be_turned_is_taken_back_when_it_was_not(self) -> None:
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.welded = True
        bench.run(DAY, lambda: bench.value > 25.9)
        bench.welded = False
        bench.run(5 * 3600)
        assert bench.said()[2:] == [
            ("heater.setting-moved", True),
            ("heater.setting-moved", False),
        ]
        assert "contacts stuck for a while" in what(bench.findings[-1])

    def test_a_dial_that_was_turned_up_is_one_alarm_after_the_first_and_stays_it(self) -> None:
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.on_c, bench.off_c = 25.5, 25.9
        bench.run(8 * 3600)
        raised = list(dict.fromkeys(alarm for alarm, active in bench.said() if active))
        assert raised == ["heater.stuck-on", "heater.setting-moved"]
        assert bench.said()[-1] == ("heater.setting-moved", True)
        assert "It switches at 25.5" in what(bench.newest["heater.setting-moved"])

    def test_heater_stuck_on(self) -> None:
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.welded = True
        bench.run(3 * 3600)
        assert bench.said() == [("heater.stuck-on", True)]
        assert "28.0 °C about" in what(bench.findings[0])
        assert "Unplug the heater now, with dry hands" in said(bench.findings[0]).do

    @pytest.mark.parametrize("rise", [15.0, -60.0, 0.0])
    def test_a_hot_heater_in_a_chamber_whose_pump_rests_heats_on_without_fault(
        self, rise: float
    ) -> None:
        # Up while fish are fed, far down while water is changed; a level that stays is no pause,
        # and without one a second probe would deny it.
        bench = learned(PLAN if rise else HeaterPlan(("a",), room="room", level="level"))
        bench.run(DAY, lambda: bench.on)
        bench.run(DAY, lambda: not bench.on)
        bench.level += rise
        for _ in range(40):
            bench.aside += (0.7 + 0.3) / 120
            bench.run(30)
        told = (str(Condition.STUCK_ON), True) in bench.said()
        assert told is (rise == 0.0)
        bench.level -= rise
        bench.aside = 0.0
        bench.run(6 * 3600)
        assert rise == 0.0 or not bench.findings

    def test_contacts_that_are_welded_are_told_after_the_pause(self) -> None:
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.welded = True
        bench.run(DAY, lambda: bench.value > 25.45)
        bench.level += 15.0
        bench.run(900)
        bench.level -= 15.0
        bench.run(2700)
        assert bench.said() == [(Condition.STUCK_ON, True)]

    def test_another_probe_that_reads_lower_by_as_much_as_a_pour_cools_is_no_pour(self) -> None:
        bench = learned()
        for _ in range(4):
            bench.run(DAY, lambda: bench.value < 25.4 and not bench.on)
            bench.value -= 0.15
            bench.run(DAY)
        bench.run(DAY, lambda: bench.value < 25.4 and not bench.on)
        bench.aside = -0.15
        bench.run(DAY)
        assert not bench.findings

    def test_one_probe_that_reads_lower_from_now_on_is_not_taken_for_a_dead_heater(self) -> None:
        # It looks like one for as long as the water takes to fall by as much; but no water falls so
        # between two readings.
        bench = Bench(HeaterPlan(("a",)))
        bench.off_c = 25.32
        bench.run(2 * DAY)
        bench.run(DAY, lambda: bench.on and bench.value > 25.28)
        bench.aside = -0.15
        bench.run(DAY)
        assert not bench.findings

    def test_a_pump_that_stops_with_the_heater_is_the_mains(self) -> None:
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.run(DAY, lambda: not bench.on)
        bench.dead, bench.level = True, 20.0
        bench.run(4 * 3600)
        assert bench.said() == [(MAINS_LOST, True), ("heater.not-heating", True)]

    def test_one_probe_and_nothing_else_is_enough(self) -> None:
        bench = learned(HeaterPlan(("a",)))
        assert bench.die().alarm == "heater.not-heating"

    def test_time_runs_no_faster_where_two_buses_are_read_out_of_order(self) -> None:
        watch = HeaterWatch(PLAN)
        for k in range(2 * 60):
            for name, late_ms in (("a", 0), ("b", -3000)):
                moment = Moment(7_000_000 + 30_000 * k + late_ms, UTC_MS + 30_000 * k + late_ms, 1)
                watch.see(Reading(name, moment, 25.0, Flag.PASS))
        assert json.loads(watch.state())["t"] == (2 * 60 - 1) * 30.0

    def test_bad_readings_are_not_looked_at(self) -> None:
        bench = learned()
        before = bench.watch.state()
        moment = bench.watch._last
        assert moment is not None
        for flag, value in ((Flag.FAIL, 85.0), (Flag.MISSING, None)):
            assert list(bench.watch.see(Reading("a", moment, value, flag, "power-on"))) == []
        assert bench.watch.state() == before


class TestAPauseOfThePump:
    """The chamber's level tells of it; a probe in the tank sees nothing of the heater meanwhile."""

    def paused(self, dead: bool) -> Bench:
        """The pause begins as the heater should come on, and lasts for 25 minutes."""
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.run(DAY, lambda: not bench.on)
        bench.run(DAY, lambda: bench.value < 25.11)
        bench.level, bench.dead = 8.0, True
        bench.run(25 * 60)
        bench.level, bench.dead = 0.0, dead
        return bench

    def test_is_no_dead_heater(self) -> None:
        bench = self.paused(dead=False)
        bench.run(6 * 3600)
        assert bench.said() == []

    def test_hides_no_heater_that_died_in_it(self) -> None:
        bench = self.paused(dead=True)
        bench.run(3600)
        assert bench.said() == [("heater.not-heating", True)]

    def test_hides_no_dial_that_was_turned_down_and_comes_on_in_it(self) -> None:
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.run(DAY, lambda: not bench.on)
        bench.on_c, bench.off_c = 24.7, 25.1
        bench.run(DAY, lambda: bench.value < 24.71)
        assert bench.said() == [("heater.not-heating", True)]
        bench.level, bench.dead = 8.0, True
        bench.run(25 * 60)
        bench.level, bench.dead = 0.0, False
        bench.run(DAY, lambda: not bench.on)
        bench.run(900)
        assert bench.newest["heater.setting-moved"].active
        assert not bench.newest["heater.not-heating"].active


class TestAPumpThatRests:
    def test_is_a_state_for_as_long_as_the_chamber_is_up_and_half_an_hour_at_most(self) -> None:
        for minutes in (15, 90):
            bench = learned()
            bench.level = 15.0
            bench.run(60 * minutes)
            bench.level = 0.0
            began = bench.t - 60 * minutes
            bench.run(600)
            (begins, at_s), (ends, over_s) = bench.rests
            assert (begins, ends) == (True, False)
            assert at_s - began <= 60
            assert over_s - began == pytest.approx(60 * min(30, minutes), abs=60)

    def test_is_waited_for_a_little_deeper_where_it_goes_on_standing(self) -> None:
        """A chamber alone cools faster, and its heater comes on a little further down."""
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.run(DAY, lambda: not bench.on)
        bench.level = 15.0
        bench.run(2700)
        bench.run(DAY, lambda: bench.value < 25.1)
        bench.dead = True
        bench.run(DAY, lambda: bench.value < 25.02)
        bench.dead = False
        bench.run(3600)
        assert bench.said() == []

    def test_teaches_nothing_while_it_may_stand(self) -> None:
        bench = learned()
        peak = bench.watch.minds["a"].thermostat.peak.level
        bench.run(DAY, lambda: not bench.on)
        bench.level, bench.off_c = 15.0, 25.58
        bench.run(10_000)
        assert bench.watch.minds["a"].thermostat.peak.level == pytest.approx(peak, abs=0.004)

    @pytest.mark.parametrize("minutes", [8, 25])
    def test_leaves_no_doubt_behind_where_the_heater_switches(self, minutes: int) -> None:
        """The heater's last heat stays in the chamber, where the first probe is, until all is mixed
        again: no other probe, and no dial."""
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.run(DAY, lambda: not bench.on)
        bench.run(1800)
        bench.level, bench.aside = 15.0, 0.8
        bench.run(60 * minutes)
        bench.level, bench.aside = 0.0, 0.0
        bench.run(1200)
        assert bench.watch.minds["a"].thermostat.moved_k == 0.0
        bench.dead = True
        bench.run(3 * 3600)
        assert ("heater.not-heating", True) in bench.said()

    def test_is_over_when_the_gauge_that_told_of_it_is_not_heard_any_more(self) -> None:
        bench = learned()
        bench.level = 15.0
        bench.run(300)
        bench.gauge = False
        bench.run(1200)
        assert [active for active, _ in bench.rests] == [True, False]
        assert bench.rests[1][1] - bench.rests[0][1] < 1300
        assert not any(mind.power.apart for mind in bench.watch.minds.values())


class TestAnotherWitness:
    """Two probes in the same water: what one says of the heater the other must not deny."""

    @pytest.mark.parametrize(("at", "on"), [(25.0625, False), (25.5625, True)])
    def test_a_probe_that_sticks_beyond_a_switching_point_is_no_dead_heater_nor_a_welded_one(
        self, at: float, on: bool
    ) -> None:
        bench = learned()
        bench.run(DAY, lambda: bench.on is on)
        bench.run(DAY, lambda: abs(bench.value - at) < 0.05)
        bench.stuck = at
        bench.run(80 * 60)
        heater = [alarm for alarm, _ in bench.said() if alarm.startswith("heater.")]
        assert heater == []

    @pytest.mark.parametrize(("probes", "told"), [(("a", "b"), False), (("a",), True)])
    def test_heat_in_a_chamber_whose_pump_rests_is_denied_by_the_probe_in_the_tank(
        self, probes: tuple[str, ...], told: bool
    ) -> None:
        bench = learned(HeaterPlan(probes))
        bench.run(DAY, lambda: bench.on)
        bench.run(DAY, lambda: not bench.on)
        for _ in range(30):
            bench.aside += (0.7 + 0.3) / 120
            bench.run(30)
        assert ((str(Condition.STUCK_ON), True) in bench.said()) is told

    def test_a_heater_that_dies_later_is_told_by_the_other(self) -> None:
        bench = learned()
        bench.run(DAY, lambda: bench.value < 25.12)
        bench.stuck = 25.0625
        bench.run(3600)
        bench.dead = True
        bench.run(4 * 3600)
        assert ("heater.not-heating", True) in bench.said()


class TestTheMainsAreBack:
    def test_a_heater_that_warms_the_water_again_is_over_before_the_lower_point(self) -> None:
        bench = learned()
        bench.die()
        bench.run(4 * 3600)
        bench.level, bench.dead = 1.0, False
        bench.run(3600)
        assert bench.value < 25.0
        assert bench.said() == [("heater.not-heating", True), ("heater.not-heating", False)]

    def test_also_when_nobody_saw_the_relay_come_on(self) -> None:
        """As the pump starts all is mixed, and what was thought of the relay begins anew."""
        bench = learned()
        bench.die()
        bench.run(3 * 3600)
        bench.level = 15.0
        bench.run(600)
        bench.level, bench.dead = 0.0, False
        bench.run(3600)
        assert bench.value < 25.0
        assert bench.said()[-1] == ("heater.not-heating", False)

    def test_water_that_is_warmer_than_the_upper_point_misses_no_heat(self) -> None:
        bench = learned()
        bench.die()
        bench.value = 25.9
        bench.run(20 * 60)
        assert bench.said()[-1] == ("heater.not-heating", False)


class TestHeatingOn:
    def test_a_pour_of_cold_water_does_not_end_the_alarm(self) -> None:
        for noise in range(5):
            bench = learned()
            bench.rng = random.Random(noise)
            bench.run(DAY, lambda: bench.on)  # noqa: B023
            bench.welded = True
            bench.run(4 * 3600)
            assert bench.said() == [("heater.stuck-on", True)]
            bench.value -= 0.08
            bench.run(3 * 3600)
            assert bench.said() == [("heater.stuck-on", True)]

    def test_that_ends_is_told_when_the_water_has_fallen_for_a_quarter_of_an_hour(self) -> None:
        bench = learned()
        bench.run(DAY, lambda: bench.on)
        bench.welded = True
        bench.run(2 * 3600)
        bench.on = False
        bench.run(10 * 60)
        assert bench.said() == [("heater.stuck-on", True)]
        bench.run(20 * 60)
        assert bench.said()[:2] == [("heater.stuck-on", True), ("heater.stuck-on", False)]


class TestRestart:
    """A restart in the middle of a fault: no second alarm, no amnesia."""

    def test_the_fault_stands_and_is_not_raised_twice(self) -> None:
        bench = learned()
        bench.die()
        state = bench.watch.state()
        bench.watch = HeaterWatch(PLAN)
        bench.watch.restore(state)
        bench.t += 120
        bench.mono_offset_ms = (
            1000 - bench.t * 1000
        )  # another boot: the monotonic clock starts anew
        first = {finding.alarm: finding for finding in bench.watch.tick(bench.now)}
        assert first["heater.not-heating"].active
        assert not first["heater.stuck-on"].active
        assert not first["a.doubtful"].active
        bench.findings.clear()
        bench.run(3600)
        assert bench.findings == []
        bench.dead = False
        bench.run(4 * 3600)
        assert bench.said() == [("heater.not-heating", False)]

    @pytest.mark.parametrize("fell_k", [0.3, 1.0, 2.4])
    @pytest.mark.parametrize("plan", [PLAN, HeaterPlan(("a",)), HeaterPlan(("a",), room="room")])
    @pytest.mark.parametrize("caught_up_s", [0, 1200])
    def test_after_hours_without_current_cold_water_is_believed_and_a_dead_heater_is_told(
        self, plan: HeaterPlan, fell_k: float, caught_up_s: int
    ) -> None:
        """Without a battery the clock goes on where it stood, as if no time had passed."""
        bench = learned(plan)
        bench.run(DAY, lambda: bench.on)
        bench.run(DAY, lambda: not bench.on)
        bench.run(2400 - caught_up_s)
        state = bench.watch.state()
        bench.watch = HeaterWatch(plan)
        bench.watch.restore(state)
        bench.run(caught_up_s)
        bench.value -= fell_k
        bench.dead = True
        bench.t += 60
        bench.mono_offset_ms = 40_000 - bench.t * 1000
        list(bench.watch.tick(bench.now))
        bench.run(2400)
        assert bench.said() == [("heater.not-heating", True)]

    @pytest.mark.parametrize("state", ["", "[]", "{}", '{"t": 1, "last": [1], "minds": {}}'])
    def test_a_state_that_is_none_is_refused_and_all_is_new(self, state: str) -> None:
        watch = HeaterWatch(PLAN)
        with pytest.raises(ValueError, match="learned of the heater"):
            watch.restore(state)
        assert not watch.lead.learned

    def test_a_state_of_another_version_is_refused_and_all_is_new(self) -> None:
        kept = json.loads(learned().watch.state())
        kept["version"] += 1
        watch = HeaterWatch(PLAN)
        with pytest.raises(ValueError, match="version 2, not 1"):
            watch.restore(json.dumps(kept))
        assert watch.state() == HeaterWatch(PLAN).state()

    def test_the_state_does_not_grow(self) -> None:
        bench = learned()
        short = len(bench.watch.state())
        bench.run(4 * DAY)
        assert len(bench.watch.state()) < 1.2 * short < 60_000


class TestEstimates:
    """What is published of it."""

    def test_every_ten_minutes_with_intervals(self) -> None:
        bench = learned()
        rows = {row.name: row for row in bench.watch.estimates(bench.now)}
        assert list(bench.watch.estimates(bench.now)) == []
        assert {(name, row.unit) for name, row in rows.items()} <= OF_PART[Part.HEATER].items()
        gain = rows["heater.gain"]
        assert gain.value == pytest.approx(1.0, abs=0.05)
        assert rows["heater.loss"].value == pytest.approx(0.3, abs=0.02)
        assert rows["heater.duty"].value == pytest.approx(0.3, abs=0.02)
        switches = rows["heater.switches-on"]
        assert switches.low is not None
        assert switches.high is not None
        assert switches.low - 0.01 < 25.1 < switches.high + 0.01
