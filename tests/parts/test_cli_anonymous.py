"""``stillwell export --anonymous``: what a keeper may hand on, and that it gives nobody away."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from pathlib import Path

import pytest

from command_line import ROOT, call, json_lines
from tanks.recordings import recorded
from tanks.trace import DAY_S, Heater

DEMO = ROOT / "config" / "reading-room-simulated.toml"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("anonymous") / "tank.db"
    span = ("--from", "2026-11-24T08:00Z", "--until", "2026-11-25T08:00Z")
    seldom = {"STILLWELL__SOURCE__TANK__EVERY": "5 min"}
    done = call("simulate", "--config", DEMO, *span, "--store", path, env=seldom)
    assert done.exit_code == 0, done.output
    return path


@pytest.fixture(scope="module")
def folder(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("handed") / "on"
    secret = {"STILLWELL__SOURCE__TANK__EVERY": "5 min", "STILLWELL__TANK__LABEL": "Niamh's"}
    done = call("export", "--anonymous", "-c", DEMO, "-s", store, "-o", made, env=secret)
    assert done.exit_code == 0, done.output
    return made


class TestATraceToHandOn:
    def test_is_read_back_as_the_worlds_are(self, folder: Path) -> None:
        run = recorded(folder)
        said = run.household
        assert (said.volume_l, said.heater, said.powers_w) == (68.0, Heater.THERMOSTAT, (75.0,))
        assert (said.lamp_hours, said.setting_c) == ((12.0, 22.0), 25.3)
        assert said.start == date(2026, 11, 24)
        rows = list(run)
        assert len(rows) == pytest.approx(DAY_S / said.every_s, rel=0.01)
        # Eight in the morning in Dublin, where it is winter.
        assert rows[0].at_s == pytest.approx(8 * 3600, abs=600)
        assert all(b.at_s - a.at_s == said.every_s for a, b in pairwise(rows))
        for name in (*said.probes, "room"):
            seen = [value for row in rows if (value := row.values[name]) is not None]
            assert len(seen) > 250
            assert 15 < min(seen) < max(seen) < 30

    def test_has_no_name_no_place_and_no_channel_of_the_keepers(self, folder: Path) -> None:
        assert sorted(path.name for path in folder.iterdir()) == [
            "household.toml",
            "notes.md",
            "trace.csv",
        ]
        whole = "".join(path.read_text("utf-8") for path in folder.iterdir())
        for word in ("Niamh", "reading", "Dublin", "Europe", "water-a", "rock pool", "Rock pool"):
            assert word not in whole

    def test_notes_say_when_water_was_poured(self, store: Path, folder: Path) -> None:
        notes = (folder / "notes.md").read_text("utf-8")
        assert notes.startswith("Write here what you know")
        told = json_lines(
            call(
                "export", "--anonymous", "--force", "-c", DEMO, "-s", store, "-o", folder, "--json"
            )
        )
        assert notes.count("- day ") == told[0]["entries"]

    def test_is_not_written_over(self, store: Path, folder: Path) -> None:
        done = call("export", "--anonymous", "-c", DEMO, "-s", store, "-o", folder)
        assert done.exit_code == 2
        assert "exists already" in done.output
