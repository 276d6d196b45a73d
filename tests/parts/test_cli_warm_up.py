"""`warm-up` on a simulated tank."""

from __future__ import annotations

from pathlib import Path

import pytest

from command_line import call, json_lines, tank

FROM = ("--from", "2026-03-10T08:00Z", "--until", "2026-03-10T16:00Z")


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tank(tmp_path_factory.mktemp("warm"))
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
