"""A table of the settings as it is to stand in the file, with its comments."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Line:
    key: str
    value: Any
    """A text, a number, a bool, or a list or flat mapping of these."""
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    path: tuple[str, ...]
    lines: tuple[Line, ...]
    comment: str = ""
    """Stands behind the table's name."""
    gone: bool = False
    """Whether the table is to be taken out of the file."""


def section(*path: str, comment: str = "", **values: Any) -> Section:
    """Returns a table without comments on its lines; a None leaves its key out."""
    lines = (Line(key, value) for key, value in values.items() if value is not None)
    return Section(path, tuple(lines), comment)
