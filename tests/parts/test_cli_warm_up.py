"""`warm-up` on a simulated tank."""

from __future__ import annotations

from pathlib import Path

import pytest

from command_line import call, json_lines, tank

FROM = ("--from", "2026-03-10T08:00Z", "--until", "2026-03-10T16:00Z")


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tank(tmp_path_factory.mktemp("warm"), every="2 min")
    assert call("simulate", "-c", made, *FROM).exit_code == 0
    return made


class TestWarmUp:
    def test_says_too_early_then_steady(self, config: Path) -> None:
        [early] = json_lines(call("warm-up", "-c", config, "--at", "2026-03-10T08:30Z", "--json"))
        [late] = json_lines(call("warm-up", "-c", config, "--json"))
        assert early["stage"] == "not seen"
        assert late["stage"].startswith("steady")

    def test_records_the_outcome_only_once_there_is_one(self, config: Path) -> None:
        early = call("warm-up", "-c", config, "--at", "2026-03-10T08:30Z", "--record")
        assert early.exit_code == 2
        assert call("warm-up", "-c", config, "--record").exit_code == 0
        assert "warm-up: steady" in call("note", "-c", config, "--list").stdout

    def test_waits_an_hour_after_the_dial_was_moved(self, config: Path) -> None:
        at = ("--at", "2026-03-10T15:30Z")
        noted = call("note", "-c", config, *at, "--yes", "heater-trim", "0.5 K")
        assert noted.exit_code == 0
        [run] = json_lines(call("warm-up", "-c", config, "--json"))
        assert run["stage"] == "not seen"
        assert run["again"] >= "2026-03-10T16:30"


@pytest.fixture(scope="module")
def cold(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tank(tmp_path_factory.mktemp("cold"), every="2 min")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STILLWELL__SOURCE__TANK__TANK__FILLED", "19 degC")
        assert call("simulate", "-c", made, *hours(8, 11)).exit_code == 0
    return made


def hours(begin: int, end: int) -> tuple[str, ...]:
    return "--from", f"2026-03-10T{begin:02}:00Z", "--until", f"2026-03-10T{end:02}:00Z"


class TestStaying:
    def test_from_a_cold_start_until_the_dial_is_right(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        made = tank(tmp_path, every="2 min")
        monkeypatch.setenv("STILLWELL__SOURCE__TANK__TANK__FILLED", "22 degC")
        assert call("simulate", "-c", made, *hours(8, 9)).exit_code == 0
        end = [9]

        def wait(seconds: float) -> None:
            """Two hours pass: the same life, seen for longer."""
            end[0] += 2
            assert end[0] < 22
            for file in tmp_path.glob("tank.db*"):
                file.unlink()
            assert call("simulate", "-c", made, *hours(8, end[0])).exit_code == 0

        monkeypatch.setattr("stillwell.cli.warm_up.time.sleep", wait)
        said = call("warm-up", "-c", made, "--follow").stdout
        steps = ("still warming", "Leave the dial: it is at", "Noted as entry")
        assert sorted(steps, key=said.index) == list(steps)
        assert "warm-up: steady" in call("note", "-c", made, "--list").stdout


class TestAColdTank:
    def test_has_one_alarm_and_no_storm(self, cold: Path) -> None:
        said = [row["alarm"] for row in json_lines(call("alarms", "-c", cold, "--json"))]
        assert [name for name in said if name.startswith(("water", "heater"))] == ["water.low"]

    def test_says_when_it_will_be_warm_and_how_to_keep_the_alarm_still(self, cold: Path) -> None:
        said = call("warm-up", "-c", cold).stdout
        assert "It is still warming" in said
        assert "at this rate it is at 25.3 °C in about" in said
        assert f'stillwell shelve --config {cold} water.low --for "' in said
