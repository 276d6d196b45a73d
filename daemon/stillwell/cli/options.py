"""The options that several commands share, and how they end when something is wrong."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from stillwell.cli.called import note_file
from stillwell.cli.console import say_error, want_json

if TYPE_CHECKING:
    from stillwell.review_plan import ReviewPlan
    from stillwell.settings import Settings


def _named(
    context: typer.Context, parameter: typer.CallbackParam, file: Path | None
) -> Path | None:
    note_file(context, parameter.opts[0], file)
    return file


ConfigOption = Annotated[
    Path | None,
    typer.Option(
        "--config",
        "-c",
        help="The configuration. Default: $STILLWELL_CONFIG, else /etc/stillwell/stillwell.toml.",
        show_default=False,
        callback=_named,
    ),
]
StoreOption = Annotated[
    Path | None,
    typer.Option(
        "--store",
        "-s",
        help="The store to look at. Default: the one that the configuration names.",
        show_default=False,
        callback=_named,
    ),
]
JsonOption = Annotated[
    bool,
    typer.Option("--json", help="Print JSON, for programs.", callback=want_json, is_eager=True),
]

EXIT_WRONG = 2
"""The exit code for what the person can correct: the configuration, an argument, a missing
store."""


def fail(what: str, do: str = "", code: int = EXIT_WRONG) -> NoReturn:
    """Ends the command with a sentence on standard error, as JSON if that was asked for."""
    say_error(what, do)
    raise typer.Exit(code)


def lacks(package: str, what: str) -> NoReturn:
    """Ends the command: `what` needs a package that is not installed."""
    fail(
        f"{what} needs {package}.",
        f"Write {package} into /etc/stillwell/packages.txt, then run sudo dpkg-reconfigure "
        f"stillwell, or install.sh again; in an environment of your own: pip install {package}.",
    )


def load_settings(config: Path | None) -> Settings:
    """Returns the configuration, or ends the command after printing every fault in it."""
    from stillwell.settings import ConfigError, load

    try:
        return load(config)
    except ConfigError as error:
        fail(str(error))


def store_path(config: Path | None, store: Path | None) -> Path:
    """Returns the path of the store that is meant."""
    if store is not None:
        return store
    return load_settings(config).store_path


def store_and_settings(config: Path | None, store: Path | None) -> tuple[Path, Settings | None]:
    """Returns the path of the store that is meant, with the configuration if one is named or
    needed."""
    if store is not None and config is None:
        return store, None
    settings = load_settings(config)
    return store or settings.store_path, settings


def store_and_plan(config: Path | None, store: Path | None) -> tuple[Path, ReviewPlan]:
    """Returns the path of the store that is meant, and what a review of it looks at: from the
    configuration if one is named, else as the daemon kept it in the store itself."""
    from stillwell.review_plan import PLAN, PLAN_KEY
    from stillwell.store import StoreReader

    if config is not None or store is None:
        from stillwell.wiring.plans.review import review_plan

        settings = load_settings(config)
        return store or settings.store_path, review_plan(settings)
    with reporting_store_errors():
        reader = StoreReader.open(store)
        plan = PLAN.known(reader.described(PLAN_KEY))
        reader.close()
    if plan is None:
        fail(f"{store} says nothing of its tank.", "Name the configuration too: --config FILE.")
    return store, plan


@contextmanager
def reporting_store_errors() -> Iterator[None]:
    """Turns the store's errors into a sentence that ends the command."""
    from stillwell.store import StoreError

    try:
        yield
    except StoreError as error:
        fail(*error.words)
