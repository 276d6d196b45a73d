"""``stillwell heater`` on a tank that was simulated for three days."""

from __future__ import annotations

from pathlib import Path

import pytest

from command_line import ROOT, call, json_lines

DEMO = ROOT / "config" / "reading-room-simulated.toml"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("heater") / "tank.db"
    # Not up to now: for hours after a Saturday's water change the advice is to wait.
    span = ("--days", "2", "--from", "2026-11-24T08:00Z")
    seldom = {"STILLWELL__SOURCE__TANK__EVERY": "2 min"}
    done = call("simulate", "--config", DEMO, *span, "--store", path, env=seldom)
    assert done.exit_code == 0, done.output
    return path


class TestHeater:
    def test_shows_what_was_learned_a_picture_and_the_advice(self, store: Path) -> None:
        said = call("heater", "--store", store).output
        for words in (
            "switches on at",
            "switches off at",
            "differential",
            "share of its full heat",
        ):
            assert words in said
        assert "days of the water, with its last" in said
        assert any(0x2800 < ord(letter) < 0x2900 for letter in said)
        assert "Leave the dial: it is at 25.3 °C, the target is 25.3 °C." in said

    def test_shows_where_the_heat_went_and_down_to_which_room_it_holds(self, store: Path) -> None:
        said = call("heater", "--store", store).output
        for line in ("heater ", "room ", "evaporation, less the pump's heat "):
            assert any(one.startswith(line) and " W (" in one for one in said.splitlines()), line
        assert "The heater holds 25.3 °C down to a room of about" in said

    def test_says_so_where_the_settings_name_no_heater_or_not_its_kind(
        self, store: Path, tmp_path: Path
    ) -> None:
        text = DEMO.read_text(encoding="utf-8")
        kind = 'kind = "thermostat"\n'
        assert kind in text
        other = tmp_path / "stillwell.toml"
        other.write_text(text.replace(kind, ""), "utf-8")
        said = call("heater", "--config", other, "--store", store).output
        assert "looks like a thermostat's: if it is, say so in the settings" in " ".join(
            said.split()
        )
        other.write_text(text.replace(kind, 'kind = "proportional"\n'), "utf-8")
        said = call("heater", "--config", other, "--store", store).output
        assert 'kind = "thermostat", and not "proportional"' in " ".join(said.split())
        young = tmp_path / "young.db"
        without = text.replace("[tank.heater]\n" + kind, "").replace('power = "75 W"\n', "")
        other.write_text(without, "utf-8")
        call("simulate", "--config", other, "--days", "0.05", "--store", young)
        said = call("heater", "--config", other, "--store", young).output
        assert "The settings name no heater and no chiller" in said

    def test_the_truth_lies_about_where_it_says(self, store: Path) -> None:
        # The demo's thermostat: 25.3 °C with 0.4 K, tank_model's defaults.
        [told] = json_lines(call("heater", "--store", store, "--json"))
        setting = told["learned"]["heater.setting"]
        assert setting["low"] - 0.05 <= 25.3 <= setting["high"] + 0.05
        assert told["target"] == {"value": pytest.approx(25.3), "unit": "Cel"}
        assert told["advice"] == {"turn": "leave", "by_k": 0.0}

    def test_another_target_is_a_turn_of_the_dial(self, store: Path, tmp_path: Path) -> None:
        other = tmp_path / "stillwell.toml"
        text = DEMO.read_text(encoding="utf-8")
        assert 'target = "25.3 degC"' in text
        other.write_text(text.replace('target = "25.3 degC"', 'target = "25.6 degC"'), "utf-8")
        said = call("heater", "--config", other, "--store", store).output
        assert "Turn the dial up by 0.3 K" in said
        assert "after an hour" in said
        assert "unplug the heater and the pump, with dry hands" in said

    def test_says_so_when_nothing_is_learned_yet(self, tmp_path: Path) -> None:
        path = tmp_path / "young.db"
        call("simulate", "--config", DEMO, "--days", "0.05", "--store", path)
        assert "Nothing is learned of it yet" in call("heater", "--store", path).output
        assert json_lines(call("heater", "--store", path, "--json")) == [{"learned": {}}]
