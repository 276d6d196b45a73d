"""The catalogue of faults, each through the whole pipeline: see `faults.toml` beside this file.

By default every fault that shows within hours, on one seed; with --long all of them, on twenty.
"""

from __future__ import annotations

import ast
import fnmatch
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from fault_run import Line, Lives, catalogue
from in_words import what
from stillwell.notice import State, Transition
from stillwell_drivers.tank_faults import FAULTS, FaultName, Part

HERE = Path(__file__).parent
LINES = catalogue()
ON_THE_TANK = [line for line in LINES if not line.told_by]
SEED = 2
SEEDS = tuple(range(1, 21))


@pytest.fixture(scope="module")
def lives(tmp_path_factory: pytest.TempPathFactory, long_run: bool) -> Lives:
    """Tanks that have been learned, shared by all the faults. By default their sensors are read
    half as often as in the long form, which takes half as long."""
    return Lives(tmp_path_factory.mktemp("lives"), "30 s" if long_run else "1 min")


def _parameters(lines: list[Line], seeds: tuple[int, ...]) -> dict[str, tuple[Line, int]]:
    """By the name under which pytest shows it."""
    return {f"{line.name}-{seed}": (line, seed) for line in lines for seed in seeds}


QUICK = _parameters([line for line in ON_THE_TANK if not line.slow], (SEED,))
ALL = _parameters(ON_THE_TANK, SEEDS)


def check(lives: Lives, line: Line, seed: int) -> None:
    outcome = lives.run(line, seed)
    sounded = "\n".join(
        f"{at_s / 60:8.0f} min  {t.alarm} ({t.priority}): {what(t)}" for at_s, t in outcome.sounded
    )
    outcome.store.unlink()
    assert not outcome.cries(), f"{outcome.cries()}; what sounded:\n{sounded}"
    if line.open and outcome.misses():
        pytest.xfail(line.open)
    assert not outcome.misses(), f"{outcome.misses()}; what sounded:\n{sounded}"


class TestCatalogue:
    def test_holds_at_least_two_dozen_faults_of_water_sensors_and_machine(self) -> None:
        assert len({fault["name"] for line in LINES for fault in line.inject}) >= 24
        assert sum(bool(line.told_by) for line in LINES) >= 5

    def test_says_of_each_fault_what_must_not_be_heard(self) -> None:
        assert [line.name for line in ON_THE_TANK if not line.never] == []

    def test_lets_no_bad_sensor_speak_for_the_water(self) -> None:
        of_sensors = [
            line
            for line in ON_THE_TANK
            if all(FAULTS[FaultName(f["name"])].part is not Part.WATER for f in line.inject)
        ]
        assert len(of_sensors) > 12
        for line in of_sensors:
            assert any(fnmatch.fnmatchcase("water.low", pattern) for pattern in line.never), line

    @pytest.mark.parametrize("line", [line for line in LINES if line.told_by], ids=lambda x: x.name)
    def test_names_a_test_that_exists_for_what_befalls_the_machine(self, line: Line) -> None:
        file, of, name = line.told_by.split("::")
        tree = ast.parse((HERE / file).read_text(encoding="utf-8"))
        classes = {node.name: node for node in tree.body if isinstance(node, ast.ClassDef)}
        assert name in {node.name for node in classes[of].body if isinstance(node, ast.FunctionDef)}


class TestEachFault:
    @pytest.mark.parametrize(("line", "seed"), list(QUICK.values()), ids=list(QUICK))
    def test_is_told_in_time_and_nothing_else_is_cried(
        self, lives: Lives, line: Line, seed: int
    ) -> None:
        check(lives, line, seed)

    @pytest.mark.long
    @pytest.mark.parametrize(("line", "seed"), list(ALL.values()), ids=list(ALL))
    def test_is_told_on_every_tank(self, lives: Lives, line: Line, seed: int) -> None:
        check(lives, line, seed)


def raised(span: list[tuple[float, Transition]], alarm: str) -> list[float]:
    return [at_s for at_s, t in span if t.alarm == alarm and t.event == "raise"]


def cleared(span: list[tuple[float, Transition]], alarm: str) -> list[float]:
    return [at_s for at_s, t in span if t.alarm == alarm and t.event == "clear"]


HOUR_S = 3600.0


class TestARestart:
    def test_in_the_middle_of_a_fault_says_nothing_a_second_time_and_forgets_nothing(
        self, lives: Lives
    ) -> None:
        first, second, third = lives.spans(
            "restart",
            SEED,
            [("not-heating", 2 * HOUR_S)],
            [(0.0, 5 * HOUR_S), (5 * HOUR_S + 60, 6 * HOUR_S), (6 * HOUR_S + 60, 9 * HOUR_S)],
        )
        assert len(raised(first, "heater.not-heating")) == 1
        for span in (second, third):
            assert raised(span, "heater.not-heating") == []
            assert cleared(span, "heater.not-heating") == []
            heard = {t.alarm for _, t in span if t.after is State.UNACKNOWLEDGED}
            assert heard <= {"heater.not-heating"}

    @pytest.mark.parametrize(
        ("fault", "target", "alarm"),
        [("probe-stuck", "water-a", "water-a.doubtful"), ("pump-stopped", "", "pump.stopped")],
    )
    def test_while_a_sensor_is_bad_or_the_pump_stands_neither(
        self, lives: Lives, fault: str, target: str, alarm: str
    ) -> None:
        first, second = lives.spans(
            f"restart-{fault}",
            SEED,
            [(fault, HOUR_S, target)],
            [(0.0, 4 * HOUR_S), (4 * HOUR_S + 60, 6 * HOUR_S)],
        )
        assert len(raised(first, alarm)) == 1
        assert [t.alarm for _, t in second if t.after is State.UNACKNOWLEDGED] == []
        assert cleared(second, alarm) == []

    def test_about_when_the_fault_begins_to_show_hides_nothing_and_doubles_nothing(
        self, lives: Lives
    ) -> None:
        before, after = lives.spans(
            "restart-early",
            SEED,
            [("not-heating", 1 * HOUR_S)],
            [(0.0, 1.5 * HOUR_S), (1.5 * HOUR_S + 60, 5 * HOUR_S)],
        )
        assert len(raised([*before, *after], "heater.not-heating")) == 1


class TestAFaultThatLasts:
    """Three days and nights, with lamp hours, pours, feedings and a restart, and mended then."""

    def check(self, lives: Lives, fault: str, seed: int) -> None:
        alarm, day_s = f"heater.{fault.removeprefix('heater-')}", 24 * HOUR_S
        first, second = lives.spans(
            f"lasts-{fault}-{seed}",
            seed,
            [(fault, 2 * HOUR_S)],
            [(0.0, 1.3 * day_s), (1.3 * day_s + 300, 3.5 * day_s)],
            lasts=f"{3 * day_s:.0f} s",
        )
        [told_s] = raised([*first, *second], alarm)
        [over_s] = cleared([*first, *second], alarm)
        assert told_s < 6 * HOUR_S
        # The heater of this tank goes on and off every two hours.
        assert 3 * day_s + 2 * HOUR_S < over_s < 3 * day_s + 6 * HOUR_S
        others = ("heater.", "room.", "chiller.", "mains.", "water")
        # Water that takes longer than some hours to come back is told of when its cause is over.
        loud = [
            t.alarm
            for at_s, t in (*first, *second)
            if t.after is State.UNACKNOWLEDGED and at_s < over_s
        ]
        assert [name for name in loud if name.startswith(others)] == [alarm]

    @pytest.mark.parametrize("fault", ["not-heating", "heater-stuck-on"])
    def test_is_one_alarm_of_one_name_until_it_is_mended(self, lives: Lives, fault: str) -> None:
        self.check(lives, fault, SEED)

    @pytest.mark.long
    @pytest.mark.parametrize("seed", SEEDS)
    @pytest.mark.parametrize("fault", ["not-heating", "heater-stuck-on"])
    def test_is_so_on_every_tank(self, lives: Lives, fault: str, seed: int) -> None:
        self.check(lives, fault, seed)


def of_another_version(store: Path) -> None:
    """Leaves the store as a version does whose observers of heat had other names and facts."""
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("DELETE FROM meta WHERE key = 'observer heat'")
        for name in ("heater", "lamp"):
            db.execute("INSERT OR REPLACE INTO meta VALUES (?, '[2, {}]')", (f"observer {name}",))
        facts = '["NotHeating", {"water": null, "on_c": 25.1, "times": 32}]'
        of = "FROM transition WHERE alarm = 'heater.not-heating' ORDER BY seq DESC LIMIT 1"
        db.execute(f"UPDATE transition SET facts = ? WHERE seq = (SELECT seq {of})", (facts,))
        [row] = db.execute(f"SELECT * {of}").fetchall()
        [newest] = db.execute("SELECT max(seq) FROM transition").fetchone()
        marks = ",".join("?" * len(row))
        gone = (newest + 1, "lamp.failing", *row[2:])
        db.execute(f"INSERT INTO transition VALUES ({marks})", gone)
        db.execute("INSERT OR REPLACE INTO alarm VALUES ('lamp.failing', ?)", (newest + 1,))


class TestAnUpdate:
    def test_knows_the_tank_by_what_was_kept_and_takes_no_alarm_back(self, lives: Lives) -> None:
        before, after = lives.spans(
            "update",
            SEED,
            [("not-heating", HOUR_S)],
            [(0.0, 6 * HOUR_S), (6 * HOUR_S + 60, 7 * HOUR_S)],
            meanwhile=of_another_version,
        )
        assert len(raised(before, "heater.not-heating")) == 1
        assert [t.event for _, t in after if t.alarm == "lamp.failing"] == ["removed"]
        assert [t for _, t in after if t.alarm == "heater.not-heating"] == []
        assert [t.alarm for _, t in after if t.after is State.UNACKNOWLEDGED] == []


class TestNoFlood:
    def test_a_dead_heater_is_one_alarm_and_what_follows_from_it_keeps_still(
        self, lives: Lives
    ) -> None:
        [span] = lives.spans("flood", SEED, [("not-heating", HOUR_S)], [(0.0, 12 * HOUR_S)])
        heard = [t.alarm for _, t in span if t.after is State.UNACKNOWLEDGED]
        assert heard == ["heater.not-heating"]
        still = {t.alarm for _, t in span if t.after is State.SUPPRESSED}
        assert "water.low" in still


class TestGaps:
    def test_of_days_are_no_alarm_and_the_fault_after_one_is_found(self, lives: Lives) -> None:
        day_s = 24 * HOUR_S
        before, after = lives.spans(
            "gap",
            SEED,
            [("not-heating", 3 * day_s + 5 * HOUR_S)],
            [(0.0, HOUR_S), (3 * day_s, 3 * day_s + 9 * HOUR_S)],
        )
        sounds = [(at_s, t) for at_s, t in (*before, *after) if t.after is State.UNACKNOWLEDGED]
        early = [t.alarm for at_s, t in sounds if at_s < 3 * day_s + 5 * HOUR_S]
        assert [alarm for alarm in early if not alarm.startswith("level.")] == []
        assert len(raised(after, "heater.not-heating")) == 1

    def test_a_fault_that_began_in_one_is_found_after_it(self, lives: Lives) -> None:
        _, after = lives.spans(
            "gap-fault",
            SEED,
            [("not-heating", 10 * HOUR_S)],
            [(0.0, HOUR_S), (11 * HOUR_S, 16 * HOUR_S)],
        )
        assert len(raised(after, "heater.not-heating")) == 1


class TestCalmDays:
    def test_on_which_nothing_is_wrong_nothing_of_heater_pump_and_probes_is_heard(
        self, lives: Lives
    ) -> None:
        [span] = lives.spans("calm", SEED, [], [(0.0, 48 * HOUR_S)])
        ours = ("heater.", "room.", "pump.", "mains.", "water", "source.")
        assert [t.alarm for _, t in span if t.alarm.startswith(ours) and t.active] == []
