"""Commands in texts become what works where they are printed."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import pytest
from rich.text import Text

from stillwell.cli.called import GLUE, Call

TAKES: dict[str, Collection[str]] = {
    "today": {"--config", "--store"},
    "mix": {"--config", "--json"},
    "note": {"--config"},
}


def again(text: str, program: str = "stillwell", **given: str) -> str:
    files = {f"--{option}": Path(file) for option, file in given.items()}
    return Call(program, files, TAKES).again(Text(text)).plain.replace(GLUE, " ")


class TestAgain:
    @pytest.mark.parametrize(
        ("text", "there"),
        [
            ("How: stillwell today", "How: .venv/bin/stillwell today --config a.toml --store b.db"),
            ("Write: stillwell mix 10 L", "Write: .venv/bin/stillwell mix --config a.toml 10 L"),
            ("`stillwell note pour`.", "`.venv/bin/stillwell note --config a.toml pour`."),
            ("sudo stillwell note", "sudo .venv/bin/stillwell note --config a.toml"),
        ],
    )
    def test_names_the_program_and_the_files_that_the_command_takes(
        self, text: str, there: str
    ) -> None:
        assert again(text, ".venv/bin/stillwell", config="a.toml", store="b.db") == there

    def test_names_no_file_twice(self) -> None:
        said = "stillwell today --store c.db"
        assert again(said, store="b.db") == said
        assert again(again("stillwell today", store="b.db"), store="b.db").count("--store") == 1

    def test_quotes_what_a_shell_would_cut(self) -> None:
        assert again("stillwell mix", config="my tank.toml") == (
            "stillwell mix --config 'my tank.toml'"
        )

    @pytest.mark.parametrize(
        "text",
        [
            "Restart stillwell when it suits",
            "sudo systemctl restart stillwell",
            "stillwell today: what is due",
            "/usr/bin/stillwell today",
        ],
    )
    def test_leaves_what_is_no_command(self, text: str) -> None:
        assert again(text, "elsewhere/stillwell", config="a.toml") == text

    def test_leaves_all_where_it_is_installed(self) -> None:
        assert again("How: stillwell today") == "How: stillwell today"
