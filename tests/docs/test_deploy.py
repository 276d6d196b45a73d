"""What is deployed: the unit by systemd's own tools, the installer into a folder, the try-out."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import ClassVar

import pytest

from command_line import call
from stillwell.notice import Transition
from stillwell.store import StoreReader
from stillwell.supervise.daemon import EX_CONFIG

ROOT = Path(__file__).parents[2]
SYSTEMD = ROOT / "deploy" / "systemd"
UNIT = SYSTEMD / "stillwell.service"


def run(*command: str | Path, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(part) for part in command],
        capture_output=True,
        text=True,
        env=os.environ | more,
        cwd=ROOT,
    )


def keys(path: Path = UNIT) -> dict[str, list[str]]:
    """What stands in a unit, by key, in its order."""
    found: dict[str, list[str]] = {}
    for line in path.read_text().splitlines():
        if match := re.match(r"(\w+)=(.*)", line):
            found.setdefault(match[1], []).append(match[2])
    return found


def system_calls(lines: list[str]) -> set[str]:
    """What these lines of SystemCallFilter= come to, by systemd's own sets."""
    allowed: set[str] = set()
    for line in lines:
        named = line.removeprefix("~").split()
        calls = set[str]().union(*(_calls(name) for name in named))
        allowed = allowed - calls if line.startswith("~") else allowed | calls
    return allowed


def _calls(name: str) -> set[str]:
    if not name.startswith("@"):
        return {name}
    listed = run("systemd-analyze", "syscall-filter", name).stdout.splitlines()[1:]
    words = {line.strip() for line in listed if line.startswith("    ") and "#" not in line}
    return set[str]().union(*(_calls(word) for word in words))


class TestThePagesUnits:
    def test_systemd_finds_nothing_wrong_with_them(self, tmp_path: Path) -> None:
        for name in ("stillwell-page.service", "stillwell-page.socket"):
            text = (SYSTEMD / name).read_text()
            text = text.replace("/opt/stillwell/current/venv/bin/stillwell", sys.executable)
            (tmp_path / name).write_text(text)
        for name in ("stillwell-page.service", "stillwell-page.socket"):
            done = run("systemd-analyze", "verify", "--man=no", tmp_path / name)
            assert (done.returncode, done.stdout + done.stderr) == (0, "")

    def test_its_exposure_is_less_than_the_daemons(self) -> None:
        page = SYSTEMD / "stillwell-page.service"
        done = run("systemd-analyze", "security", "--offline=true", "--threshold=10", page)
        assert done.returncode == 0, done.stdout[-2000:]
        found = keys(page)
        assert found["PrivateNetwork"] == ["yes"], "it answers, and asks nobody"
        assert found["User"] == keys()["User"]
        assert int(found["Nice"][0]) > int(keys()["Nice"][0])
        assert {line.split(":")[0] for line in found["LoadCredential"]} == {"page.key"}


class TestUnit:
    def test_systemd_finds_nothing_wrong_with_it(self, tmp_path: Path) -> None:
        # The program isn't installed on the machine that tests: its place is taken by one that is.
        text = UNIT.read_text().replace("/opt/stillwell/current/venv/bin/stillwell", sys.executable)
        (tmp_path / "stillwell.service").write_text(text)
        done = run("systemd-analyze", "verify", "--man=no", tmp_path / "stillwell.service")
        assert (done.returncode, done.stdout + done.stderr) == (0, "")

    def test_its_exposure_is_at_most_twenty(self) -> None:
        """Five of it are for names: systemd-analyze takes a filter with `adjtimex` for one that
        lets the clock be set, though the kernel lets nobody do that who has no capability."""
        done = run("systemd-analyze", "security", "--offline=true", "--threshold=20", UNIT)
        assert done.returncode == 0, done.stdout[-2000:]

    def test_lets_the_clock_be_asked_and_not_be_set(self) -> None:
        calls = system_calls(keys()["SystemCallFilter"])
        assert {"adjtimex", "clock_adjtime", "openat", "connect"} <= calls
        assert not {"clock_settime", "settimeofday", "mount", "reboot", "ptrace"} & calls
        assert keys().get("ProtectClock", ["no"]) == ["no"], "it would refuse to be asked, too"
        assert keys()["CapabilityBoundingSet"] == keys()["AmbientCapabilities"] == [""]

    def test_lets_the_picture_lower_its_own_priority(self) -> None:
        assert "setpriority" in system_calls(keys()["SystemCallFilter"])

    def test_shows_the_name_of_the_boot(self) -> None:
        assert "ProcSubset" not in keys(), "the name of the boot is in /proc/sys"

    def test_allows_gauges_that_are_plugged_in_later(self) -> None:
        """By number: a name is looked up in /proc/devices when the unit starts, and stands there
        only when the module is loaded (systemd.resource-control(5), DeviceAllow=)."""
        allowed = {line.split()[0] for line in keys()["DeviceAllow"]}
        of_modules = {"char-ttyACM", "char-ttyUSB"}
        assert {"char-166", "char-188"} <= allowed
        assert not of_modules & allowed

    def test_starts_without_the_folder_of_credentials(self) -> None:
        loaded = {line.split(":")[0] for line in keys()["LoadCredential"]}
        assert loaded <= {line.split(":")[0] for line in keys()["SetCredential"]}

    def test_is_started_again_whatever_happens_but_not_where_only_a_person_can_help(self) -> None:
        found = keys()
        assert found["Restart"] == ["always"]
        assert found["RestartPreventExitStatus"] == [str(EX_CONFIG)]
        assert found["StartLimitIntervalSec"] == ["0"]
        assert found["OOMPolicy"] == ["continue"]

    def test_its_folders_have_the_modes_that_the_installer_gives_them(self) -> None:
        made = {
            place: mode
            for kind, place, mode in re.findall(
                r"(?m)^(d) (\S+) (\d+) ", (SYSTEMD / "stillwell.tmpfiles").read_text()
            )
        }
        assert keys()["StateDirectoryMode"] == [made["/var/lib/stillwell"]] == ["2770"]
        assert keys()["ConfigurationDirectoryMode"] == [made["/etc/stillwell"]]

    def test_the_pauses_grow_only_where_systemd_knows_how(self) -> None:
        assert not {"RestartSteps", "RestartMaxDelaySec"} & keys().keys()
        assert keys(SYSTEMD / "restart-steps.conf").keys() == {"RestartSteps", "RestartMaxDelaySec"}

    def test_a_unit_without_its_fences_would_not_pass(self, tmp_path: Path) -> None:
        bare = re.sub(r"(?m)^(Protect|Private|Restrict|SystemCall)\w+=.*\n", "", UNIT.read_text())
        (tmp_path / "stillwell.service").write_text(bare)
        done = run(
            "systemd-analyze",
            "security",
            "--offline=true",
            "--threshold=20",
            tmp_path / "stillwell.service",
        )
        assert done.returncode != 0

    def test_the_accounts_and_folders_are_read_by_systemds_own_tools(self, tmp_path: Path) -> None:
        for kind in ("sysusers", "tmpfiles"):
            place = tmp_path / f"usr/lib/{kind}.d"
            place.mkdir(parents=True)
            shutil.copy(SYSTEMD / f"stillwell.{kind}", place / "stillwell.conf")
        (tmp_path / "etc").mkdir()
        done = run("systemd-sysusers", f"--root={tmp_path}", "stillwell.conf")
        assert done.returncode == 0, done.stderr
        groups = (tmp_path / "etc/group").read_text()
        for group in ("gpio", "dialout"):
            assert re.search(rf"(?m)^{group}:.*\bstillwell\b", groups)

    def test_it_names_the_groups_that_the_accounts_file_makes(self) -> None:
        named = re.search(r"(?m)^SupplementaryGroups=(.*)$", UNIT.read_text())
        assert named is not None
        made = set(
            re.findall(r"(?m)^m stillwell (\w+)$", (SYSTEMD / "stillwell.sysusers").read_text())
        )
        assert set(named[1].split()) == made


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An installation staged below a folder: the real script, the real packages."""
    root = tmp_path_factory.mktemp("root")
    # Stands in for the systemd of Debian 13: this machine may have that of 12.
    newer = tmp_path_factory.mktemp("bin")
    (newer / "systemctl").write_text("#!/bin/sh\necho 'systemd 257 (257.7-1)'\n")
    (newer / "systemctl").chmod(0o755)
    path = f"{newer}:{os.environ['PATH']}"
    # Compiling is left to whoever imports: most of these packages' modules nobody does. (pip takes
    # the value for the option's own, which is whether to compile.)
    more = {"STILLWELL_ROOT": str(root), "PATH": path, "PIP_NO_COMPILE": "0"}
    done = run(ROOT / "deploy/install.sh", **more)
    assert done.returncode == 0, done.stdout + done.stderr
    return root


def latest(log: list[Transition]) -> list[Transition]:
    """The latest change of each alarm."""
    return list({t.alarm: t for t in log}.values())


class TestInstall:
    def test_the_program_runs_from_its_own_environment(self, root: Path) -> None:
        done = run(root / "opt/stillwell/current/venv/bin/stillwell", "--version")
        assert done.stdout.startswith("stillwell ")

    def test_the_program_has_all_that_it_imports(self, root: Path, tmp_path: Path) -> None:
        """Without what the tests bring along: on a Pi there is none of it."""
        stillwell = root / "opt/stillwell/current/venv/bin/stillwell"
        where = (
            "--config",
            ROOT / "config/reading-room-simulated.toml",
            "--store",
            tmp_path / "db",
        )
        for command in (
            ("simulate", *where, "--days", "1"),
            ("today", *where),
            ("review", *where),
            ("heater", *where),
            ("mix", "10 L"),
            ("alarms", *where, "--report"),
        ):
            done = run(stillwell, *command, STILLWELL__SOURCE__TANK__EVERY="5 min")
            assert done.returncode == 0, done.stderr
            assert "Traceback" not in done.stderr

    def test_everything_is_in_its_place(self, root: Path) -> None:
        for path in (
            "etc/stillwell/stillwell.toml",
            "etc/systemd/system/stillwell.service",
            "etc/systemd/system/stillwell@.service",
            "etc/systemd/system/stillwell-page.service",
            "etc/systemd/system/stillwell-page.socket",
            "etc/stillwell/tanks",
            "etc/udev/rules.d/99-stillwell.rules",
            "opt/stillwell/current/share/README.md",
            "opt/stillwell/current/share/config/first-weeks.md",
            "opt/stillwell/current/share/config/sample-mqtt.toml",
            "var/lib/stillwell",
        ):
            assert (root / path).exists(), path

    def test_the_service_of_a_further_tank_is_the_same_but_for_its_settings(
        self, root: Path, tmp_path: Path
    ) -> None:
        made = root / "etc/systemd/system/stillwell@.service"
        one, other = keys(UNIT), keys(made)
        differ = {name for name in one if one[name] != other[name]}
        assert differ == {"Description", "ExecStart", "LoadCredential"}
        assert other["ExecStart"][0].endswith(" run --config /etc/stillwell/tanks/%i.toml")
        assert other["LoadCredential"] == ["stillwell:/etc/stillwell/tanks/%i.credentials"]
        unit = tmp_path / "stillwell@nursery.service"
        program = "/opt/stillwell/current/venv/bin/stillwell"
        unit.write_text(made.read_text().replace(program, sys.executable))
        done = run("systemd-analyze", "verify", "--man=no", unit)
        assert (done.returncode, done.stdout + done.stderr) == (0, "")

    DOCUMENTS: ClassVar = [
        ROOT / "README.md",
        *(p for d in ("config", "daemon", "deploy") for p in (ROOT / d).rglob("*.md")),
    ]

    def test_what_the_documents_and_the_samples_point_to_is_there(self, root: Path) -> None:
        samples = (path for path in (ROOT / "config").iterdir() if path.suffix != ".md")
        texts = (path.read_text() for path in (*self.DOCUMENTS, *samples))
        named = {
            place for text in texts for place in re.findall(r"/(opt/stillwell/[\w./-]+\w)", text)
        }
        assert any(place.endswith("sample-mosquitto.acl") for place in named)
        assert [place for place in named if not (root / place).exists()] == []
        unit = (SYSTEMD / "stillwell.service").read_text()
        assert all((root / place).exists() for place in re.findall(r"file:///(\S+)", unit))

    def test_documents_are_read_there_with_what_they_link_to(self, root: Path) -> None:
        share = (root / "opt/stillwell/current/share").resolve()
        for path in self.DOCUMENTS:
            copy = share / path.relative_to(ROOT)
            assert copy.read_text() == path.read_text()
            for link in re.findall(r"\]\((?!https:)([\w./-]+)", path.read_text()):
                target = (copy.parent / link).resolve()
                if target.relative_to(share).parts[0] in ("config", "daemon", "deploy"):
                    assert target.exists(), (path.name, link)

    def test_the_packages_are_those_of_the_lock(self, root: Path) -> None:
        python = root / "opt/stillwell/current/venv/bin/python"
        done = run(python, "-m", "pip", "freeze", "--all", "--exclude", "stillwell")
        has = {re.sub(r"[-_.]+", "-", line).lower() for line in done.stdout.splitlines()}
        pinned = "".join((ROOT / f"{lock}.lock").read_text() for lock in ("build", "requirements"))
        may = {
            re.sub(r"[-_.]+", "-", pin).lower()
            for pin in re.findall(r"(?m)^[\w.-]+==[\w.]+", pinned)
        }
        assert {each for each in has - may if not each.startswith("pip==")} == set()

    def test_pauses_that_grow_come_with_the_systemd_that_knows_them(self, root: Path) -> None:
        steps = root / "etc/systemd/system/stillwell.service.d/10-restart-steps.conf"
        assert steps.read_bytes() == (SYSTEMD / "restart-steps.conf").read_bytes()

    def test_removing_keeps_configuration_and_readings(self, root: Path) -> None:
        (root / "var/lib/stillwell/tank.db").write_text("readings")
        done = run(ROOT / "deploy/install.sh", "--remove", STILLWELL_ROOT=str(root))
        assert done.returncode == 0, done.stderr
        assert not (root / "opt/stillwell").exists()
        assert not (root / "etc/systemd/system/stillwell.service").exists()
        assert not (root / "etc/systemd/system/stillwell.service.d").exists()
        assert (root / "etc/stillwell/stillwell.toml").exists()
        assert (root / "var/lib/stillwell/tank.db").exists()

    def test_an_unknown_argument_is_told(self) -> None:
        done = run(ROOT / "deploy/install.sh", "--purge", STILLWELL_ROOT="/nonexistent")
        assert done.returncode == 1
        assert "--remove" in done.stderr


class TestTry:
    @pytest.fixture
    def checkout(self, tmp_path: Path) -> Path:
        """A copy of the sources, with this environment standing in for a fresh one."""
        copy = tmp_path / "stillwell"
        names = ("daemon", "drivers", "config", "deploy", "pyproject.toml", "README.md", "LICENSE")
        for name in names:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy2(source, copy / name)
        (copy / ".venv").symlink_to(Path(sys.executable).parents[1])
        stamp = copy / ".venv" / ".stillwell-try"
        stamp.touch()
        return copy

    def test_shows_an_alarm_raised_acknowledged_and_cleared(self, checkout: Path) -> None:
        done = subprocess.run(
            ["deploy/try.sh", "--fault", "not-heating"],
            cwd=checkout,
            capture_output=True,
            text=True,
            timeout=240,
            env=os.environ | {"STILLWELL__SOURCE__TANK__EVERY": "1 min"},
        )
        assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
        assert "400 TIMES AS FAST" in done.stdout
        assert "Night of" in done.stdout
        assert "raised, acknowledged, cleared" in done.stdout
        assert "Traceback" not in done.stdout + done.stderr
        with StoreReader.open(checkout / ".try" / "reading-room.db") as reader:
            log = reader.transitions()
        events = [t.event for t in log if t.alarm == "heater.not-heating"]
        # In which order, and whether the band is left at all, hangs on the hour of the day at which
        # this runs; the catalogue of faults holds what must and what must not sound.
        assert events[0] == "raise"
        assert {"acknowledge", "clear"} <= set(events)
        assert not [t for t in latest(log) if t.active]
        assert "the plain band (water.low)" in done.stdout

    def test_the_commands_that_it_shows_work(self, checkout: Path) -> None:
        script = (checkout / "deploy/try.sh").read_text(encoding="utf-8")
        shown = re.findall(r"^ {5}((?:export|stillwell) .*)$", script, re.MULTILINE)
        assert len(shown) == 5
        config = checkout / "tank.toml"
        text = (checkout / "config/reading-room-simulated.toml").read_text()
        text = re.sub(r"(?m)^path = .*$", 'path = "tank.db"', text)
        config.write_text(text.replace('every = "30 s"', 'every = "5 min"'))
        simulated = call("simulate", "--config", config, "--days", "1")
        assert simulated.exit_code == 0, simulated.output
        # As the script prints it: what it does not quote is filled in.
        place = shown[0].replace("$PWD", str(checkout)).replace("$config", str(config))
        place = place.replace("\\$PATH", "$PATH")
        for line in shown[1:]:
            done = subprocess.run(
                ["bash", "-c", f"{place}\n{line}"],
                cwd=checkout,
                env={"PATH": "/usr/bin:/bin"},
                capture_output=True,
                text=True,
            )
            assert done.returncode == 0, f"{line}: {done.stdout}{done.stderr}"

    def test_goes_on_live_until_it_is_stopped(self, checkout: Path) -> None:
        told = checkout / "notify"
        with (
            (checkout / "out").open("w") as out,
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard,
        ):
            heard.bind(str(told))
            heard.settimeout(120)
            process = subprocess.Popen(
                ["deploy/try.sh"],
                cwd=checkout,
                stdout=out,
                stderr=out,
                env=os.environ
                | {"NOTIFY_SOCKET": str(told), "STILLWELL__SOURCE__TANK__EVERY": "5 min"},
            )
            try:
                while b"READY=1" not in heard.recv(4096):
                    pass
                assert process.poll() is None
                process.send_signal(signal.SIGTERM)
                assert process.wait(60) == 0
            finally:
                process.kill()
        said = (checkout / "out").read_text()
        assert "live now" in said
        assert "stop with Ctrl-C" in said
        assert str(checkout / ".try/reading-room.db") in said

    def test_lists_the_faults(self, checkout: Path) -> None:
        done = subprocess.run(
            ["deploy/try.sh", "--faults"], cwd=checkout, capture_output=True, text=True
        )
        assert "not-heating" in done.stdout
