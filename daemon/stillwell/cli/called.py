"""How this program was called: by which path, with which configuration.

Texts name commands as they are on a machine where stillwell is installed: ``stillwell today``. When
they are printed they become what works here when it is pasted, for instance ``.venv/bin/stillwell
today --config tank.toml``.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import sys
from collections.abc import Collection
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.text import Text

GLUE = "\ue000"
"""Stands for a blank where a line must not be broken."""
_NAMED = re.compile(r"(?<![\w/.-])stillwell ([a-z][a-z-]*)\b(?! *[=:(])")
_SAID = {"--config": re.compile(r"\s(--config|-c)\b"), "--store": re.compile(r"\s(--store|-s)\b")}


@dataclass(slots=True)
class Call:
    """One call of the program."""

    program: str
    """The program as it has to be typed here."""
    given: dict[str, Path] = field(default_factory=dict)
    """The files that were named, by option."""
    takes: dict[str, Collection[str]] = field(default_factory=dict)
    """All commands, each with its options."""
    json: bool = False
    """Whether it was asked for JSON."""

    def again(self, text: Text) -> Text:
        """Returns the text with every command in it as it works here, with `GLUE` for the blanks in
        a command."""
        if self.program == "stillwell" and not self.given:
            return text
        for named in reversed(list(_NAMED.finditer(text.plain))):
            command = named[1]
            if command not in self.takes:
                continue
            rest = text.plain[named.end() :].partition("\n")[0]
            files = [
                f"{option}{GLUE}{shlex.quote(str(file))}"
                for option, file in self.given.items()
                if option in self.takes[command] and not _SAID[option].search(rest)
            ]
            said = text[named.start() : named.end()]
            said.plain = GLUE.join([shlex.quote(self.program), command, *files])
            text = text[: named.start()] + said + text[named.end() :]
        return text


@cache
def call() -> Call:
    """Returns the call that is being carried out."""
    return Call(_program())


def note_file(context: Any, option: str, file: Path | None) -> None:
    """Notes which file was named by ``--config`` or ``--store``; None if none was."""
    this = call()
    commands = context.find_root().command.commands
    this.takes = {
        name: {opt for parameter in command.params for opt in parameter.opts}
        for name, command in commands.items()
    }
    usual = os.environ.get("STILLWELL_CONFIG") or "/etc/stillwell/stillwell.toml"
    this.given.pop(option, None)
    if file is not None and (option != "--config" or str(file) != usual):
        this.given[option] = file


def _program() -> str:
    # The name alone if the shell finds the program by it, or if another program has called us.
    typed = Path(sys.argv[0])
    found = shutil.which("stillwell")
    if typed.name != "stillwell" or (found and typed.exists() and typed.samefile(found)):
        return "stillwell"
    return sys.argv[0]
