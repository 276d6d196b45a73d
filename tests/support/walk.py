"""The walk of config/first-weeks.md, from an empty glass box to the first animals, run as it is."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "config" / "first-weeks.md"
MARK = "#### "


def lines() -> list[str]:
    """Returns its indented lines, in order."""
    return re.findall(r"^ {4}(\S.*)$", GUIDE.read_text(encoding="utf-8"), re.MULTILINE)


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
