"""Where people read: rich's consoles, made when first needed."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from functools import cache
from typing import Any

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from stillwell.cli.called import GLUE, call
from stillwell.notice import Priority, State
from stillwell.shown import plain, plain_lines

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


class PlainConsole(Console):
    """A console whose texts are plain: what a sensor, a broker or a file's name says is shown, and
    obeyed by no terminal. The styles are rich's own and stay."""

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        for segment in super().render(renderable, options):
            text, style, control = segment
            yield segment if control else Segment(plain_lines(text), style)


@cache
def stdout() -> Console:
    return PlainConsole(highlight=False)


@cache
def stderr() -> Console:
    return PlainConsole(stderr=True, highlight=False)


def say(text: Text | str, *, indent: int = 0, hanging: int = 0, to: Console | None = None) -> None:
    """Prints a paragraph: wrapped on a terminal, on one line into a file, where whoever reads it
    searches line by line.

    Args:
        indent: spaces before every line; `hanging`: more of them before all but the first.
        to: standard output without.
    """
    out = stdout() if to is None else to
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


def print_json(value: Any) -> None:
    """One JSON value on one line: whoever reads it line by line need not wait for the end."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if not text.isprintable():  # the same value, with what a terminal obeys as \u001b
        text = "".join(c if plain(c) == c else json.dumps(c)[1:-1] for c in text)
    sys.stdout.write(text + "\n")
    sys.stdout.flush()
