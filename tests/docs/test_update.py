"""Updates by the real script: killed at any moment, refused, taken back.

What is installed is our own package, built by the real pip. To be quick, two things stand in, which
test_deploy has in full: the packages that ours needs are not copied once more for each update (the
locks of these sources pin one wheel, which leads to those of the environment that tests), and an
environment gets a copy of pip's files where `python3 -m venv` would unpack them.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import sysconfig
import zipfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from far_sides import Receiver
from stillwell.watching import EXIT_UNWATCHED

ROOT = Path(__file__).parents[2]

STOPS_BEFORE = """
if [[ $0 == */install.sh ]]; then
    set -o functrace
    _number=-1
    trap '
        if ((BASH_SUBSHELL == 0)); then
            if ((_number >= 0)) || [[ $BASH_COMMAND == "switch_to "* ]]; then
                _number=$((_number + 1))
            fi
            if ((_number == ${KILL_BEFORE:--2})); then kill -KILL -- -$$; fi
        fi
    ' DEBUG
fi
"""
"""Read by bash before the script: kills all of it before command number KILL_BEFORE, counted from
the switch to the new release."""

RENAMES = 6
"""The number of the command that replaces the link to the release in use."""

PYTHON = """#!/bin/sh
if [ "$1 $2" != "-m venv" ]; then exec {real} "$@"; fi
{real} -m venv --without-pip "$3" && cp -rp {pip}/. "$3"/{below}
"""

SETTINGS = """
[tank]
name = "trial"
volume = "68 L"
zone = "Europe/Dublin"
[store]
path = "{store}"
[source.tank]
driver = "{driver}"
[source.tank.channels]
water-a = {{ sees = "water" }}
[channel.water-a]
quantity = "temperature"
"""


PUSH = """
[sink.niamh]
kind = "push"
url = "json://127.0.0.1:{port}/"
"""
CHECK = "sudo stillwell check "
START = "sudo systemctl enable --now stillwell "


def wheel(folder: Path, name: str, files: dict[str, str], entry_points: str = "") -> Path:
    """Makes a wheel that pip takes."""
    path = folder / f"{name}-1.0-py3-none-any.whl"
    info = f"{name}-1.0.dist-info"
    files = files | {
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": entry_points,
        f"{info}/RECORD": "",
    }
    with zipfile.ZipFile(path, "w") as packed:
        for inside, text in files.items():
            packed.writestr(inside, text)
    return path


def stand_in(folder: Path) -> None:
    """Makes a `python3` in the folder."""
    real = Path(sys.base_prefix, "bin", "python3")
    folder.mkdir()
    subprocess.run([real, "-m", "venv", folder / "pip"], check=True)
    [pip] = folder.glob("pip/lib/python*/site-packages")
    python = folder / "python3"
    below = pip.relative_to(folder / "pip")
    python.write_text(PYTHON.format(real=real, pip=pip, below=below))
    python.chmod(0o755)


class Machine:
    """A machine staged below a folder, with sources of its own to install from."""

    def __init__(self, folder: Path) -> None:
        self.sources = folder / "stillwell"
        self.root = folder / "root"
        self.wheels = folder / "wheels"
        for name in ("daemon", "drivers", "config", "deploy"):
            shutil.copytree(
                ROOT / name, self.sources / name, ignore=shutil.ignore_patterns("__pycache__")
            )
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copy2(ROOT / name, self.sources / name)
        self.wheels.mkdir()
        parts = wheel(self.wheels, "parts", {"parts.pth": sysconfig.get_path("purelib") + "\n"})
        pin = f"parts==1.0 \\\n    --hash=sha256:{hashlib.sha256(parts.read_bytes()).hexdigest()}\n"
        for lock in ("build.lock", "requirements.lock"):
            (self.sources / lock).write_text(pin)
        stand_in(folder / "bin")
        stops = folder / "stops"
        stops.write_text(STOPS_BEFORE)
        self.environment = os.environ | {
            "STILLWELL_ROOT": str(self.root),
            "PATH": f"{folder / 'bin'}:{os.environ['PATH']}",
            "PIP_NO_INDEX": "1",
            "PIP_FIND_LINKS": str(self.wheels),
            # Compiling is left to whoever imports. (pip takes the value for the option's own, which
            # is whether to compile.)
            "PIP_NO_COMPILE": "0",
            "PIP_CONFIG_FILE": os.devnull,
            "BASH_ENV": str(stops),
        }
        self.settings = self.root / "etc/stillwell/stillwell.toml"
        self.unit = self.root / "etc/systemd/system/stillwell.service"
        self.unit_to_install = self.sources / "deploy/systemd/stillwell.service"
        self.current = self.root / "opt/stillwell/current"
        self.store = folder / "tank.db"

    def start(self, *arguments: str, **more: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [self.sources / "deploy/install.sh", *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=self.environment | more,
            start_new_session=True,
        )

    def install(self, *arguments: str, **more: str) -> tuple[int, str]:
        """Returns how it ended and what it said."""
        with self.start(*arguments, **more) as process:
            said, _ = process.communicate()
        return process.returncode, said

    def update(self, **more: str) -> None:
        code, said = self.install(**more)
        assert code == 0, said

    def configure(self, driver: str = "simulated") -> None:
        self.settings.write_text(SETTINGS.format(store=self.store, driver=driver))

    def stillwell(self, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
        """By the link that a person's shell finds."""
        link = self.root / "usr/local/bin/stillwell"
        program = self.root / os.readlink(link).lstrip("/")
        return subprocess.run(
            [program, *arguments], capture_output=True, text=True, env=self.environment
        )

    def in_use(self) -> str:
        return os.readlink(self.current)

    def kept(self) -> set[str]:
        return {f"releases/{each.name}" for each in self.current.parent.glob("releases/*")}


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Machine:
    machine = Machine(tmp_path_factory.mktemp("machine"))
    machine.update()
    machine.configure()
    return machine


@pytest.fixture
def machine(installed: Machine) -> Iterator[Machine]:
    """A release is in use, and fits its settings."""
    yield installed
    installed.configure()


class TestUpdate:
    def test_killed_at_any_moment_it_leaves_a_program_and_a_second_run_ends_it(
        self, machine: Machine, long_run: bool
    ) -> None:
        seed = 20261128
        chance = random.Random(seed)
        machine.settings.write_text(machine.settings.read_text() + "# mine\n")
        numbers = range(100) if long_run else [RENAMES, RENAMES + 1]
        switched = []
        for number in numbers:
            before = machine.in_use()
            code, said = machine.install(KILL_BEFORE=str(number))
            self.check(machine, before, f"before command {number}")
            if code == 0:  # it has no more commands than that
                break
            assert code == -signal.SIGKILL, said
            switched.append(machine.in_use() != before)
        assert switched.index(True) == list(numbers).index(RENAMES + 1), "the rename switches"
        assert all(switched[switched.index(True) :])
        for _ in range(40 if long_run else 1):
            before = machine.in_use()
            moment = chance.uniform(0, 5)
            with machine.start() as process:
                try:
                    process.wait(moment)
                except subprocess.TimeoutExpired:
                    os.killpg(process.pid, signal.SIGKILL)
            self.check(machine, before, f"{moment:.2f} s")
        before = machine.in_use()
        machine.update()
        assert machine.kept() == {before, machine.in_use()}
        assert not list(machine.root.rglob("*.new"))
        assert machine.settings.read_text().endswith("# mine\n")

    def check(self, machine: Machine, before: str, when: str) -> None:
        assert machine.stillwell("--version").stdout.startswith("stillwell "), when
        assert machine.unit.read_text() == machine.unit_to_install.read_text()
        if machine.in_use() != before:
            assert os.readlink(machine.current / "previous") == f"../{Path(before).name}", when
            assert (machine.current / "share/README.md").exists(), when

    def test_two_at_once_are_refused(self, machine: Machine) -> None:
        before = machine.in_use()
        with (machine.root / "run/lock/stillwell-install").open("w") as held:
            fcntl.flock(held, fcntl.LOCK_EX)
            code, said = machine.install()
        assert (code, machine.in_use()) == (1, before)
        assert "another install.sh is at work" in said

    def test_a_program_that_does_not_take_the_settings_is_not_switched_to(
        self, machine: Machine
    ) -> None:
        """Such as one that lacks a driver of the keeper's own, until that is named as well."""
        before, kept = machine.in_use(), machine.kept()
        driver = "from stillwell_drivers.simulated import Simulated as Mine\n"
        point = "[stillwell.drivers]\nmine = mine_driver:Mine\n"
        wheel(machine.wheels, "mine", {"mine_driver.py": driver}, point)
        machine.configure(driver="mine")
        packages = machine.settings.with_name("packages.txt")
        code, said = machine.install()
        assert (code, machine.in_use()) == (1, before)
        assert machine.kept() <= kept
        told = "".join(said.split())
        for part in (f"{machine.settings},line", "source.tank.driver", str(packages)):
            assert part in told, said
        spare = wheel(machine.root.parent, "spare", {"spare.py": ""})
        packages.write_text(f"mine\n{spare}\n")
        try:
            machine.update()
        finally:
            packages.unlink()
        assert machine.in_use() != before
        assert machine.stillwell("check", "--settings", "-c", machine.settings).returncode == 0
        python = machine.current / "venv/bin/python"
        assert subprocess.run([python, "-c", "import spare"]).returncode == 0


class TestTheStart:
    """Staged, so that nothing is started: what would be, and what is left to do."""

    def test_waits_for_settings_of_the_keepers_own(self, machine: Machine) -> None:
        """An example that nobody has edited is that of the release in use."""
        example = machine.sources / "config/stillwell.toml"
        in_use = machine.current / "share/config/stillwell.toml"
        assert in_use.read_bytes() == example.read_bytes()
        machine.settings.write_bytes(example.read_bytes())
        text = example.read_text()
        example.write_text(text + "# of a later release\n")
        try:
            code, said = machine.install()
        finally:
            example.write_text(text)
        assert code == 0
        assert machine.settings.read_text().endswith("# of a later release\n")
        assert "nothing watches yet" in said
        assert "sudo stillwell init" in said

    def test_waits_for_a_check_that_passes(self, machine: Machine) -> None:
        machine.settings.write_text(machine.settings.read_text() + PUSH.format(port=1))
        code, said = machine.install()
        assert code == 0
        assert "FIX   niamh" in said
        assert "nothing watches yet" in said
        assert CHECK in said
        assert START in said
        assert "stillwell init" not in said
        with closing(Receiver()) as hook:
            machine.configure()
            machine.settings.write_text(machine.settings.read_text() + PUSH.format(port=hook.port))
            code, said = machine.install()
        assert code == 0
        assert "nothing watches yet" not in said
        assert "the unit is in place, nothing was started" in said


class TestRollback:
    def test_goes_back_to_the_release_and_the_store_of_before(self, machine: Machine) -> None:
        before = machine.in_use()
        assert self.write(machine).returncode == 0
        # A later version: one step more in the schema, another unit.
        schema = machine.sources / "daemon/stillwell/store/schema"
        steps = len(list(schema.glob("*.sql")))
        step = schema / f"{steps + 1:04d}_later.sql"
        step.write_text("CREATE TABLE later (x);")
        unit = machine.unit_to_install
        unit.write_text(unit.read_text() + "# later\n")
        try:
            machine.update()
        finally:
            step.unlink()
            unit.write_text(machine.unit.read_text().removesuffix("# later\n"))
        assert self.write(machine).returncode == 0
        assert self.version(machine.store) == steps + 1
        code, said = machine.install("--rollback")
        assert code == 0, said
        assert machine.in_use() == before
        assert self.version(machine.store) == steps
        looked = machine.stillwell("alarms", "-c", machine.settings)
        assert looked.returncode == EXIT_UNWATCHED, looked.stderr  # read, and nobody runs here
        [aside] = machine.store.parent.glob("tank.db.schema-*")
        assert self.version(aside) == steps + 1
        assert str(aside) in "".join(said.split())
        assert not machine.unit.read_text().endswith("# later\n")
        code, said = machine.install("--rollback")
        assert (code, machine.in_use()) == (1, before)
        assert "no earlier release" in said

    def write(self, machine: Machine) -> subprocess.CompletedProcess[str]:
        """The store as the daemon of the release in use leaves it."""
        opens = "import sys; from stillwell.store import Store; Store.open(sys.argv[1]).close()"
        python = machine.current / "venv/bin/python"
        return subprocess.run(
            [python, "-c", opens, machine.store], text=True, env=machine.environment
        )

    def version(self, store: Path) -> int:
        with closing(sqlite3.connect(store)) as db:
            return int(db.execute("PRAGMA user_version").fetchone()[0])
