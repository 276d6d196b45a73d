"""`stillwell init` without a person: by options alone, again, and beside a file that is there."""

from __future__ import annotations

import json
import os
import re
import tomllib
from pathlib import Path

import pytest

from as_user import needs_root
from command_line import call
from far_sides import Receiver
from pseudo_pi import PROBE, PseudoPi, pretend


@pytest.fixture(autouse=True)
def pi(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> PseudoPi:
    made = PseudoPi(tmp_path / "pi")
    made.probe(PROBE, 25.125)
    pretend(made.folder, monkeypatch.setattr)
    return made


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "etc").mkdir()
    return tmp_path / "etc" / "stillwell.toml"


class TestUnattended:
    def test_the_end_of_the_input_leaves_nothing_and_says_how_it_runs_unattended(
        self, pi: PseudoPi, config: Path
    ) -> None:
        done = call("init", "-c", config)
        assert done.exit_code == 2
        assert "--defaults" in done.stderr
        assert list(config.parent.iterdir()) == []

    def test_options_answer_everything_and_again_nothing_changes(
        self, pi: PseudoPi, hook: Receiver, config: Path
    ) -> None:
        options = ("--zone", "Dublin", "--volume", "68 L", "--chamber", "18 x 9 cm", "--json")
        chosen = (f"water-a={PROBE}", "float-high=GPIO27 at 12 mm")
        sensors = [word for each in chosen for word in ("--sensor", each)]
        tell = ("--tell", f"ntfy://127.0.0.1:{hook.port}/tank")
        done = call("init", "-c", config, *options, *sensors, *tell)
        assert done.exit_code == 0, done.stdout + done.stderr
        told = json.loads(done.stdout)
        assert told == {
            "file": str(config),
            "channels": ["water-a", "float-high"],
            "recipients": ["phone"],
            "ok": True,
            "started": False,
        }
        assert len(hook.asked) == 1
        made = tomllib.loads(config.read_text())
        assert made["channel"]["float-high"]["height"] == "12 mm"
        assert made["state"]["too-full"]["wrong"] == "above"
        mine = config.read_text().replace("# by its label", "# mine") + "# to the end\n"
        config.write_text(mine)
        config.chmod(0o660)
        again = call("init", "-c", config, "--defaults")
        assert again.exit_code == 0, again.stdout + again.stderr
        assert config.read_text() == mine
        assert config.stat().st_mode & 0o777 == 0o660
        pi.probe("28-0316a27948c3", 25.0)
        added = call("init", "-c", config, "--json", "--sensor", "water-b=28-0316a27948c3")
        assert "water-b" in json.loads(added.stdout)["channels"]
        new = config.read_text()
        assert tomllib.loads(new)["band"]["water"]["of"] == ["water-a", "water-b"]
        assert "# to the end" in new

    @pytest.mark.parametrize(
        ("options", "says"),
        [
            (("--volume", "68"), r'--volume: 68 has no unit.*"68 L"'),
            (("--sensor", "water-a=28-0"), f"There is no sensor 28-0.*Found: .*{PROBE}"),
            (("--sensor", "GPIO17"), "Write it like water-a="),
            (("--tell", "anna@example.org"), "mailtos://"),
            ((), r"No sensor was chosen.*--volume '68 L'"),
        ],
    )
    def test_what_is_refused_says_what_would_be_accepted_and_writes_nothing(
        self, pi: PseudoPi, config: Path, options: tuple[str, ...], says: str
    ) -> None:
        if not options:
            (pi.w1 / PROBE / "w1_slave").unlink()
            (pi.w1 / PROBE).rmdir()
        done = call("init", "-c", config, "--defaults", *options)
        assert done.exit_code == 2
        assert re.search(says, " ".join(done.stderr.split())), done.stderr
        assert list(config.parent.iterdir()) == []


class TestWhatIsThere:
    @pytest.mark.parametrize("content", [b"[tank\nname = 3", b"\xff\xfe", b'name = "x'])
    def test_and_cannot_be_read_is_not_replaced(
        self, pi: PseudoPi, config: Path, content: bytes
    ) -> None:
        config.write_bytes(content)
        done = call("init", "-c", config, "--defaults")
        assert done.exit_code == 2
        assert "Nothing was written" in done.stderr
        assert config.read_bytes() == content

    @pytest.mark.parametrize(
        ("content", "says"),
        [
            ("tank = 3", "tank is no table"),
            ("[tank]\nlamp = 3", "tank.lamp is no table"),
            ("band.water = 3", "band.water is no table"),
            ("[source.x]\nchannels = []", "source.x.channels is no table"),
            ('[tank]\nvolume = "68"', "--volume: 68 has no unit"),
            ("source.x.channels.y = 3", "source.x.driver"),
        ],
    )
    def test_and_is_in_no_form_of_ours_is_told_and_kept(
        self, config: Path, content: str, says: str
    ) -> None:
        config.write_text(content)
        done = call("init", "-c", config, "--defaults")
        assert done.exit_code == 2
        assert says in " ".join(done.stderr.split())
        assert config.read_text() == content

    def test_and_is_wrong_somewhere_is_told_with_its_line(self, pi: PseudoPi, config: Path) -> None:
        config.write_text('[tank]\nvolume = "68 L"\nnmae = "x"\n')
        done = call("init", "-c", config, "--defaults")
        assert done.exit_code == 2
        assert "line 3, tank.nmae" in done.stderr
        assert "nmae" in config.read_text()

    @needs_root
    def test_and_belongs_to_the_service_stays_so(self, pi: PseudoPi, config: Path) -> None:
        os.chown(config.parent, 0, 12)
        assert call("init", "-c", config, "--defaults").exit_code == 1
        assert (config.stat().st_uid, config.stat().st_gid) == (0, 12)
        os.chown(config, 7, 8)
        config.chmod(0o660)
        assert call("init", "-c", config, "--defaults", "--heater", "50").exit_code == 1
        there = config.stat()
        assert (there.st_uid, there.st_gid, there.st_mode & 0o777) == (7, 8, 0o660)
        assert 'power = "50 W"' in config.read_text()
