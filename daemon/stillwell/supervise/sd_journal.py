"""Log lines for systemd's journal: each begins with a priority, as sd-daemon(3) says, by which
``journalctl -p warning`` finds them."""

from __future__ import annotations

import logging
import os
from collections.abc import Mapping
from typing import IO, Any

_PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
_DEBUG = 7


def leads_to_journal(stream: IO[Any], environ: Mapping[str, str] = os.environ) -> bool:
    """Whether the journal reads what is written to a stream: ``$JOURNAL_STREAM`` holds device and
    inode of the stream that systemd has connected to it (systemd.exec(5))."""
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return environ.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"


class JournalLines(logging.Formatter):
    """Formats a message without time and level, which the journal adds itself. In a message of
    several lines, such as a traceback, each line has its priority."""

    def __init__(self) -> None:
        super().__init__("%(message)s")

    def format(self, record: logging.LogRecord) -> str:
        priority = next((p for level, p in _PRIORITIES if record.levelno >= level), _DEBUG)
        lines = super().format(record).splitlines() or [""]
        return "\n".join(f"<{priority}>{line}" for line in lines)
