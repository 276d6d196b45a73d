"""Log lines as systemd's journal takes them: a priority in front of each, as sd-daemon(3) says, by
which ``journalctl -p warning`` finds them."""

from __future__ import annotations

import logging
import os
from collections.abc import Mapping
from typing import IO, Any

_PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
_DEBUG = 7


def leads_to_journal(stream: IO[Any], environ: Mapping[str, str] = os.environ) -> bool:
    """Whether what is written there is read by the journal: ``$JOURNAL_STREAM`` holds device and
    inode of what systemd has connected to it (systemd.exec(5))."""
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return environ.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"


class JournalLines(logging.Formatter):
    """The message without time and level, which the journal keeps for itself. One of several lines,
    as a traceback, has its priority on each."""

    def __init__(self) -> None:
        super().__init__("%(message)s")

    def format(self, record: logging.LogRecord) -> str:
        priority = next((p for level, p in _PRIORITIES if record.levelno >= level), _DEBUG)
        lines = super().format(record).splitlines() or [""]
        return "\n".join(f"<{priority}>{line}" for line in lines)
