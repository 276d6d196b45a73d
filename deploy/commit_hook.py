"""Writes the commit into what is built, for ``stillwell --version``; `pyproject.toml` names it."""

from __future__ import annotations

import runpy
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

MODULE = Path("daemon/stillwell/cli/built_from.py")


class CommitHook(BuildHookInterface):  # type: ignore[type-arg]
    """Of a wheel and of a source archive. One built from a source archive finds the file there."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        module = Path(self.root) / MODULE
        asked = runpy.run_path(str(module))
        beside = MODULE.with_name(asked["FILE"])
        if version == "editable" or (Path(self.root) / beside).exists():
            return
        self.folder = tempfile.TemporaryDirectory()
        written = Path(self.folder.name) / beside.name
        written.write_text(asked["commit"](module) + "\n", encoding="ascii")
        inside = beside.relative_to("daemon") if self.target_name == "wheel" else beside
        build_data["force_include"][str(written)] = str(inside)
