"""The README's walk from an empty glass box to the first animals, run as it stands there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

ROOT = Path(__file__).parents[2]
HEADING = "## From an empty glass box to the first animals\n"
MARK = "#### "


def lines() -> list[str]:
    """The indented lines of the section, in order."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    section = text.split(HEADING, 1)[1].split("\n## ", 1)[0]
    return re.findall(r"^ {4}(\S.*)$", section, re.MULTILINE)


def walk(folder: Path, more: Mapping[str, str]) -> list[tuple[str, str]]:
    """Runs each line in one shell, with `folder` for its files and `more` in its environment.

    Returns each line with what it said. A line that fails ends the shell.
    """
    script = "".join(f"echo '{MARK}{number}'\n{line}\n" for number, line in enumerate(lines()))
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    environ = {k: v for k, v in os.environ.items() if not k.startswith("STILLWELL")}
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", script],
        cwd=ROOT,
        env=environ | {"PATH": path, "TMPDIR": str(folder)} | dict(more),
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    parts = re.split(rf"^{MARK}(\d+)\n", done.stdout, flags=re.MULTILINE)
    found = [(lines()[int(n)], out) for n, out in zip(parts[1::2], parts[2::2], strict=True)]
    assert done.returncode == 0, f"{found[-1][0]}\n{done.stderr}"
    return found
