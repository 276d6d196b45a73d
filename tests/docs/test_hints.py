"""Every command that a screen or an error names works when it is pasted where it was printed: in a
shell that does not find stillwell by its name, with a configuration that only an option names."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
from pathlib import Path

import pytest

from command_line import ROOT, STILLWELL, call
from stillwell.cli import called

SCREENS = (
    "status",
    "today",
    "today --forecast",
    "review",
    "review --last 2",
    "alarms",
    "alarms --report",
    "heater",
    "warm-up",
    "book",
    "sinks",
    "check --no-notice",
    "mix 0 L",
    "mix 10 L --reads '30 ppt'",
    "ack",
    "ack water.low",
    "shelve water.low --for '1 h'",
    "drill",
    "note",
    "note pour",
    "note --import x --list",
    "note salinity 35 ppt --salt",
    "simulate --fault rain",
    "backfill nobody",
)
STARTS = ("run", "drill", "check")
"""Commands that would go on, or wait: of these only the options are tried."""
NOT_UNDERSTOOD = ("Usage:", "No such", "not found", "There is no store", "/etc/stillwell")


PLACEHOLDER = re.compile(r"\b[A-Z]{3,}\b")
SHELL = re.compile(r"[$`|&;<>()*?\[#~!{\\]")


def commands(said: str) -> set[str]:
    """What somebody would paste: from the program to the end of the line, of the sentence, of the
    quotation; without what stands for a name of one's own."""
    found = re.findall(r"(?m)(?:[\w./-]*/)?stillwell [a-z].*$", said)
    cut = (re.split(r"`|\. |, |; | \(|\)|\.?$", line)[0].strip() for line in found)
    return {line for line in cut if line and not PLACEHOLDER.search(line)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With a tank, and the program as somebody finds it who has only this folder."""
    folder = tmp_path_factory.mktemp("hints")
    text = (ROOT / "config/reading-room-simulated.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^path = .*$", 'path = "tank.db"', text)
    text = text.replace('every = "30 s"', 'every = "5 min"')
    (folder / "my tank.toml").write_text(text, encoding="utf-8")
    (folder / "stillwell").symlink_to(STILLWELL)
    done = call("simulate", "--config", folder / "my tank.toml", "--days", "1")
    assert done.exit_code == 0, done.output
    return folder


def pasted(line: str, folder: Path) -> tuple[int, str]:
    """How a line ends that somebody pastes in this folder, and what it says. One that a shell reads
    as words alone is carried out in this process, because to start it takes longer."""
    if not SHELL.search(line):
        program, *words = shlex.split(line)
        if "/" not in program or not (folder / program).samefile(STILLWELL):
            return 127, f"{program}: not found"
        done = call(*words)
        return done.exit_code, done.output
    kept = {name: value for name, value in os.environ.items() if "STILLWELL" not in name}
    ran = subprocess.run(
        ["bash", "-c", line],
        cwd=folder,
        env=kept | {"PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        timeout=120,
    )
    return ran.returncode, ran.stdout + ran.stderr


def test_every_command_that_is_printed_works_where_it_is_printed(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    monkeypatch.setattr(called.call(), "program", "./stillwell")
    printed: dict[str, str] = {}
    for screen in SCREENS:
        command, *rest = shlex.split(screen)
        for line in commands(call(command, "--config", "my tank.toml", *rest).output):
            printed.setdefault(line, screen)
    assert len(printed) >= 5, printed
    wrong = {}
    for line, screen in printed.items():
        starts = any(f"stillwell {command}" in line for command in STARTS)
        code, said = pasted(f"{line} --help" if starts else line, folder)
        if not (starts and code == 0) and (
            code > 2 or any(word in said for word in NOT_UNDERSTOOD)
        ):
            wrong[line] = (screen, said[-400:])
    assert not wrong
