"""``stillwell check``: would it work? Reads every sensor once and sends a test notice."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from contextlib import nullcontext
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stillwell.cli.console import print_json, say, stderr
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.written import seconds

if TYPE_CHECKING:
    from pathlib import Path

    from stillwell.cli.checks.point import Point
    from stillwell.settings import Settings

MARK = {"well": ("ok  ", "green"), "note": ("note", "yellow"), "fix": ("FIX ", "bold red")}
TITLE = {
    "recipient": "First of all",
    "config": "Configuration",
    "daemon": "Daemon",
    "store": "Store",
    "clock": "Clock",
    "source": "Sources",
    "channel": "Channels",
    "level": "Level",
    "alarm": "Alarms that stand",
    "sink": "Sinks",
    "hardware": "Plugged in",
}


def check(
    notice: Annotated[
        bool, typer.Option("--notice/--no-notice", help="Send a test notice to every sink.")
    ] = True,
    patience: Annotated[
        str, typer.Option(help="How long a sink may take for the test notice.")
    ] = "15 s",
    deadman: Annotated[
        bool,
        typer.Option("--deadman", help="Say how another machine can watch over this one, instead."),
    ] = False,
    only_settings: Annotated[
        bool,
        typer.Option("--settings", help="Look at the configuration only: no sensor, no sink."),
    ] = False,
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Look at everything once: configuration, store, clock, every sensor, every sink.

    While the daemon runs it holds the sensors: then its latest readings are shown, those of its
    first round if it has just begun, and the test notice goes out through it. Ends with 0 when all
    is well, with 1 when there is something to fix. With --json: ok, daemon_runs, and points, each
    with part, name, grade (well, note, fix), what, do; a channel's also with source, value, unit,
    flag, tests. With --settings and --json also settings: what is set, each with table, key, value,
    and never a secret. With --deadman and --json one object a way: way, commands, text.

    Example: stillwell check --no-notice
    """
    # What a sink or driver logs is reported below, by name.
    logging.getLogger().addHandler(logging.NullHandler())
    from stillwell.cli.checks import daemon

    patience_s = seconds(patience)
    settings = load_settings(config)
    if deadman:
        _tell_deadman(settings, as_json=as_json)
        return
    path = store or settings.store_path
    with reporting_store_errors():
        if only_settings:
            points, runs = _look_at_settings(settings, path)
        else:
            watch = daemon.watch(path)
            points, runs = _look(settings, path, watch, notice, patience_s, quiet=as_json)
    well = not any(point.grade == "fix" for point in points)
    if as_json:
        told = {"ok": well, "daemon_runs": runs, "points": [p.as_dict() for p in points]}
        if only_settings:
            told["settings"] = [asdict(one) for one in settings.given]
        print_json(told)
    else:
        _print(points)
    if not well:
        raise typer.Exit(1)


def looked(config: Path, *, quiet: bool) -> bool:
    """Looks at everything but the sinks, and prints it unless `quiet`; returns whether there is
    nothing to fix."""
    from stillwell.cli.checks import daemon

    settings = load_settings(config)
    path = settings.store_path
    with reporting_store_errors():
        points, _ = _look(settings, path, daemon.watch(path), False, 0.0, quiet=quiet)
    if not quiet:
        _print(points)
    return not any(point.grade == "fix" for point in points)


def _tell_deadman(settings: Settings, *, as_json: bool) -> None:
    from rich.text import Text

    from stillwell.cli.checks import deadman

    if as_json:
        for title, commands, more in deadman.ways(settings):
            print_json({"way": title, "commands": commands, "text": more})
        return
    say(deadman.WHY)
    for title, commands, more in deadman.ways(settings):
        say(Text(f"\n{title}", style="bold"))
        for line in commands:
            say(line, indent=4)
        say(more)


def _look_at_settings(settings: Settings, path: Path) -> tuple[list[Point], bool]:
    from stillwell.cli.checks import machine, neighbours
    from stillwell.store import is_held

    points = [*machine.configuration(settings), *neighbours.others(settings)]
    return [*points, *machine.plugins(settings)], is_held(path)


def _look(
    settings: Settings,
    path: Path,
    watch: Point,
    notice: bool,
    patience_s: float,
    *,
    quiet: bool,
) -> tuple[list[Point], bool]:
    from stillwell.acquire.clock import SystemClock
    from stillwell.cli.asking import who
    from stillwell.cli.checks import level, machine, neighbours, running, sensors, sinks
    from stillwell.store import is_held

    clock = SystemClock()
    runs = is_held(path)
    points = [*sinks.no_recipient(settings), *machine.configuration(settings)]
    points += [*neighbours.others(settings), watch]
    stored = [*machine.store(path)]
    points += [*stored, *machine.clock(clock)]
    readable = not any(point.name == "path" and point.grade == "fix" for point in stored)
    if runs and readable:
        what = "asking the daemon, and waiting for its first readings if it has just begun"
        points += _during(what, lambda: running.latest(settings, path), quiet)
    elif not runs:
        points += _during("reading the sensors", lambda: sensors.read_once(settings, clock), quiet)
    if readable:
        points += _during("looking at the level", lambda: level.calibration(settings, path), quiet)
    if notice and settings.sink and (readable or not runs):
        way: Callable[[], Iterable[Point]] = (
            (lambda: sinks.through_daemon(settings, path, who(""), patience_s))
            if runs
            else (lambda: sinks.directly(settings, clock.wall_ms(), patience_s))
        )
        points += _during("sending a test notice", way, quiet)
    points += machine.hardware(settings)
    return points, runs


def _during(what: str, look: Callable[[], Iterable[Point]], quiet: bool) -> list[Point]:
    """Returns what the look finds, with a sign of progress on standard error."""
    life: Any = nullcontext() if quiet else stderr().status(what)
    with life:
        return list(look())


def _print(points: list[Point]) -> None:
    from rich.text import Text

    for part, title in TITLE.items():
        of_part = [point for point in points if point.part == part]
        if of_part:
            say(Text(title, style="bold"))
        for point in of_part:
            word, style = MARK[point.grade.value]
            what = f"{point.what} {point.do}".rstrip()
            say(Text.assemble((word, style), f"  {point.name}: {what}"), indent=2, hanging=6)
    down = {point.name for point in points if point.part == "source" and point.grade == "fix"}
    # A source that is down takes its channels along; that is one thing to fix.
    fix = sum(p.grade == "fix" and p.facts.get("source") not in down for p in points)
    if fix:
        things = "1 thing" if fix == 1 else f"{fix} things"
        say(Text(f"{things} to fix.", style="bold red"))
    else:
        say(Text("All is well.", style="green"))
