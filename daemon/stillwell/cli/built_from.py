"""Which commit of the sources this program is."""

from __future__ import annotations

import subprocess
from pathlib import Path

FILE = "built_from.txt"
"""Beside this module in whatever is built: `deploy/commit_hook.py` writes it there."""
UNKNOWN = "unknown"


def commit(beside: Path = Path(__file__)) -> str:
    """Returns twelve digits of the commit, with a + where files were changed since; `UNKNOWN` where
    neither the build nor git can tell. Raises nothing.

    Args:
        beside: this module's file, or where it would be in another checkout.
    """
    try:
        return beside.with_name(FILE).read_text(encoding="ascii").strip() or UNKNOWN
    except (OSError, ValueError):
        return _from_git(beside.parents[3])


def _from_git(checkout: Path) -> str:
    if not (checkout / ".git").exists():
        return UNKNOWN
    # Without tags, so that the answer is a commit wherever the sources are.
    asks = ("describe", "--always", "--abbrev=12", "--exclude=*", "--dirty=+")
    try:
        done = subprocess.run(
            ["git", "-C", checkout, *asks],
            check=False,
            capture_output=True,
            text=True,
            timeout=10,
        )
    except (OSError, ValueError, subprocess.SubprocessError):
        return UNKNOWN
    return done.stdout.strip() or UNKNOWN
