"""The observer of heat: what it says, once, with words and relations, for days and across
restarts."""

from __future__ import annotations

import copy
import re
from dataclasses import replace
from datetime import time

import pytest

from in_words import said, what
from stillwell.alarm.row import Part
from stillwell.entry import Entry
from stillwell.estimate.heat_balance.devices import Control, Devices
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.notice import Priority
from stillwell.observe.facts import PUMP_STOPPED
from stillwell.observe.heat.facts import MAINS_LOST
from stillwell.observe.heat.plan import HeatPlan
from stillwell.observe.heat.watch import HeatWatch
from stillwell.observe.publishes import OF_PART
from stillwell.reading import Flag, Reading
from tanks.heated import BANDS, HEATER, LAMP, ONE, PLAN, Heated, learned

NOT_HEATING, STUCK_ON = "heater.not-heating", "heater.stuck-on"


class TestADeadHeater:
    def test_is_told_before_the_band_with_figures_chances_and_caution(self) -> None:
        tank = learned()
        finding = tank.die()
        assert (finding.alarm, finding.priority) == (NOT_HEATING, Priority.HIGH)
        assert tank.water > PLAN.edges[0], "before a plain band would have spoken"
        words, seen = said(finding), what(finding)
        assert re.match(r"Heater not heating: 2\d\.\d+ °C, falling\. Below 25\.1 °C since", seen)
        assert "23.0 °C about" in seen
        assert "t is dead (" in words.why
        assert "he dial was turned down (" in words.why
        assert "If turning the dial up lights it" in words.why
        assert "RCD (GFCI)" in words.caution

    @pytest.mark.parametrize("plan", [ONE, LAMP], ids=["one probe", "lamp and room"])
    def test_is_one_alarm_for_days_whatever_happens_and_over_when_it_heats(
        self, plan: HeatPlan
    ) -> None:
        """Through lamp hours, a warmer room, a pour, a restart, and at rest."""
        tank = learned(plan, lamp=0.3 if plan.lamp else 0.0)
        tank.die()
        tank.run(20)
        tank.water -= 0.4
        tank.watch.note(Entry(at_ms=tank.now.utc_ms, kind="pour", value=500.0, unit="mL"), None)
        tank.run(10)
        tank.restart()
        tank.warmer = 2.0
        tank.run(42)
        assert tank.said() == [(NOT_HEATING, True)]
        tank.mend()
        tank.run(4)
        assert tank.said() == [(NOT_HEATING, True), (NOT_HEATING, False)]

    def test_is_worded_anew_as_the_water_goes_on_and_comes_to_rest(self) -> None:
        tank = learned(ONE)
        first = tank.die()
        tank.run(2.8)
        newest = tank.newest[NOT_HEATING]
        assert newest.since == first.since
        assert f"{tank.water:.1f} °C, falling" in what(newest)
        tank.run(100)
        assert "It has come to rest at" in what(tank.newest[NOT_HEATING], now=tank.now)

    def test_hides_behind_no_second_probe_that_is_stuck_or_speaks_first(self) -> None:
        tank = learned()
        tank.run(24, lambda: tank.water < 25.12 and not tank.on)
        tank.stuck = 25.0625
        tank.run(1)
        tank.share = 0.0
        tank.run(5)
        assert (NOT_HEATING, True) in tank.said()

    def test_is_none_where_a_probe_sticks_beyond_a_switching_point(self) -> None:
        tank = learned()
        tank.run(24, lambda: abs(tank.water - 25.06) < 0.03)
        tank.stuck = 25.0625
        tank.run(1.3)
        assert not [alarm for alarm, _ in tank.said() if alarm.startswith("heater.")]

    def test_that_heats_again_is_not_dead_anew_by_a_probe_that_is_slower_to_see_it(self) -> None:
        tank = learned()
        tank.run(1)
        slower = tank.watch.probes["b"].judgement
        slower.since[Verdict.NOT_HEATING] = tank.t / 3600 - 1
        tank.plan = replace(tank.plan, probes=("b",))
        tank.run(0.5)
        assert tank.watch.lead is tank.watch.probes["b"]
        assert tank.said() == []

    def test_goes_on_standing_by_another_probe_when_the_first_is_silent(self) -> None:
        tank = learned()
        tank.die()
        tank.plan = replace(tank.plan, probes=("b",))
        tank.run(12)
        assert tank.said() == [(NOT_HEATING, True)]


class TestAWeldedContact:
    @pytest.mark.parametrize("plan", [ONE, PLAN], ids=["one probe", "two"])
    def test_is_one_alarm_for_days_also_at_rest_and_over_when_it_goes_off(
        self, plan: HeatPlan
    ) -> None:
        tank = learned(plan)
        finding = tank.weld()
        assert finding.alarm == STUCK_ON
        assert "Unplug it now, with dry hands" in said(finding).do
        assert "28.0 °C about" in what(finding)
        tank.run(40)
        tank.restart()
        tank.water -= 0.1
        tank.run(32)
        assert tank.said() == [(STUCK_ON, True)]
        tank.mend()
        tank.run(4)
        assert tank.said() == [(STUCK_ON, True), (STUCK_ON, False)]

    def test_is_denied_by_a_probe_in_the_tank_where_only_the_chamber_is_warm(self) -> None:
        tank = learned()
        tank.gauge = False
        tank.after(on=False)
        for _ in range(10):
            tank.aside += (0.9 + 0.3) / 30
            tank.run(1 / 30)
        assert (STUCK_ON, True) not in tank.said()


class TestNothingToCryAbout:
    def test_in_days_without_a_fault(self) -> None:
        tank = learned()
        tank.run(5 * 24)
        assert tank.said() == []

    def test_in_a_pause_of_the_pump(self) -> None:
        """It begins as the heater should come on, and lasts for 26 minutes."""
        tank = learned()
        tank.after(on=False)
        tank.run(12, lambda: tank.water < 25.11)
        tank.level, tank.share = 12.0, 0.0
        tank.run(26 / 60)
        tank.level, tank.share = 0.0, 1.0
        tank.run(6)
        assert tank.said() == [(PUMP_STOPPED, True), (PUMP_STOPPED, False)], "it is the first one"
        assert [rests for rests, _ in tank.rests] == [True, False]

    def test_by_one_probe_while_another_knows_that_the_pump_rests(self) -> None:
        tank = learned()
        first, second = (probe.tank for probe in tank.watch.probes.values())
        assert first.mixture is not None
        second.known.rests.hours = 0.0, 12.0
        tank.run(0.2)
        before = first.mixture.belief.weight
        tank.run(2)
        assert first.mixture.belief.weight == before
        second.known.rests.hours = None
        tank.run(2)
        assert first.mixture.belief.weight != before

    def test_where_the_settings_name_no_device(self) -> None:
        tank = learned()
        tank = copy.deepcopy(tank)
        tank.plan = replace(PLAN, devices=Devices(heater=None))
        tank.watch = HeatWatch(tank.plan)
        tank.run(24)
        tank.share = 0.0
        tank.run(24)
        assert tank.said() == []
        assert not tank.watch.lead.learned
        assert list(tank.watch.estimates(tank.now)) == []


class TestARoom:
    def test_that_grows_too_cold_is_told_while_the_water_holds_and_when_it_no_longer_does(
        self,
    ) -> None:
        tank = learned(replace(LAMP, lamp=None))
        tank.after(on=True)
        tank.warmer = -14.0
        tank.run(14)
        told = tank.newest["heater.too-weak"]
        assert (told.active, told.priority) == (True, Priority.LOW)
        assert "Heater at its limit" in what(told)
        assert "It bears a room of about" in said(told).why
        tank.warmer = -22.0
        tank.run(24)
        told = tank.newest["heater.too-weak"]
        assert (told.active, told.priority) == (True, Priority.MEDIUM)
        assert what(told).startswith("Heater too weak")
        assert {alarm for alarm, _ in tank.said()} == {"heater.too-weak"}
        tank.warmer = 0.0
        tank.run(24)
        assert tank.said()[-1] == ("heater.too-weak", False)

    def test_that_is_too_warm_is_told_and_is_no_welded_contact(self) -> None:
        tank = learned(replace(LAMP, lamp=None))
        tank.after(on=False)
        tank.warmer = 12.0
        tank.run(36)
        assert tank.said() == [("room.too-warm", True)]
        assert tank.findings[0].priority is Priority.MEDIUM
        tank.warmer = 0.0
        tank.run(48)
        assert tank.said() == [("room.too-warm", True), ("room.too-warm", False)]

    @pytest.mark.parametrize("plan", [ONE, replace(LAMP, lamp=None)], ids=["unseen", "seen"])
    def test_into_which_the_sun_shines_is_none_that_is_too_warm(self, plan: HeatPlan) -> None:
        """It lifts the water above where the heater goes off, and the band holds."""
        tank = learned(plan)
        tank.lamp, tank.lit = 0.37, (11.0, 16.5)
        tank.run(96)
        assert tank.said() == []


class TestHands:
    def test_that_change_water_and_unplug_the_heater_meanwhile_leave_no_dead_one_behind(
        self,
    ) -> None:
        tank = learned()
        tank.after(on=True)
        tank.water -= 0.8
        tank.share = 0.0
        tank.run(0.75)
        tank.share = 1.0
        tank.run(6)
        assert tank.said() == []


class TestAFan:
    PLAN = replace(LAMP, lamp=None, fan=(time(12), time(22)))

    def test_whose_hours_are_known_is_learned_and_no_cause_of_alarm(self) -> None:
        # A fan takes as much as a lamp of the same size gives.
        tank = learned(self.PLAN, lamp=-0.2, days=6.0)
        assert tank.said() == []
        law = tank.watch.lead.tank.learner.law
        assert law.fan * law.loss == pytest.approx(-0.2, abs=0.07)
        assert law.lamp == 0.0
        tank.die()
        assert tank.said() == [(NOT_HEATING, True)]


class TestTheMains:
    def test_are_lost_where_the_pump_stops_with_the_heater(self) -> None:
        tank = learned()
        tank.after(on=False)
        tank.share, tank.level = 0.0, 20.0
        tank.run(4)
        assert tank.said() == [(PUMP_STOPPED, True), (MAINS_LOST, True), (NOT_HEATING, True)]

    def test_that_are_back_leave_no_dead_heater_behind(self) -> None:
        tank = learned()
        tank.after(on=False)
        tank.share, tank.level = 0.0, 20.0
        tank.run(4)
        tank.mend()
        tank.level = 0.0
        tank.run(0.75)
        assert not tank.newest[MAINS_LOST].active
        assert not tank.newest[NOT_HEATING].active


class TestADial:
    def test_that_was_turned_up_is_told_as_such_in_the_end(self) -> None:
        tank = learned(ONE, every_s=60)
        tank.after(on=True)
        tank.low, tank.high = 25.6, 26.0
        tank.run(10)
        assert tank.newest["heater.setting-moved"].active
        assert not tank.newest[STUCK_ON].active
        assert "Heater setting moved: 0." in what(tank.newest["heater.setting-moved"])


class TestAChiller:
    """A bath whose device cools: it is watched by the same law with the sign turned."""

    PLAN = HeatPlan(("a",), bands=BANDS, devices=Devices(heater=None, chiller=True))

    @pytest.fixture(scope="class")
    @staticmethod
    def well() -> Heated:
        """Days on which all was well."""
        tank = Heated(TestAChiller.PLAN)
        tank.warmer, tank.water = 13.0, 25.3
        tank.chills = True
        tank.run(4 * 24)
        assert tank.said() == []
        assert tank.watch.lead.learned
        return tank

    def test_that_dies_is_told_as_itself_and_is_no_heater(self, well: Heated) -> None:
        tank = copy.deepcopy(well)
        tank.after(on=False)
        tank.share = 0.0
        tank.run(48)
        assert tank.said() == [("chiller.not-cooling", True)]
        assert "always came on" in what(tank.findings[0])
        tank.mend()
        tank.run(8)
        assert tank.said()[1:] == [("chiller.not-cooling", False)]

    def test_that_does_not_stop_is_told_as_itself_and_is_no_heater(self, well: Heated) -> None:
        tank = copy.deepcopy(well)
        tank.after(on=True)
        tank.welded = True
        tank.run(48)
        assert tank.said() == [("chiller.stuck-on", True)]


class TestARestart:
    def test_says_how_each_alarm_stands_and_raises_none_twice(self) -> None:
        tank = learned()
        tank.die()
        tank.findings.clear()
        again = HeatWatch(PLAN)
        again.restore(tank.watch.state())
        first = {finding.alarm: finding.active for finding in again.tick(tank.now)}
        assert first[NOT_HEATING]
        assert [name for name, active in first.items() if active] == [NOT_HEATING]
        assert {STUCK_ON, "chiller.stuck-on", MAINS_LOST, "a.doubtful"} <= set(first)
        assert list(again.tick(tank.now)) == []

    def test_every_twenty_minutes_changes_nothing(self) -> None:
        whole = learned(ONE)
        broken = copy.deepcopy(whole)
        for tank in (whole, broken):
            tank.after(on=False)
            tank.share = 0.0
        for _ in range(12):
            whole.run(1 / 3)
            state = broken.watch.state()
            broken.watch = HeatWatch(ONE)
            broken.watch.restore(state)
            list(broken.watch.tick(broken.now))
            broken.run(1 / 3)
        assert broken.said() == whole.said()
        assert broken.at_h == whole.at_h
        assert (NOT_HEATING, True) in whole.said()

    @pytest.mark.parametrize("state", ["", "[]", "{}", '[1,{"line":1}]', "[2,{}]"])
    def test_with_a_state_that_is_none_begins_anew(self, state: str) -> None:
        watch = HeatWatch(PLAN)
        with pytest.raises(ValueError, match="learned of the heat"):
            watch.restore(state)
        assert not watch.lead.learned

    def test_with_another_heater_learns_anew(self) -> None:
        other = replace(PLAN, devices=Devices(heater=Control.PROPORTIONAL))
        watch = HeatWatch(other)
        with pytest.raises(ValueError, match="other devices"):
            watch.restore(learned().watch.state())
        assert not watch.lead.learned
        same = HeatWatch(PLAN)
        same.restore(learned().watch.state())
        assert same.lead.learned

    def test_takes_nothing_back_before_it_knows_what_is_usual(self) -> None:
        """What an earlier version found stands for as long as nobody can tell."""
        heater = {NOT_HEATING, STUCK_ON, "heater.too-weak"}
        tank = Heated(LAMP)
        first = {finding.alarm for finding in HeatWatch(LAMP).tick(tank.now)}
        assert "a.doubtful" in first
        assert first.isdisjoint({*heater, "lamp.not-on"})
        over: set[str] = set()
        while not tank.watch.lead.learned:
            tank.run(1 / 30)
            over |= {finding.alarm for finding in tank.watch.tick(tank.now) if not finding.active}
        assert heater <= over

    def test_keeps_a_state_that_does_not_grow(self) -> None:
        tank = learned()
        short = len(tank.watch.state())
        tank.run(3 * 24)
        assert len(tank.watch.state()) < 1.3 * short < 60_000


class TestReadings:
    def test_that_are_bad_are_not_looked_at(self) -> None:
        tank = learned()
        before = tank.watch.state()
        for flag, value in ((Flag.FAIL, 85.0), (Flag.MISSING, None)):
            assert list(tank.watch.see(Reading("a", tank.now, value, flag, "power-on"))) == []
        assert tank.watch.state() == before

    def test_of_another_offset_move_what_was_learned_along(self) -> None:
        tank = learned()
        before = {e.name: e.value for e in tank.watch.estimates(tank.now)}
        tank.restart()
        tank.watch.moved({"a": 0.3})
        tank.aside = 0.3
        after = {e.name: e.value for e in tank.watch.estimates(tank.now)}
        for name, by in (
            ("heater.switches-on", 0.3),
            ("heater.setting", 0.3),
            ("heater.gain", 0.0),
        ):
            assert after[name] == pytest.approx((before[name] or 0.0) + by, abs=1e-6)
        tank.run(24)
        assert tank.said() == []


class TestEstimates:
    def test_are_published_every_ten_minutes_within_their_intervals(self) -> None:
        tank = learned(replace(LAMP, devices=replace(HEATER, volume_l=68.0)), lamp=0.15)
        rows = {row.name: row for row in tank.watch.estimates(tank.now)}
        assert list(tank.watch.estimates(tank.now)) == []
        names = {**OF_PART[Part.HEATER], **OF_PART[Part.LAMP]}
        assert {(name, row.unit) for name, row in rows.items()} <= names.items()
        for name, true in (
            ("heater.switches-on", 25.1),
            ("heater.switches-off", 25.5),
            ("heater.gain", 0.9),
            ("heater.time-constant", 25.0),
            # (25.3 - 0.9 * 25) + 0.12 * 25: what is lost is what a full heater gives.
            ("heater.holds-down-to", 5.8),
        ):
            row = rows[name]
            assert row.low is not None
            assert row.high is not None
            assert row.low - 0.03 <= true <= row.high + 0.03, name
        heat = [row.value or 0.0 for name, row in rows.items() if name.startswith("heat.")]
        assert sum(heat) == pytest.approx(0.0, abs=0.1 * max(heat))


def test_water_at_first_says_nothing_of_a_heater() -> None:
    tank = Heated()
    tank.run(2)
    assert tank.said() == []
    assert list(tank.watch.estimates(tank.now)) == []


def test_a_probe_that_has_learned_nothing_does_not_speak_for_one_that_has() -> None:
    """What stands can only be told by a probe that knows the devices."""
    watch = learned().watch
    wise, other = watch.lead, watch.probes["b"]
    other.tank.mixture = None
    wise.held.good_s = -1e9
    assert other.held.good_s > 0
    assert watch._choose() == "a"
    assert watch.lead is wise
