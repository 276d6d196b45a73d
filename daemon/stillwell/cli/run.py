"""``stillwell run``: the daemon, in the foreground. systemd starts it like this; so does a person
who wants to see it."""

from __future__ import annotations

import logging
import os
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from stillwell.cli.options import ConfigOption, JsonOption, StoreOption, fail

if TYPE_CHECKING:
    from stillwell.ports import Clock
    from stillwell.settings import Settings

log = logging.getLogger(__name__)


def run(
    config: ConfigOption = None,
    store: StoreOption = None,
    speed: Annotated[
        float,
        typer.Option(
            help="Let time run this many times as fast; only where every source is simulated.",
            min=1.0,
            max=1000.0,
        ),
    ] = 1.0,
    fault: Annotated[
        str, typer.Option(help="Give the simulated tank a fault, a minute from now on its clock.")
    ] = "",
    lasts: Annotated[str, typer.Option("--for", help="The fault lasts so long.")] = "",
    begun: Annotated[
        str, typer.Option(help="The simulated tank's life began then: 2026-01-31T08:00Z.")
    ] = "",
    as_json: JsonOption = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log more.")] = False,
) -> None:
    """Watch the tank until told to stop (Ctrl-C, or systemd).

    Says on standard error what it watches, where it is kept and who is told, then each change as
    it comes; on a terminal also the figures every ten minutes. Under systemd the journal has it.

    With --json one object a change on standard output: time, alarm, state, event, active,
    priority, since, text, by.

    Example: stillwell run --config /etc/stillwell/stillwell.toml
    """
    from stillwell.acquire.clock import FastClock, SystemClock, boot_id
    from stillwell.cli.faulty import only_simulated
    from stillwell.cli.run_voice import Voice
    from stillwell.settings import ConfigError
    from stillwell.store import StoreError
    from stillwell.supervise import last_settings
    from stillwell.supervise.daemon import (
        CALENDAR_S,
        EX_CONFIG,
        EX_OK,
        EX_SOFTWARE,
        EX_TEMPFAIL,
    )
    from stillwell.wiring import assemble
    from stillwell.wiring.assemble import open_store

    _log_to_stderr(verbose)
    try:
        now = last_settings.in_force(config, os.environ)
    except ConfigError as error:
        _refuse(error.faults, EX_CONFIG)
    settings = now.settings
    clock: Clock = SystemClock()
    for warning in settings.warnings:
        log.warning("%s", _in_a_line(warning))
    settings = _as_a_demo(settings, clock.wall_ms(), begun, fault, lasts)
    boot = boot_id()
    if speed != 1.0:
        only_simulated(settings, "Time can't run faster for real sensors")
        settings = _hastened(settings, speed)
        clock, boot = FastClock(clock.wall_ms(), speed), f"fast-{clock.wall_ms()}"
    try:
        opened = open_store(settings, store, watch_anyway=True)
    except StoreError as error:
        _refuse([error], EX_TEMPFAIL)
    voice = Voice(settings, opened, clock, as_json=as_json)
    voice.open()
    daemon = assemble.daemon(
        settings,
        opened,
        clock,
        boot,
        told=voice.told,
        calendar_every_s=max(1.0, CALENDAR_S / speed),
        look_s=1.0 if speed == 1.0 else 0.25,
        faults=now.faults,
    )
    try:
        last_settings.keep(now, os.environ)
    except OSError as error:
        log.warning("The settings that work can't be kept for later: %s.", error)
    daemon.handle_signals()
    if sys.stderr.isatty():
        voice.show_figures(speed)
    try:
        code = daemon.run()
    except Exception:
        log.exception("the daemon failed")
        code = EX_SOFTWARE
    voice.close(daemon.readings_taken, well=code == EX_OK)
    _leave(code)


def _leave(code: int) -> NoReturn:
    """Ends the process at once. Everything is kept by now, and the interpreter's own exit would
    wait for threads and exit handlers that a plugin may have left."""
    for stream in (sys.stdout, sys.stderr):
        with suppress(Exception):
            stream.flush()
    os._exit(code)


def _refuse(reasons: Sequence[object], code: int) -> NoReturn:
    """Ends before watching has begun, with one line per reason in the journal, or all of them for a
    person."""
    from stillwell.supervise.sd_journal import leads_to_journal

    if not leads_to_journal(sys.stderr):
        fail("\n".join(map(str, reasons)), code=code)
    for reason in reasons:
        log.error("%s", _in_a_line(reason))
    raise typer.Exit(code)


def _in_a_line(told: object) -> str:
    return " ".join(str(told).split())


def _as_a_demo(settings: Settings, now_ms: int, begun: str, fault: str, lasts: str) -> Settings:
    """Returns the settings with a simulated tank that has a past, and something wrong with it."""
    from stillwell.cli import faulty
    from stillwell.cli.written import instant_ms, seconds

    started_ms = instant_ms(begun) if begun else now_ms
    if begun:
        settings = faulty.begun_at(settings, started_ms)
    if fault:
        settings = faulty.with_fault(
            settings,
            fault,
            after_s=(now_ms - started_ms) / 1000 + 60,
            for_s=seconds(lasts) if lasts else None,
        )
    return settings


def _hastened(settings: Settings, speed: float) -> Settings:
    """Returns the settings for a clock that runs `speed` times as fast: a driver hangs in real
    seconds, so the deadlines stay the same in real time."""
    sources = {n: replace(s, deadline=s.deadline * speed) for n, s in settings.source.items()}
    return replace(settings, source=sources)


def _log_to_stderr(verbose: bool) -> None:
    """Sets up the log: the journal keeps time and priority itself; a person gets both as words."""
    from stillwell.supervise.plain_records import made_plain
    from stillwell.supervise.sd_journal import JournalLines, leads_to_journal
    from stillwell.supervise.spoken import ForPeople

    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JournalLines() if leads_to_journal(sys.stderr) else ForPeople())
    handler.addFilter(made_plain)
    logging.basicConfig(level=logging.DEBUG if verbose else logging.INFO, handlers=[handler])
    # APScheduler logs each of its jobs: one a minute, and nothing that we don't know.
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    # The supervisor sees that a thread has died; its error belongs in the log, in one place.
    threading.excepthook = lambda args: logging.getLogger("stillwell").error(
        "the thread %s has died", args.thread.name if args.thread else "?", exc_info=args.exc_value
    )
