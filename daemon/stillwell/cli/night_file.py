"""Draws one night into a file, as a process of its own beside a daemon: ``python -m
stillwell.cli.night_file STORE EVENING UNITS FILE``.

It gives way to everything else on the machine: it runs at a lower priority than the daemon, is the
first process that the kernel ends when memory runs out, and its memory is limited.
"""

from __future__ import annotations

import datetime as dt
import os
import resource
import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import typer

MOST_BYTES = 160 * 1024 * 1024
"""The most bytes of data; matplotlib with three charts takes 126 MB, of which it touches half
(measured on x86-64)."""


def draw(store: Path, evening: dt.date, units: str, file: Path) -> None:
    """Draws the night that began on `evening`. Ends the process with a sentence if it can't."""
    from stillwell.cli import night_chart
    from stillwell.cli.options import reporting_store_errors, store_and_plan
    from stillwell.morning import review_of
    from stillwell.store import StoreReader
    from stillwell.units import System

    _, kept = store_and_plan(None, store)
    plan = replace(kept, units=System(units))
    with reporting_store_errors(), StoreReader.open(store) as reader:
        night_chart.draw(reader, plan, review_of(reader, plan, plan.of(evening)), file)


def _give_way() -> None:
    with suppress(OSError):
        # Not the lowest priority: beside a busy neighbour it would not finish within its time.
        os.nice(10)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000")
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_DATA, (MOST_BYTES, MOST_BYTES))


if __name__ == "__main__":
    _give_way()
    try:
        draw(Path(sys.argv[1]), dt.date.fromisoformat(sys.argv[2]), sys.argv[3], Path(sys.argv[4]))
    except typer.Exit as over:
        sys.exit(over.exit_code)
