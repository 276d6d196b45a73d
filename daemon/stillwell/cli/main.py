"""Puts the commands together. Each command imports the parts that it needs when it runs: completing
a word in the shell must not wait for a database."""

from __future__ import annotations

import os
import sys
from io import TextIOWrapper
from pathlib import Path

import typer

from stillwell import __version__
from stillwell.cli import (
    ack,
    alarms,
    backfill,
    backup,
    book,
    check,
    drill,
    export,
    heater,
    init,
    mix,
    new_driver,
    note,
    page,
    replay,
    review,
    run,
    shelve,
    simulate,
    sinks,
    status,
    today,
    warm_up,
)
from stillwell.cli.called import call
from stillwell.cli.commands import Commands
from stillwell.cli.console import say_error, want_json
from stillwell.cli.options import EXIT_WRONG
from stillwell.cli.watch_line import EPILOG
from stillwell.shown import plain

EXIT_FAULT = 70
"""EX_SOFTWARE of sysexits(3)."""
EXIT_INTERRUPTED = 130

app = typer.Typer(
    name="stillwell",
    cls=Commands,
    help="Watches a small saltwater tank: reads the probes and floats, keeps every reading, warns.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
_SCREENS = (
    status.status,
    review.review,
    today.today,
    book.book,
    warm_up.warm_up,
    heater.heater,
    alarms.alarms,
    sinks.sinks,
)
"""They begin with the line whether anybody watches."""
for command in (
    init.init,
    run.run,
    status.status,
    check.check,
    review.review,
    today.today,
    book.book,
    note.note,
    page.page,
    mix.mix,
    warm_up.warm_up,
    heater.heater,
    alarms.alarms,
    ack.ack,
    ack.reset,
    shelve.shelve,
    shelve.unshelve,
    shelve.out_of_service,
    shelve.in_service,
    drill.drill,
    sinks.sinks,
    backfill.backfill,
    export.export,
    backup.backup,
    backup.restore,
    simulate.simulate,
    replay.replay,
    new_driver.new_driver,
):
    app.command(
        epilog=EPILOG if command in _SCREENS else None,
        # A minus before a number of a note is a mistake to report, not an option.
        context_settings={"ignore_unknown_options": command is note.note},
    )(command)


def _version(wanted: bool) -> None:
    if wanted:
        from stillwell.cli.built_from import commit

        typer.echo(f"stillwell {__version__} (commit {commit()})")
        raise typer.Exit


@app.callback()
def _common(
    version: bool = typer.Option(
        False,
        "--version",
        callback=_version,
        is_eager=True,
        help="Say which version and commit this is.",
    ),
) -> None:
    """Watches a small saltwater tank: reads the probes and floats, keeps every reading, warns."""


def main() -> None:
    """The entry point. No traceback reaches a person, unless STILLWELL_DEBUG asks for it."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # on a terminal that can't show °C it becomes a ?
            stream.reconfigure(errors="replace")
    in_json = want_json("--json" in sys.argv)
    try:
        # The shell completes commands by the plain name.
        completes = "_STILLWELL_COMPLETE" in os.environ or "-completion" in "".join(sys.argv[1:2])
        name = "stillwell" if completes else call().program
        sys.exit(app(prog_name=name, standalone_mode=not in_json))
    except BrokenPipeError:
        # The reader of our output, such as `head`, has ended. What is still buffered has nowhere to
        # go.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except KeyboardInterrupt:
        sys.exit(EXIT_INTERRUPTED)
    except PermissionError as error:
        from stillwell.barred import way_in

        do = way_in(Path(error.filename)) if error.filename else "Ask with sudo."
        say_error(f"This user may not open {error.filename}.", do)
        sys.exit(EXIT_WRONG)
    except typer.Abort:
        say_error("Not done.")
        sys.exit(1)
    except Exception as error:
        if hasattr(error, "format_message"):  # what was typed is no command of ours
            say_error(error.format_message(), "Look at: stillwell --help")
            sys.exit(EXIT_WRONG)
        if os.environ.get("STILLWELL_DEBUG"):
            raise
        said = plain(" ".join(str(error).split())[:300])
        say_error(
            f"{type(error).__name__}: {said}" if said else type(error).__name__,
            "This is a fault of stillwell: run again with STILLWELL_DEBUG=1 and report it.",
        )
        sys.exit(EXIT_FAULT)
