"""Whether anybody watches the tank."""

from __future__ import annotations

from datetime import UTC
from pathlib import Path
from zoneinfo import ZoneInfo

from stillwell.cli.checks.point import Grade, Point
from stillwell.cli.watch_line import kept_plan, look, start_command, words
from stillwell.store import StoreError, StoreMissing, StoreReader, is_held
from stillwell.watching import Watch, Watching


def watch(path: Path) -> Point:
    """Returns the point. Before the first start there is nothing to fix: whoever installs checks
    first."""
    try:
        with StoreReader.open(path) as reader:
            found, plan = look(reader), kept_plan(reader)
    except StoreMissing:
        found, plan = Watching(Watch.NEVER), None
    except PermissionError:
        what = "Whether it watches can't be seen by this user."
        return Point("daemon", "watch", Grade.NOTE, what)
    except StoreError:  # reported where the store is checked
        if is_held(path):
            return Point("daemon", "watch", Grade.WELL, "It is there, and holds the store.")
        found, plan = Watching(Watch.OFF), None
    zone = ZoneInfo(plan.zone) if plan else UTC
    if found.watch is Watch.NEVER:
        do = f"Once all is well: {start_command()}"
        return Point("daemon", "watch", Grade.NOTE, "It has not run yet.", do)
    grade = {Watch.ON: Grade.WELL, Watch.NO_TANK: Grade.NOTE}.get(found.watch, Grade.FIX)
    grade = Grade.FIX if found.ahead_ms else grade
    return Point("daemon", "watch", grade, words(found, zone))
