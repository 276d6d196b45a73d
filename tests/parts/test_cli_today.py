"""`today`: the one screen, on a simulated tank."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from command_line import call, json_lines, tank
from stillwell.notice import Message, Priority, State, Transition
from stillwell.reading import Moment
from stillwell.store import Store

END = "2026-03-10T12:00Z"


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tank that was watched for a day."""
    made = tank(tmp_path_factory.mktemp("today"), every="5 min")
    lived = call("simulate", "-c", made, "--days", "1", "--until", END)
    assert lived.exit_code == 0
    return made


class TestToday:
    def test_says_the_water_and_what_is_due(self, config: Path) -> None:
        said = call("today", "-c", config).stdout
        assert "Tue 10 Mar 12:00" in said
        assert "Water 25." in said
        assert "wanted 24.8 °C to 25.8 °C" in said
        assert "Measure the salinity" in said

    def test_an_alarm_that_follows_from_another_orders_nothing(
        self, tmp_path: Path, config: Path
    ) -> None:
        (tmp_path / "tank.db").write_bytes((config.parent / "tank.db").read_bytes())
        made = tank(tmp_path)
        store = Store.open(tmp_path / "tank.db")
        ms = round(dt.datetime.fromisoformat(END).timestamp() * 1000)
        moment = Moment(ms, ms, store.begin_epoch("another boot", Moment(0, 0), True))
        for alarm, after, message in (
            ("pump.stopped", State.UNACKNOWLEDGED, Message("The pump stands.", do="See to it.")),
            ("water.high", State.SUPPRESSED, Message("Water 26 °C.", do="Unplug the heater.")),
        ):
            store.put_transition(
                Transition(
                    *(alarm, moment, State.NORMAL, after, "raise"),
                    *(Priority.HIGH, True, message, moment),
                )
            )
        store.close()
        said = " ".join(call("today", "-c", made).stdout.split())
        assert "The pump stands. since" in said
        assert "See to it. answer:" in said
        assert "Water 26 °C." in said
        assert said.index("The pump stands.") < said.index("wanted 24.8 °C"), "what rings is first"
        assert "Unplug the heater" not in said
        assert "Level: see to pump.stopped first" in said

    def test_json_has_these_keys(self, config: Path) -> None:
        [found] = json_lines(call("today", "-c", config, "--json"))
        assert list(found) == [
            *("time", "water", "to_add", "salinity", "cycle", "due", "soon", "alarms")
        ]
        assert found["time"] == END.replace("Z", ":00Z")
        assert found["salinity"] is None
        assert "salinity" in [task["task"] for task in found["due"]]

    def test_what_is_noted_is_done(self, config: Path) -> None:
        note = ("note", "-c", config, "--at", "2026-03-10T11:30Z", "--yes")
        call(*note, "salinity", "35.2 ppt")
        call(*note, "cycle-start")
        call(*note, "ammonia", "1 mg/L N")
        [found] = json_lines(call("today", "-c", config, "--json"))
        assert found["salinity"]["low"] < 35.2 < found["salinity"]["high"]
        assert found["cycle"]["stage"] == "ammonia rising"
        assert "salinity" not in [task["task"] for task in found["due"]]

    def test_a_salinity_outside_comes_with_its_mending_and_the_caution(
        self, tmp_path: Path, config: Path
    ) -> None:
        (tmp_path / "tank.db").write_bytes((config.parent / "tank.db").read_bytes())
        made = tank(tmp_path)
        for time in ("11:00Z", "11:30Z"):
            call("note", "-c", made, "--at", f"2026-03-10T{time}", "--yes", "salinity", "38 ppt")
        said = " ".join(call("today", "-c", made).stdout.split())
        mending = said.split("Measure again; then ", 1)[1]
        assert "of tank water for fresh" in mending
        for caution in ("unplug heater and pump, with dry hands", "drip loop", "RCD (GFCI)"):
            assert caution in mending

    def test_what_is_due_stands_under_the_review_too(self, tmp_path: Path) -> None:
        made = tank(tmp_path, every="5 min")
        assert call("simulate", "-c", made, "--days", "2", "--until", END).exit_code == 0
        said = call("review", "-c", made).stdout
        assert "Due: measure the salinity" in said
        assert "Due:" not in call("review", "2026-03-09", "-c", made).stdout

    def test_a_store_ahead_of_the_clock_is_looked_at_all_the_same(self, tmp_path: Path) -> None:
        made = tank(tmp_path)
        lived = call("simulate", "-c", made, "--days", "0.1", "--until", "2096-03-10T12:00Z")
        assert lived.exit_code == 0
        said = call("today", "-c", made)
        assert said.exit_code == 0, said.stderr
        assert "Water 25." in said.stdout

    def test_an_empty_store_is_told(self, tmp_path: Path) -> None:
        result = call("today", "-c", tank(tmp_path))
        assert result.exit_code == 3
        assert "NOT WATCHING: stillwell has never run with this store." in result.stderr
