"""What the documents say of the command line is so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.main import get_command

from stillwell.cli.main import app

ROOT = Path(__file__).parents[2]
ALL = ROOT / "deploy" / "README.md"
"""Has a line for every command."""
DOCUMENTS = [
    ROOT / "README.md",
    *(p for d in ("config", "daemon", "deploy") for p in (ROOT / d).rglob("*.md")),
]
COMMANDS = get_command(app).commands  # type: ignore[attr-defined]


class TestDocuments:
    @pytest.mark.parametrize("command", sorted(COMMANDS))
    def test_names_every_command(self, command: str) -> None:
        assert f"stillwell {command}" in ALL.read_text(encoding="utf-8")

    @pytest.mark.parametrize("path", DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))
    def test_names_no_command_that_there_is_not(self, path: Path) -> None:
        text = path.read_text(encoding="utf-8")
        named = set(re.findall(r"(?:^ {4}|`)stillwell ([a-z][a-z-]*)", text, re.MULTILINE))
        assert named <= set(COMMANDS), named - set(COMMANDS)

    @pytest.mark.parametrize("path", DOCUMENTS, ids=lambda p: str(p.relative_to(ROOT)))
    def test_names_no_option_that_there_is_not(self, path: Path) -> None:
        text = path.read_text(encoding="utf-8")
        for command, rest in re.findall(r"`stillwell ([a-z][a-z-]*)([^`]*)`", text):
            known = {opt for p in COMMANDS[command].params for opt in (*p.opts, *p.secondary_opts)}
            used = set(re.findall(r"(?<!\S)(--?[a-z][a-z-]*)", rest))
            assert used <= known, (command, used - known)
