"""Asks questions on the terminal, line by line: nothing moves or is drawn over, so that a screen
reader can follow."""

from __future__ import annotations

import select
import sys
import time
from collections.abc import Callable, Mapping
from typing import TypeVar

import typer

from stillwell.cli.console import say
from stillwell.cli.options import fail
from stillwell.commissioning.question import Question
from stillwell.settings.setting_error import SettingError
from stillwell.units import UnitError

T = TypeVar("T")

LONGEST_LOOK_S = 180.0
"""How long a person may take to lift a float or warm a probe."""


class Talk:
    """One conversation.

    Args:
        given: answers by option, as in ``{"--volume": "68 L"}``.
        asks: false: nobody is there, and every question has its usual answer.
    """

    def __init__(self, given: Mapping[str, str], *, asks: bool) -> None:
        self._given = given
        self.asks = asks

    def by_option(self, question: Question[T]) -> T:
        """Returns what an option says, or what is usual where nobody is asked. Ends the command
        where that is refused, as what stands in the file may be."""
        usual = question.usual if question.unasked is None else question.unasked
        try:
            return question.read(self._given.get(question.option, usual))
        except (SettingError, UnitError) as error:
            fail(f"{question.option}: {error.what}", error.do)

    def ask(self, question: Question[T]) -> T:
        """Returns what was answered: by option, by the person, or the usual. Ends the command where
        an option is refused."""
        if not self.asks or not question.asks or question.option in self._given:
            return self.by_option(question)
        say(f"\n{question.asks}")
        while True:
            answer = _line(f"[{question.usual}]: ") or question.usual
            try:
                return question.read(answer)
            except (SettingError, UnitError) as error:
                say(f"{error.what} {error.do}")

    def watch(self, asks: str, look: Callable[[], T | None], every_s: float) -> T | None:
        """Returns what `look` returns first, looking again and again; None if the person presses
        Enter before that, waits for too long, or is not there."""
        if not self.asks:
            return None
        say(f"\n{asks}")
        until = time.monotonic() + LONGEST_LOOK_S
        while time.monotonic() < until:
            found = look()
            if found is not None:
                return found
            if select.select([sys.stdin], [], [], every_s)[0]:
                _line("")
                return None
        return None


def _line(prompt: str) -> str:
    """Returns the line that was typed, without blanks at its ends. Ends the command where the input
    has ended."""
    typer.echo(prompt, nl=False)
    line = sys.stdin.readline()
    if not line:
        typer.echo()
        fail(
            "The input has ended before all was answered. Nothing was written.",
            "Answer by options and add --defaults, which asks nothing: stillwell init --help",
        )
    return line.strip()
