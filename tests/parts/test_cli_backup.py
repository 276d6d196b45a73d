"""`stillwell backup` and `restore`: what they say, and the line for every week."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pytest

from command_line import ROOT, STILLWELL, call, json_lines, tank
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store
from stillwell.store.lock import WriterLock

NOON = 1_767_268_800_000  # 2026-01-01T12:00:00Z


@pytest.fixture
def config(tmp_path: Path) -> Path:
    with Store.open(tmp_path / "tank.db") as store:
        at = Moment(0, NOON, store.begin_epoch("boot", Moment(0, NOON), True))
        store.put([Reading("water-a", at, 25.3, Flag.PASS)])
    return tank(tmp_path)


def test_there_and_back(config: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    said = call("backup", "-c", config, copy).stdout
    assert "every page of it was looked through" in said
    assert "last reading is of Thu 01 Jan 2026 12:00" in said
    [told] = json_lines(call("backup", "-c", config, copy, "--force", "--json"))
    assert told == {
        "file": str(copy),
        "size_bytes": copy.stat().st_size,
        "schema": told["schema"],
        "newest": "2026-01-01T12:00:00Z",
    }
    back = call("restore", "-c", config, copy)
    [aside] = tmp_path.glob("tank.db.replaced-*")
    assert f"kept as {aside}" in back.stdout
    assert "systemctl start stillwell" in back.stdout
    [told] = json_lines(call("restore", "-s", tmp_path / "new.db", copy, "--json"))
    assert (told["store"], told["aside"]) == (str(tmp_path / "new.db"), None)


@pytest.mark.parametrize(
    ("target", "says"),
    [
        ("tank.db", "is the store itself"),
        ("tank.db-wal", "is the store itself"),
        (".tank.db.lock", "is the store itself"),
        ("linked.db", "is the store itself"),
        (".", "is a directory. Name a file in it"),
        ("/dev/full", "is no file on a disk"),
        ("tank.toml", "exists already"),
        ("nowhere/copy.db", "mount the disk that it is on"),
    ],
)
def test_what_can_be_no_backup_is_told(
    config: Path, tmp_path: Path, target: str, says: str
) -> None:
    (tmp_path / "linked.db").hardlink_to(tmp_path / "tank.db")
    force = [] if target == "tank.toml" else ["--force"]
    result = call("backup", "-c", config, tmp_path / target, *force)
    assert result.exit_code == 2
    assert says in " ".join(result.stderr.split())


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ("none.db", "There is no file"),
        (".", "is a directory"),
        ("tank.db", "is the store itself"),
        ("tank.toml", "is not a store of stillwell. It is left as it is. Name a backup"),
        ("/dev/null", "is no plain file"),
        ("empty.db", "holds no store"),
    ],
)
def test_what_is_no_backup_is_not_put_back(
    config: Path, tmp_path: Path, source: str, says: str
) -> None:
    before = (tmp_path / "tank.db").read_bytes()
    (tmp_path / "empty.db").touch()
    result = call("restore", "-c", config, tmp_path / source)
    assert result.exit_code == 2
    assert says in " ".join(result.stderr.split())
    assert (tmp_path / "tank.db").read_bytes() == before


def test_a_daemon_that_runs_is_to_be_stopped_first(config: Path, tmp_path: Path) -> None:
    call("backup", "-c", config, tmp_path / "copy.db")
    lock = WriterLock(tmp_path / "tank.db")
    lock.take()
    result = call("restore", "-c", config, tmp_path / "copy.db")
    lock.release()
    assert result.exit_code == 2
    assert "systemctl stop stillwell" in result.stderr


def test_the_line_for_every_week_works_as_cron_runs_it(config: Path, tmp_path: Path) -> None:
    text = (ROOT / "deploy" / "README.md").read_text(encoding="utf-8")
    [line] = re.findall(r"^ {4}(echo .*) \| sudo tee /etc/cron\.d/[a-z-]+$", text, re.MULTILINE)
    entry = subprocess.run(["bash", "-c", line], capture_output=True, text=True).stdout
    *when, user, command = entry.rstrip("\n").split(" ", 6)
    assert (when, user) == (["30", "4", "*", "*", "1"], "stillwell")
    assert "%" not in command, "cron makes a newline of it"
    command, made = re.subn("/usr/local/bin/stillwell", str(STILLWELL), command)
    command = command.replace("/mnt/stick", str(stick := tmp_path / "stick"))
    command = command.replace("logger -t stillwell-backup", "cat")
    assert made == 1
    stick.mkdir()
    environ = {"PATH": "/usr/bin:/bin", "HOME": "/", "STILLWELL_CONFIG": str(config)}

    def weekly() -> str:
        return subprocess.run(
            ["/bin/sh", "-c", command], env=environ, capture_output=True, text=True
        ).stdout

    assert "is not a mountpoint" in weekly()
    assert not list(stick.iterdir()), "it would fill the card"
    if os.geteuid() == 0 and _mounted(stick):
        try:
            for _ in range(2):
                assert "is a whole backup" in weekly()
        finally:
            subprocess.run(["umount", "-l", str(stick)], check=True)


def _mounted(at: Path) -> bool:
    command = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(at)]
    return subprocess.run(command, capture_output=True).returncode == 0
