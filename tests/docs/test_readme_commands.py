"""What the README says of the command line is so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.main import get_command

from stillwell.cli.main import app

README = Path(__file__).parents[2] / "README.md"
COMMANDS = get_command(app).commands  # type: ignore[attr-defined]


class TestReadme:
    @pytest.mark.parametrize("command", sorted(COMMANDS))
    def test_names_every_command(self, command: str) -> None:
        assert f"stillwell {command}" in README.read_text(encoding="utf-8")

    def test_names_no_command_that_there_is_not(self) -> None:
        text = README.read_text(encoding="utf-8")
        named = set(re.findall(r"(?:^ {4}|`)stillwell ([a-z][a-z-]*)", text, re.MULTILINE))
        assert named <= set(COMMANDS), named - set(COMMANDS)

    def test_names_no_option_that_there_is_not(self) -> None:
        text = README.read_text(encoding="utf-8")
        for command, rest in re.findall(r"`stillwell ([a-z][a-z-]*)([^`]*)`", text):
            known = {opt for p in COMMANDS[command].params for opt in (*p.opts, *p.secondary_opts)}
            used = set(re.findall(r"(?<!\S)(--?[a-z][a-z-]*)", rest))
            assert used <= known, (command, used - known)
