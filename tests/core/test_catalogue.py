"""The catalogue of alarms is whole: what can be raised has a row, what has a row can be raised."""

from __future__ import annotations

import ast
import fnmatch
import graphlib
from pathlib import Path

import pytest

from fault_run import catalogue as faults
from stillwell.alarm.annunciate.drill import DRILL
from stillwell.alarm.annunciate.maintenance import MAINTENANCE
from stillwell.alarm.annunciate.suppression import Relations
from stillwell.alarm.catalogue import BY_NAME, ROWS, page_with_marks, priority_of, with_table
from stillwell.alarm.occurring import Alarms
from stillwell.alarm.plan import Band, ChannelWatch, WatchPlan
from stillwell.alarm.row import place_of
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.notice import Priority
from stillwell.observe.chamber import rules
from stillwell.observe.chamber.alarms import LEVEL_ALARMS
from stillwell.observe.chamber.top_up import TOP_UP_ALARMS
from stillwell.observe.cycle import CycleWatch
from stillwell.observe.facts import PUMP_STOPPED
from stillwell.observe.flow import PUMP_RESTS
from stillwell.observe.heat.facts import MAINS_LOST
from stillwell.observe.heat.lamp import LAMP_ALARMS
from stillwell.observe.heat.watch import HEAT_ALARMS
from stillwell.observe.salt.watch import SaltWatch
from stillwell.reading import Quantity
from stillwell.run.restarts import ALARM as RESTARTING
from stillwell.settings import load
from stillwell.wiring.plans.watch import watch_plan

ROOT = Path(__file__).parents[2]
DAEMON = ROOT / "daemon" / "stillwell"
DEMO = ROOT / "config" / "reading-room-simulated.toml"
FLOATS = ("{float}.stuck-up", "{float}.stuck-down", "{float}.chattering")

RAISES: dict[str, tuple[str, ...]] = {
    "alarm/annunciate/drill.py": (DRILL,),
    "alarm/rules/excursion.py": (
        *(f"{{band}}.{kind}" for kind in ("low", "high", "rate")),
        *("{state}", "{agreement}.apart"),
    ),
    "alarm/rules/sensor_trouble.py": (
        *(f"{{channel}}.{kind}" for kind in ("silent", "fault", "stuck")),
        "{band}.unseen",
    ),
    "estimate/probes/judge.py": ("{probe}.doubtful",),
    "observe/chamber/alarms.py": (*LEVEL_ALARMS, *TOP_UP_ALARMS, *FLOATS),
    "observe/flow.py": (PUMP_RESTS, PUMP_STOPPED),
    "observe/chamber/gauge_watch.py": ("{gauge}.moved",),
    "observe/cycle.py": CycleWatch.alarms(),
    "observe/heat/lamp.py": LAMP_ALARMS,
    "observe/heat/mains.py": (MAINS_LOST,),
    "observe/heat/watch.py": HEAT_ALARMS,
    "observe/observing.py": ("{observer}.failing",),
    "observe/salt/alarms.py": SaltWatch.alarms(),
    "observe/salt/watch.py": SaltWatch.alarms(),
    "run/clock.py": ("clock.stepped",),
    "run/far_ends.py": ("source.{source}.down", "sink.{sink}.away"),
    "run/store_trouble.py": ("store.failing", "store.damaged"),
    "run/restarts.py": (RESTARTING,),
    "supervise/last_settings.py": ("settings.broken",),
}
"""What each module that makes findings raises, by the names of rows."""

BY_REQUEST = (MAINTENANCE,)
"""What a person begins and no finding."""

WATCH = "core/test_alarm_watch.py::"
LEVEL = "core/test_level_watch.py::"
TOP_UP = "core/test_top_up.py::"
SALT = "core/test_salt_balance.py::TestFindings::"
APART = "TestSensorsToldApartFromWater::"

RAISED_BY = {
    "chiller.not-cooling": "core/test_heat_watch.py::TestAChiller::"
    "test_that_dies_is_told_as_itself_and_is_no_heater",
    "chiller.stuck-on": "core/test_heat_watch.py::TestAChiller::"
    "test_that_does_not_stop_is_told_as_itself_and_is_no_heater",
    "pump.resting": "core/test_heat_watch.py::TestNothingToCryAbout::test_in_a_pause_of_the_pump",
    "level.top-up": f"{LEVEL}TestFirstTick::"
    "test_an_alarm_of_the_last_run_is_told_again_with_its_figures",
    "level.too-high": f"{LEVEL}TestTopUp::test_too_much_is_another_alarm",
    "level.standstill": f"{LEVEL}TestSensors::"
    "test_no_evaporation_where_there_should_be_is_told_after_half_a_day",
    "top-up.stuck-on": f"{TOP_UP}TestWhatGoesWrong::"
    "test_a_pump_that_does_not_stop_is_told_within_minutes",
    "top-up.missing": f"{TOP_UP}TestWhatGoesWrong::test_a_top_up_that_does_not_come_is_told",
    "reservoir.low": f"{TOP_UP}TestTheReservoir::test_is_told_low_before_it_is_empty",
    "level.disagree": f"{LEVEL}TestSensors::test_a_float_that_contradicts_the_gauge_is_named",
    "{band}.low": f"{WATCH}TestBand::test_cold_water_is_raised_once_and_returned_once",
    "{band}.high": f"{WATCH}TestBand::test_water_that_both_probes_see_warm_is_told_without_delay",
    "{band}.rate": f"{WATCH}TestBand::test_a_fall_is_told_before_the_band_is_left",
    "{agreement}.apart": f"{WATCH}{APART}test_two_probes_apart_are_told_and_return",
    "{channel}.stuck": f"{WATCH}{APART}test_a_stuck_probe_does_not_return_by_a_restart_alone",
    "salinity.low": f"{SALT}test_low_after_too_much_fresh_water",
    "salinity.unsure": "core/test_keeper_watches.py::TestSalt::"
    "test_the_interval_grows_until_somebody_looks",
    "ammonia.seen": "core/test_keeper_watches.py::TestCycle::"
    "test_ammonia_beside_animals_is_one_until_a_test_reads_zero",
    "nitrite.seen": "core/test_keeper_watches.py::TestCycle::test_stands_again_after_a_restart",
    "{observer}.failing": "core/test_observing_faults.py::TestAnEstimatorThatFails::"
    "test_is_set_aside_and_told_once_and_the_readings_go_on",
    "settings.broken": "whole/test_service.py::TestBrokenSettings::"
    "test_cost_an_alarm_and_not_the_watch",
    "daemon.restarting": "core/test_restarts.py::TestStarts::"
    "test_three_within_an_hour_are_told_once_and_more_are_urgent",
    "drill": "whole/test_drill.py::TestADrill::"
    "test_is_one_notice_of_its_own_kind_and_ends_with_its_acknowledgement",
    "maintenance": "core/test_maintenance.py::TestWork::"
    "test_quiets_what_comes_and_what_rings_and_keeps_what_kills",
}
"""The test that raises what no line of `tests/whole/faults.toml` does."""


def makes_findings(path: Path) -> bool:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    calls = (node.func for node in ast.walk(tree) if isinstance(node, ast.Call))
    return any(isinstance(f, ast.Name) and f.id == "Finding" for f in calls)


def pattern(name: str) -> str:
    """A row's name with a star where its place stands."""
    place = place_of(name)
    return name if place is None else name.replace(f"{{{place}}}", "*")


class TestEveryAlarm:
    def test_that_a_module_can_raise_is_said_here(self) -> None:
        found = {str(p.relative_to(DAEMON)) for p in DAEMON.rglob("*.py") if makes_findings(p)}
        assert found == set(RAISES)

    def test_that_can_be_raised_has_a_row_and_every_row_can_be_raised(self) -> None:
        raised = {name for names in RAISES.values() for name in names}
        assert raised | set(BY_REQUEST) == set(BY_NAME)
        assert len(ROWS) == len(BY_NAME)

    @pytest.mark.parametrize("path", sorted(RAISES))
    def test_that_a_module_spells_out_is_one_of_its_rows(self, path: str) -> None:
        """Names and beginnings of names in the findings themselves, where they are spelled out."""
        tree = ast.parse((DAEMON / path).read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
                continue
            if node.func.id != "Finding" or not node.args:
                continue
            name = node.args[0]
            if isinstance(name, ast.Constant):
                assert name.value in RAISES[path]
            if isinstance(name, ast.JoinedStr):
                said = "".join(
                    str(p.value) if isinstance(p, ast.Constant) else "*" for p in name.values
                )
                assert any(fnmatch.fnmatchcase(pattern(n), said) for n in RAISES[path]), said

    def test_of_the_fault_catalogue_is_an_alarm_of_the_demo(self) -> None:
        names = Alarms(watch_plan(load(DEMO))).names
        for line in faults():
            for alarm in filter(None, (line.alarm, *line.also)):
                if alarm != "sink.broker.away":
                    assert fnmatch.filter(names, alarm), f"{line.name}: {alarm}"

    def test_is_raised_by_a_fault_or_by_a_test_that_exists(self) -> None:
        by_fault = {a for line in faults() for a in (line.alarm, *line.also) if a}
        for row in ROWS:
            if row.name in RAISED_BY:
                continue
            wild = pattern(row.name)
            assert any(fnmatch.fnmatchcase(alarm, wild) for alarm in by_fault), row.name

    @pytest.mark.parametrize("name", sorted(RAISED_BY))
    def test_names_its_test(self, name: str) -> None:
        assert name in BY_NAME
        file, of, test = RAISED_BY[name].split("::")
        tree = ast.parse((ROOT / "tests" / file).read_text(encoding="utf-8"))
        classes = {node.name: node for node in tree.body if isinstance(node, ast.ClassDef)}
        assert test in {n.name for n in classes[of].body if isinstance(n, ast.FunctionDef)}


class TestCauses:
    def test_are_rows_and_form_no_circle(self) -> None:
        graph = {row.name: {cause.name for cause in row.follows} for row in ROWS}
        for name, causes in graph.items():
            assert causes <= set(BY_NAME), name
        graphlib.TopologicalSorter(graph).prepare()

    def test_of_the_demo_are_all_taken(self) -> None:
        """None is refused because it would close a ring."""
        relations = Relations()
        pairs = Alarms(watch_plan(load(DEMO))).relations
        assert all(relations.add(consequence, cause) for consequence, cause in pairs)
        assert len(set(pairs)) == len(pairs)

    def test_of_a_low_band_are_what_cools_the_water(self) -> None:
        channel = ChannelWatch("a", "s", Quantity.TEMPERATURE, 180)
        water = Band("water", ("a",), 24.8, 25.8, 25.3, 0.1, 300, 300, Priority.HIGH)
        pairs = Alarms(WatchPlan(channels=(channel,), bands=(water,))).relations
        assert ("water.low", "heater.not-heating") in pairs
        assert ("water.high", "heater.stuck-on") in pairs
        assert ("water.low", "heater.stuck-on") not in pairs
        assert ("a.silent", "source.s.down") in pairs
        air = Band("air", ("a",), 15, 30, 22, 0.1, 300, 300, Priority.LOW, of_water=False)
        others = Alarms(WatchPlan(channels=(channel,), bands=(air,))).relations
        assert not [cause for consequence, cause in others if consequence.startswith("air.")]

    @pytest.mark.parametrize("cold", [Verdict.NOT_HEATING, Verdict.TOO_WEAK])
    def test_of_a_cold_heater_are_the_mains(self, cold: Verdict) -> None:
        assert (str(cold), MAINS_LOST) in Alarms(WatchPlan()).relations


class TestRows:
    def test_wait_for_still_water_as_long_as_its_window(self) -> None:
        patience_s = BY_NAME["level.standstill"].patience_s
        assert patience_s == (rules.STILL_WINDOW_H + 2) * 3600

    def test_that_latch_or_are_urgent_by_the_settings_have_no_priority_of_their_own(self) -> None:
        with pytest.raises(KeyError, match="settings"):
            priority_of("{band}.low")

    def test_say_in_one_line_what_they_mean(self) -> None:
        for row in ROWS:
            assert row.means.endswith("."), row.name
            assert "\n" not in row.means


def test_the_table_for_the_keeper_is_up_to_date() -> None:
    page = page_with_marks(ROOT).read_text(encoding="utf-8")
    assert with_table(page) == page, "python -m stillwell.alarm.catalogue writes it anew"
