"""The line with which every screen that shows the tank begins: whether anybody watches it."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import typer

from stillwell.cli.called import call
from stillwell.cli.options import EXIT_WRONG, fail
from stillwell.watching import EXIT_UNWATCHED, KEY, RUN, Run, Signs, Watch, Watching, watching

if TYPE_CHECKING:
    from stillwell.review_plan import ReviewPlan
    from stillwell.store import StoreReader

EPILOG = (
    f"Ends with {EXIT_UNWATCHED}, after all that is known has been shown, when nobody watches the "
    "tank. A replay or a simulation has no tank: it ends with 0."
)
"""The help text of each command that begins with the line."""
UNIT = Path("/etc/systemd/system/stillwell.service")
"""The unit file of the service, where it is installed."""
NOTHING_THEN = "No alarm stood when the tank was last watched."
STYLE = {Watch.ON: "green", Watch.NO_TANK: "dim"}


def look(reader: StoreReader) -> Watching:
    """Returns whether anybody watches the tank of a store. Raises `StoreError`."""
    from stillwell.run.restarts import KEY as STARTS
    from stillwell.store import is_held, moved_ms

    run = kept_run(reader)
    signs = Signs(
        held=is_held(reader.path),
        moved_ms=moved_ms(reader.path),
        ran=run is not None or reader.described(STARTS) is not None,
        fast=run is not None and run.fast,
        began_ms=None if run is None else reader.utc_ms(run.began),
        newest_ms=reader.newest_ms(),
    )
    return watching(signs, time.time_ns() // 1_000_000)


@contextmanager
def watched_screen(path: Path, *, as_json: bool) -> Iterator[Watching]:
    """Begins a screen about the store at `path` with the line, on standard error if standard output
    is for programs, and ends the command with `EXIT_UNWATCHED` when nobody watches.
    """
    from stillwell.store import StoreDamaged, StoreError, StoreMissing, StoreReader, is_held

    try:
        with StoreReader.open(path) as reader:
            found = look(reader)
            reader.check()
            plan = kept_plan(reader)
    except StoreMissing as missing:
        line = words(Watching(Watch.NEVER), UTC)
        fail(line, str(missing), code=EXIT_UNWATCHED)
    except StoreDamaged as error:
        runs = is_held(path)
        start = "" if runs else f"NOT WATCHING: {start_command()}\n"
        fail(f"{start}{error}", code=EXIT_WRONG if runs else EXIT_UNWATCHED)
    except StoreError as error:
        fail(str(error))
    zone = ZoneInfo(plan.zone if plan else "UTC")
    tell(found, zone, as_json=as_json)
    yield found
    if found.nobody:
        raise typer.Exit(EXIT_UNWATCHED)


def kept_run(reader: StoreReader) -> Run | None:
    """Returns the newest start of a daemon, if one was kept."""
    return RUN.known(reader.described(KEY))


def kept_plan(reader: StoreReader) -> ReviewPlan | None:
    """Returns what the store knows of its tank."""
    from stillwell.review_plan import PLAN, PLAN_KEY

    return PLAN.known(reader.described(PLAN_KEY))


def tell(found: Watching, zone: tzinfo, *, as_json: bool) -> None:
    """Prints the line."""
    from rich.text import Text

    from stillwell.cli.console import say, stderr

    style = STYLE.get(found.watch, "bold red")
    line = words(found, zone)
    say(Text(line, style=style), hanging=2, to=stderr() if as_json else None)


def words(found: Watching, zone: tzinfo) -> str:
    """Returns the line: ``NOT WATCHING since Tue 24 Nov 11:14: sudo systemctl enable --now
    stillwell``"""
    from stillwell.cli.written import seconds_in_words

    since = ""
    if found.since_ms is not None:
        since = f" since {datetime.fromtimestamp(found.since_ms / 1000, zone):%a %d %b %H:%M}"
    start = start_command()
    ahead = ""
    if found.ahead_ms:
        by = seconds_in_words(found.ahead_ms / 1000)
        ahead = (
            f" The newest reading is {by} ahead of this clock: one of the two is wrong. Look at: "
            "timedatectl"
        )
    match found.watch:
        case Watch.ON if found.fast:
            return f"Watched{since}: a demonstration, whose clock runs fast."
        case Watch.ON:
            return f"Watched{since}.{ahead}"
        case Watch.HANGS:
            again = (
                "sudo systemctl restart stillwell"
                if start.startswith("sudo")
                else f"End it, then: {start}"
            )
            return f"NOT WATCHING{since}: the daemon is there, but hangs. {again}{ahead}"
        case Watch.OFF:
            return f"NOT WATCHING{since}: {start}{ahead}"
        case Watch.NEVER:
            return f"NOT WATCHING: stillwell has never run with this store. {start}"
        case Watch.NO_TANK:
            until = since.replace("since", "up to")
            return f"A replay or a simulation{until}: no tank is watched with this store."


def start_command() -> str:
    """Returns the command that starts watching: that of the service, if it is installed and nothing
    else is meant."""
    elsewhere = call().given or os.environ.get("STILLWELL_CONFIG")
    if elsewhere or not UNIT.exists():
        return "stillwell run"
    return "sudo systemctl enable --now stillwell"
