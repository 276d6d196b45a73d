"""The consoles on which people read: rich's, made when first needed."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any, TextIO

from stillwell.cli.called import GLUE, call
from stillwell.notice import Priority, State
from stillwell.shown import plain

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

    from stillwell.cli.printed import Quantity

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
    from stillwell.cli.plain_console import PlainConsole

    return PlainConsole(highlight=False)


@cache
def stderr() -> Console:
    from stillwell.cli.plain_console import PlainConsole

    return PlainConsole(stderr=True, highlight=False)


def want_json(wanted: bool) -> bool:
    """Makes everything that this command prints JSON: see `printed`."""
    call().json = wanted
    return wanted


def wants_json() -> bool:
    """Whether the command was called with ``--json``."""
    return call().json


def say(text: Text | str, *, indent: int = 0, hanging: int = 0, to: Console | None = None) -> None:
    """Prints a paragraph: wrapped on a terminal, on one line in a file, which people search line by
    line. Beside JSON it is a remark on standard error.

    Args:
        indent: spaces before every line; `hanging`: more of them before all but the first.
        to: where to print; standard output by default.
    """
    from rich.text import Text

    out = stdout() if to is None else to
    if wants_json():
        print_json({"remark": _as_typed(text)}, to=sys.stderr)
        return
    text = call().again(Text(text) if isinstance(text, str) else text)
    if not out.is_terminal:
        for line in text.split("\n"):
            line.plain = line.plain.replace(GLUE, " ")
            out.print(Text(" " * indent).append_text(line), soft_wrap=True)
        return
    lines = text.wrap(out, max(20, out.width - indent - hanging))
    for number, line in enumerate(lines):
        line.rstrip()
        line.plain = line.plain.replace(GLUE, " ")
        margin = indent + (hanging if number else 0)
        out.print(Text(" " * margin).append_text(line), soft_wrap=True)


@contextmanager
def progress(what: str, *, quiet: bool) -> Iterator[Callable[[int, int], None]]:
    """A context with a bar on standard error; yields what moves it, by how much is done and how
    much there is in all."""
    from rich.progress import Progress

    quiet = quiet or not stderr().is_terminal
    bar: Any = Progress(console=stderr(), transient=True, disable=quiet, redirect_stdout=False)
    with bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=max(total, 1))


def quantity(value: float | None, unit: str) -> Quantity | None:
    """Returns a number with its unit, for `print_json`."""
    return None if value is None else {"value": value, "unit": unit}


def say_error(what: str, do: str = "") -> None:
    """Prints on standard error what is wrong, and what to do about it."""
    from rich.text import Text

    if wants_json():
        print_json({"error": _as_typed(what), "do": _as_typed(do)}, to=sys.stderr)
    else:
        say(Text.assemble((what, "bold red"), f"\n{do}" if do else ""), to=stderr())


def _as_typed(text: Text | str) -> str:
    """Returns the text with its commands as they have to be typed here."""
    from rich.text import Text

    return call().again(Text(text) if isinstance(text, str) else text).plain.replace(GLUE, " ")


def print_json(value: Any, to: TextIO | None = None) -> None:
    """Prints one JSON value on one line: whoever reads line by line need not wait for the end.

    Args:
        value: in the form that `printed` has for the command; times by `rfc3339`.
        to: where to print; standard output by default.
    """
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if not text.isprintable():  # the same value, with what a terminal obeys as \u001b
        text = "".join(c if plain(c) == c else json.dumps(c)[1:-1] for c in text)
    out = sys.stdout if to is None else to
    out.write(text + "\n")
    out.flush()
