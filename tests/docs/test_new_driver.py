"""A driver of one's own by the chapter in DEVELOPERS.md, tried literally."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from typer.testing import CliRunner

from stillwell.cli.main import app

ROOT = Path(__file__).parents[2]
TANK = """\
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[store]
path = "tank.db"
[source.mine]
driver = "rain_gauge"
path = "{device}"
[source.mine.channels]
room = {{}}
[channel.room]
quantity = "temperature"
"""


def chapter() -> str:
    """The chapter's commands, one a line."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    found = re.search(r"^## Add a driver$(.*?)^## ", text, re.MULTILINE | re.DOTALL)
    assert found is not None
    return "\n".join(line[4:] for line in found[1].splitlines() if line.startswith("    "))


def test_the_chapters_commands_give_a_driver_that_check_reads(tmp_path: Path) -> None:
    site = tmp_path / "site"
    environ = {
        **os.environ,
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "PYTHONPATH": str(site),
        # Into a folder of the test's own, without a network.
        "PIP_TARGET": str(site),
        "PIP_NO_INDEX": "1",
        "PIP_NO_DEPS": "1",
        "PIP_NO_BUILD_ISOLATION": "0",  # pip reads this backwards: 0 is "no isolation"
        "PYTEST_ADDOPTS": "-p no:cacheprovider",
    }
    device = tmp_path / "device"
    device.write_text("21.5\n")
    (tmp_path / "stillwell.toml").write_text(TANK.format(device=device))
    commands = chapter()
    assert "stillwell new-driver rain-gauge" in commands
    ran = subprocess.run(
        ["bash", "-euxc", commands],
        cwd=tmp_path,
        env={**environ, "STILLWELL_CONFIG": str(tmp_path / "stillwell.toml")},
        capture_output=True,
        text=True,
    )
    said = ran.stdout + ran.stderr
    assert "passed" in said, said
    assert re.search(r"room.*21\.5 °C", said), said


class TestRefusals:
    def test_a_folder_that_is_there_is_left_alone(self, tmp_path: Path) -> None:
        (tmp_path / "mine").mkdir()
        asked = ["new-driver", "mine", "--folder", str(tmp_path / "mine")]
        result = CliRunner().invoke(app, asked)
        assert result.exit_code != 0
        assert "is there already" in result.output
        assert not list((tmp_path / "mine").iterdir())

    def test_a_name_that_is_none_is_refused(self, tmp_path: Path) -> None:
        result = CliRunner().invoke(app, ["new-driver", "../Mine", "--folder", str(tmp_path / "x")])
        assert result.exit_code != 0
        assert "rain-gauge" in result.output
