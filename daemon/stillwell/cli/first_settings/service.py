"""The machine around the settings: its time zone, and the service that watches."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

from stillwell.settings import DEFAULT_PATH

_LOCAL_TIME = Path("/etc/localtime")
_ZONES = "zoneinfo/"
_UNIT = "stillwell.service"
_WITHIN_S = 90.0


def zone_here() -> str:
    """Returns the time zone to which this machine is set; ``Etc/UTC`` if it does not say."""
    named = os.environ.get("TZ", "").lstrip(":")
    if "/" in named and not named.startswith("/"):
        return named
    _, _, zone = os.path.realpath(_LOCAL_TIME).partition(_ZONES)
    return zone or "Etc/UTC"


def can_start(settings: Path) -> bool:
    """Whether this user may start the service, and it takes these settings."""
    if settings != DEFAULT_PATH or os.geteuid() != 0 or not Path("/run/systemd/system").is_dir():
        return False
    return not _systemctl("cat", _UNIT)


def start() -> str:
    """Starts the service, now and after each start of the machine, or starts it anew; returns what
    went wrong, or an empty text."""
    return _systemctl("enable", _UNIT) or _systemctl("restart", _UNIT)


def _systemctl(*words: str) -> str:
    try:
        done = subprocess.run(
            ["systemctl", "--no-pager", *words],
            check=False,
            capture_output=True,
            text=True,
            timeout=_WITHIN_S,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        return str(error)
    return "" if done.returncode == 0 else done.stderr.strip() or "systemctl failed"
