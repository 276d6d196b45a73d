"""Where people read: rich's consoles, made when first needed."""

from __future__ import annotations

import json
import sys
from functools import cache
from typing import Any

from rich.console import Console

from stillwell.notice import Priority, State

STATE_STYLE = {
    State.NORMAL: "green",
    State.UNACKNOWLEDGED: "bold red",
    State.ACKNOWLEDGED: "red",
    State.RETURNED: "yellow",
    State.LATCHED: "bold yellow",
    State.LATCHED_ACKNOWLEDGED: "yellow",
    State.SHELVED: "dim",
    State.SUPPRESSED: "dim",
    State.OUT_OF_SERVICE: "dim",
}
PRIORITY_STYLE = {Priority.HIGH: "bold red", Priority.MEDIUM: "yellow", Priority.LOW: "cyan"}


@cache
def stdout() -> Console:
    return Console(soft_wrap=False)


@cache
def stderr() -> Console:
    return Console(stderr=True)


def print_json(value: Any) -> None:
    """One JSON value on one line: whoever reads it line by line need not wait for the end."""
    sys.stdout.write(json.dumps(value, ensure_ascii=False, allow_nan=False) + "\n")
    sys.stdout.flush()
