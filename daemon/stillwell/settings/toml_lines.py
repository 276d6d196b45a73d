"""Finds the line of each key of a TOML document, which `tomllib` does not tell.

The text has already passed `tomllib`, so this need only be right for valid documents
(https://toml.io/en/v1.0.0).
"""

from __future__ import annotations

import re
import tomllib

Path = tuple[str | int, ...]
"""A key path; numbers are positions in arrays."""

_BLANK = re.compile(r"[ \t]*")
_BLANK_LINES = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BASIC = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL = re.compile(r"'[^'\n]*'")
# Up to two quotes may stand directly before the three that end a long text.
_LONG_BASIC = re.compile(r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''(?:[^']|'{1,2}(?!'))*'{3,5}", re.DOTALL)
_SCALAR = re.compile(r"[^,\]}\n#]+")


class _Walk:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self.tables: dict[Path, int] = {}
        self._counted_to = 0
        self._line = 1

    def line(self) -> int:
        self._line += self.text.count("\n", self._counted_to, self.at)
        self._counted_to = self.at
        return self._line

    def skip(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if found is None:
            raise ValueError(f"no valid TOML at character {self.at}")
        self.at = found.end()
        return found[0]

    def here(self, token: str) -> bool:
        if self.text.startswith(token, self.at):
            self.at += len(token)
            return True
        return False

    def key(self) -> list[str]:
        names: list[str] = []
        while True:
            self.skip(_BLANK)
            if self.text[self.at] in "\"'":
                quoted = self.skip(_BASIC if self.text[self.at] == '"' else _LITERAL)
                names.extend(tomllib.loads(f"{quoted} = 0"))
            else:
                names.append(self.skip(_BARE_KEY))
            self.skip(_BLANK)
            if not self.here("."):
                return names

    def note(self, path: Path) -> None:
        """Notes the line of each part of a path where it is first mentioned."""
        line = self.line()
        for end in range(1, len(path) + 1):
            self.lines.setdefault(path[:end], line)

    def value(self, path: Path) -> None:
        if self.here("["):
            index = 0
            while True:
                self.skip(_BLANK_LINES)
                if self.here("]"):
                    return
                self.note((*path, index))
                self.value((*path, index))
                index += 1
                self.skip(_BLANK_LINES)
                self.here(",")
        elif self.here("{"):
            while True:
                self.skip(_BLANK_LINES)
                if self.here("}"):
                    return
                self.pair(path)
                self.skip(_BLANK_LINES)
                self.here(",")
        else:
            start = self.text[self.at : self.at + 3]
            if start == '"""':
                self.skip(_LONG_BASIC)
            elif start == "'''":
                self.skip(_LONG_LITERAL)
            elif start.startswith('"'):
                self.skip(_BASIC)
            elif start.startswith("'"):
                self.skip(_LITERAL)
            else:
                self.skip(_SCALAR)

    def pair(self, table: Path) -> None:
        path = (*table, *self.key())
        self.note(path)
        self.here("=")
        self.skip(_BLANK)
        self.value(path)

    def header(self, counts: dict[Path, int]) -> Path:
        """Returns the path of ``[a.b]`` or ``[[a.b]]``, with the position in each array of
        tables."""
        many = self.here("[")
        path: Path = ()
        names = self.key()
        for place, name in enumerate(names):
            path = (*path, name)
            last = place == len(names) - 1
            if last and many:
                counts[path] = counts.get(path, -1) + 1
            if path in counts:
                self.note(path)
                path = (*path, counts[path])
        self.note(path)
        self.tables[path] = self.line()
        self.here("]")
        self.here("]")
        return path

    def document(self) -> None:
        table: Path = ()
        counts: dict[Path, int] = {}
        while True:
            self.skip(_BLANK_LINES)
            if self.at >= len(self.text):
                return
            if self.here("["):
                table = self.header(counts)
            else:
                self.pair(table)


def key_lines(text: str) -> dict[Path, int]:
    """Returns the line (from 1) of every key, table and array element of a valid TOML document.

    A table that has its own header is where the header is, even if a table below it was written
    first.
    """
    walk = _Walk(text.replace("\r\n", "\n"))
    walk.document()
    return walk.lines | walk.tables
