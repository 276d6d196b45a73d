"""Handles what Apprise logs: takes the HTTP status out of it, and lets nothing through to our
log."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_STATUS = re.compile(r"error=(\d{3})\b")

_heard: ContextVar[list[str] | None] = ContextVar("_heard", default=None)
"""The list that collects the statuses Apprise logs during this call, on whichever thread it
works."""


class _StatusOnly(logging.Filter):
    """Takes the HTTP status out of what Apprise logs and lets none of it through: its lines may
    hold parts of a URL that are secret."""

    def filter(self, record: logging.LogRecord) -> bool:
        heard = _heard.get()
        if heard is not None:
            heard += _STATUS.findall(record.getMessage())
        return False


_TALKATIVE = ("urllib3", "urllib3.connectionpool", "requests_oauthlib")
"""Loggers below Apprise: they log the paths of requests, and with many services the path is the
key."""

_FILTER = _StatusOnly()


@contextmanager
def status_only() -> Iterator[list[str]]:
    """Keeps Apprise's log lines out of ours; yields the list of statuses that it logs meanwhile."""
    # For ever, not for this call only: another recipient's thread may be in here too.
    logging.getLogger("apprise").addFilter(_FILTER)
    for name in _TALKATIVE:
        logging.getLogger(name).setLevel(logging.ERROR)
    heard: list[str] = []
    token = _heard.set(heard)
    try:
        yield heard
    finally:
        _heard.reset(token)
