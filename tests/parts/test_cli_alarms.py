"""`alarms`, `ack`, `reset`, `shelve` and their kin: on a store alone, and against a really running
daemon on the simulated tank."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from command_line import STILLWELL, call, held_to_its_form, json_lines, process, tank
from in_words import told
from real_broker import wait_until
from stillwell.notice import State, Transition
from stillwell.store import StoreError, StoreReader, is_held

FALLEN = ("--days", "0.9", "--fault", "not-heating", "--after", "1 h", "--json")
"""A tank whose heater died 20 hours ago: water.low stands."""


def latest(store: Path) -> dict[str, Transition]:
    try:
        with StoreReader.open(store) as reader:
            return {transition.alarm: transition for transition in reader.alarms()}
    except StoreError:
        return {}


@pytest.fixture(scope="module")
def fallen(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The store of such a tank."""
    folder = tmp_path_factory.mktemp("fallen")
    config = tank(folder, every="2 min")
    assert call("simulate", "-c", config, *FALLEN).exit_code == 0
    return (folder / "tank.db").read_bytes()


@pytest.fixture
def config(tmp_path: Path, fallen: bytes) -> Path:
    """The configuration; the store beside it is one of a cold tank, and nobody writes it."""
    (tmp_path / "tank.db").write_bytes(fallen)
    return tank(tmp_path)


class TestAlarms:
    def test_says_what_stands_and_what_to_do(self, config: Path) -> None:
        first, _, said = call("alarms", "-c", config).stdout.partition("\n")
        assert first.startswith("A replay or a simulation up to ")
        assert said.startswith("water.low  high priority  unacknowledged  since ")
        assert "the heater does not heat" in said.lower()
        assert "Unplug heater and pump, with dry hands, before you reach in" in said

    def test_a_line_of_the_log_stays_one_line_in_a_file(self, config: Path) -> None:
        lines = call("alarms", "-c", config, "--log", "5").stdout.splitlines()
        [raised] = [line for line in lines if "  water.low  raise  " in line]
        assert "too cold: 2" in raised

    def test_json_is_one_object_a_line_with_these_keys(self, config: Path) -> None:
        [alarm] = json_lines(call("alarms", "-c", config, "--json"))
        assert list(alarm) == [
            *("time", "alarm", "state", "event", "active", "priority", "since", "text", "by")
        ]
        assert (alarm["alarm"], alarm["state"], alarm["active"]) == (
            "water.low",
            "unacknowledged",
            True,
        )
        assert alarm["time"].endswith("Z")

    def test_needs_no_configuration_where_a_store_is_named(self, config: Path) -> None:
        said = call("alarms", "-s", config.parent / "tank.db").stdout
        assert "water.low" in said

    def test_a_calm_tank_has_nothing(self, tmp_path: Path) -> None:
        calm = tank(tmp_path)
        call("simulate", "-c", calm, "--days", "0.05")
        result = call("alarms", "-c", calm)
        assert result.stdout.endswith("\nNothing stands.\n")

    def test_is_read_only(self, config: Path) -> None:
        store = config.parent / "tank.db"
        before = store.read_bytes()
        call("alarms", "-c", config, "--all")
        assert store.read_bytes() == before


class TestWithoutDaemon:
    def test_an_alarm_is_acknowledged_in_the_store(self, config: Path) -> None:
        result = call("ack", "water.low", "-c", config, "--by", "Maeve")
        assert (result.exit_code, result.stdout) == (0, "water.low is acknowledged now.\n")
        kept = latest(config.parent / "tank.db")["water.low"]
        assert (kept.after, kept.by) == (State.ACKNOWLEDGED, "Maeve")

    def test_twice_is_refused_in_words_with_exit_1(self, config: Path) -> None:
        call("ack", "water.low", "-c", config)
        result = call("ack", "water.low", "-c", config)
        assert result.exit_code == 1
        assert "water.low" in result.stdout

    def test_all_of_them_at_once(self, config: Path) -> None:
        [reply] = json_lines(call("ack", "--all", "-c", config, "--json"))
        assert reply["done"] is True
        assert reply["alarms"] == ["water.low"]

    @pytest.mark.parametrize("command", ["ack", "reset", "shelve", "unshelve", "out-of-service"])
    def test_an_unknown_name_is_answered_with_the_nearest(self, config: Path, command: str) -> None:
        more = ("--for", "1 h") if command == "shelve" else ()
        result = call(command, "wter.low", "-c", config, *more)
        assert result.exit_code == 1
        assert result.stdout == 'There is no alarm "wter.low". Did you mean water.low?\n'

    def test_work_at_the_tank_quiets_what_a_hand_causes_and_its_end_is_told(
        self, config: Path
    ) -> None:
        begun = call("shelve", "--all", "-c", config)
        assert (begun.exit_code, "Alarms that a hand causes are quiet" in begun.stdout) == (0, True)
        store = config.with_name("tank.db")
        now = latest(store)
        assert now["water.low"].after is State.SUPPRESSED
        assert now["maintenance"].after is State.SHELVED
        assert now["maintenance"].shelved_for_ms == 3_600_000
        said = call("alarms", "-c", config).stdout
        assert "maintenance  low priority  shelved" in said
        assert f'Done before? "stillwell unshelve --config {config} --all".' in said
        over = call("unshelve", "--all", "-c", config)
        assert over.stdout.startswith("Work over, alarms ring again: 1 stand.")
        with StoreReader.open(store) as reader:
            end = reader.notices()[-1]
        assert end.subject == "maintenance"
        assert "Water too cold: " in told(end).text
        assert call("unshelve", "--all", "-c", config).exit_code == 1

    def test_a_shelf_has_an_end_and_a_name(self, config: Path) -> None:
        for wrong in (("top-up",), (), ("top-up", "--all"), ("--all", "--for", "5 h")):
            assert call("shelve", *wrong, "-c", config).exit_code != 0, wrong

    def test_an_alarm_that_never_rang_can_be_shelved(self, config: Path) -> None:
        result = call("shelve", "top-up", "--for", "2 h", "-c", config)
        assert (result.exit_code, result.stdout) == (0, "top-up is shelved now.\n")

    def test_out_of_service_and_back(self, config: Path) -> None:
        store = config.parent / "tank.db"
        call("out-of-service", "water.low", "-c", config)
        assert latest(store)["water.low"].after is State.OUT_OF_SERVICE
        call("in-service", "water.low", "-c", config)
        assert latest(store)["water.low"].after is State.UNACKNOWLEDGED

    def test_no_alarm_and_no_all_is_told(self, config: Path) -> None:
        result = call("ack", "-c", config)
        assert result.exit_code == 2
        assert "Name one alarm, or give --all" in result.stderr

    def test_a_time_that_is_none_is_told(self, config: Path) -> None:
        result = call("shelve", "water.low", "--for", "a while", "-c", config)
        assert result.exit_code == 2
        assert "a while" in result.stderr

    def test_a_missing_store_is_told_and_not_made(self, tmp_path: Path) -> None:
        result = call("ack", "water.low", "-s", tmp_path / "no.db")
        assert result.exit_code == 2
        assert list(tmp_path.iterdir()) == []

    def test_the_store_is_free_afterwards(self, config: Path) -> None:
        call("ack", "water.low", "-c", config)
        assert not is_held(config.parent / "tank.db")


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Callable[[], Path]]:
    """Starts the daemon on a fast clock with a heater that dies; stops it afterwards."""
    config = tank(tmp_path)
    daemons: list[subprocess.Popen[bytes]] = []

    def start() -> Path:
        with (tmp_path / "log").open("wb") as log:
            daemons.append(
                subprocess.Popen(
                    [
                        *(STILLWELL, "run", "-c", config, "--speed", "1000"),
                        *("--fault", "not-heating", "--json"),
                    ],
                    stdout=log,
                    stderr=log,
                )
            )
        return config

    yield start
    for daemon in daemons:
        daemon.terminate()
    assert [daemon.wait(30) for daemon in daemons] == [0]


class TestRunningDaemon:
    def test_carries_out_what_commands_ask(self, running: Callable[[], Path]) -> None:
        config = running()
        store = config.parent / "tank.db"
        wait_until(lambda: "water.low" in latest(store), "the alarm", 40)
        assert is_held(store)
        done = process("ack", "water.low", "-c", config, "--by", "Maeve", "--json")
        assert done.returncode == 0, done.stderr
        assert '"text": "water.low is acknowledged now."' in done.stdout
        kept = latest(store)["water.low"]
        assert (kept.after, kept.by) == (State.ACKNOWLEDGED, "Maeve")
        # Unknown names, refusals and the rest come back the same way.
        assert "Did you mean water.low?" in call("ack", "wter.low", "-c", config).stdout
        assert call("ack", "water.low", "-c", config).exit_code == 1
        assert call("shelve", "top-up", "--for", "1 d", "-c", config).exit_code == 0
        assert latest(store)["top-up"].after is State.SHELVED
        log = (config.parent / "log").read_text()
        told = [line for line in log.splitlines() if line.startswith("{")]
        held_to_its_form(["run", "--json"], "\n".join(told))
        assert '"alarm": "water.low", "state": "acknowledged"' in log, "run --json told it"
