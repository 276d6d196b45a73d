"""Puts the commands together. Parts are imported by the command that needs them, when it runs: the
completion of a word in the shell must not wait for a database."""

from __future__ import annotations

import sys

import typer

from stillwell import __version__
from stillwell.cli import (
    ack,
    alarms,
    check,
    export,
    replay,
    review,
    run,
    shelve,
    simulate,
)

app = typer.Typer(
    name="stillwell",
    help="Watches a small saltwater tank: reads the probes and floats, keeps every reading, warns.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for module in (run, check, review, alarms, ack, shelve, export, simulate, replay):
    module.add_to(app)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"stillwell {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Say which version this is."
    ),
) -> None:
    """Global options."""


def main() -> None:
    """The entry point."""
    try:
        app()
    except BrokenPipeError:
        sys.exit(0)  # somebody piped us into `head`
