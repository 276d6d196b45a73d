"""The walk of config/first-weeks.md, from an empty glass box to the first animals, run as it is."""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Mapping
from contextlib import chdir
from pathlib import Path
from unittest.mock import patch

from command_line import ROOT
from command_line import call as carried_out
from stillwell.cli.called import call

GUIDE = ROOT / "config" / "first-weeks.md"
SAYS = r"""
stillwell() { printf '%s\0' "#$number" "$@"; }
end() { printf '#\0'; env -0; }
trap end EXIT
"""
"""Makes the shell say, separated by NUL, which line calls stillwell with which arguments, and at
last its environment."""


def lines() -> list[str]:
    """Returns its indented lines, in order."""
    return re.findall(r"^ {4}(\S.*)$", GUIDE.read_text(encoding="utf-8"), re.MULTILINE)


def walk(folder: Path, more: Mapping[str, str]) -> list[tuple[str, str]]:
    """Runs each line as one shell reads them, with `folder` for its files and `more` in its
    environment. The commands themselves are carried out in this process, because to start each
    takes longer than what it does.

    Returns each line with what it said. A line that fails ends the walk.
    """
    script = SAYS + "".join(f"number={number}\n{line}\n" for number, line in enumerate(lines()))
    environ = {k: v for k, v in os.environ.items() if not k.startswith("STILLWELL")}
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", script],
        cwd=ROOT,
        env=environ | {"TMPDIR": str(folder)} | dict(more),
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode == 0, done.stderr
    calls, _, ended = done.stdout.rpartition("#\0")
    environ = dict(pair.split("=", 1) for pair in ended.split("\0") if pair)
    said = dict.fromkeys(range(len(lines())), "")
    with chdir(ROOT), patch.dict(os.environ, environ, clear=True):
        for one in re.split(r"(?:^|(?<=\0))#(?=\d+\0)", calls)[1:]:
            number, *arguments = one.split("\0")[:-1]
            call.cache_clear()
            result = carried_out(*arguments)
            assert result.exit_code == 0, f"{lines()[int(number)]}\n{result.output}"
            said[int(number)] += result.stdout
    return [(line, said[number]) for number, line in enumerate(lines())]
