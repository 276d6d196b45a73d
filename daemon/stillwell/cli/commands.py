"""The group of all commands: for a mistyped command it names the nearest one."""

from __future__ import annotations

from difflib import get_close_matches
from typing import Any

from typer.core import TyperGroup


class Commands(TyperGroup):
    """Also finds a command that begins with the word, or with which the word begins, such as
    ``acknowledge``."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        word = args[0]
        if self.get_command(ctx, word) is None and not word.startswith("-"):
            names = self.list_commands(ctx)
            near = get_close_matches(word, names, n=1) or [
                name for name in names if word.startswith(name) or name.startswith(word)
            ]
            hint = f' Did you mean "{near[0]}"?' if near else " All of them: stillwell --help"
            ctx.fail(f'No such command "{word}".{hint}')
        return super().resolve_command(ctx, args)
