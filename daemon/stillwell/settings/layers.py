"""File, environment and credentials laid over one another, with the origin of every value.

Own code rather than pydantic-settings: an error must name the line, the variable or the credential
that a value came from, a misspelt variable must be an error like a misspelt key, and the
environment must be an argument. Later layers win: file, then environment, then systemd credentials.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stillwell.settings.faults import Fault
from stillwell.settings.toml_lines import Path as KeyPath
from stillwell.settings.toml_lines import key_lines

PREFIX = "STILLWELL__"
_LARGEST_CREDENTIAL = 1 << 16


@dataclass(slots=True)
class Layers:
    """The merged tree, and where each part of it stands."""

    file: str
    tree: dict[str, Any]
    lines: dict[KeyPath, int]
    overlaid: dict[KeyPath, str] = field(default_factory=dict)
    """The origin of what did not come from the file."""
    faults: list[Fault] = field(default_factory=list)

    def fault(self, path: KeyPath, what: str, do: str = "") -> Fault:
        """Returns the fault at a key, on its line or that of the nearest table around it."""
        key = ".".join(str(part) if isinstance(part, str) else f"[{part}]" for part in path)
        key = key.replace(".[", "[")
        for end in range(len(path), 0, -1):
            if path[:end] in self.overlaid:
                return Fault(self.overlaid[path[:end]], None, key, what, do)
            if path[:end] in self.lines:
                return Fault(self.file, self.lines[path[:end]], key, what, do)
        return Fault(self.file, 1, key, what, do)

    def from_file(self, path: KeyPath) -> bool:
        """Whether the value at this path stands in the file."""
        return path in self.lines and path not in self.overlaid

    def _put(self, path: tuple[str, ...], value: Any, origin: str) -> None:
        table = self.tree
        for part in path[:-1]:
            below = table.setdefault(part, {})
            if not isinstance(below, dict):
                do = "Remove it, or what it would go into."
                what = f'"{part}" is no table, so nothing can be set in it.'
                self.faults.append(Fault(origin, None, ".".join(path), what, do))
                return
            table = below
        table[path[-1]] = value
        for end in range(1, len(path) + 1):
            if path[:end] not in self.lines:
                self.overlaid.setdefault(path[:end], origin)
        self.overlaid[path] = origin

    def add_environment(self, environ: Mapping[str, str]) -> None:
        """Lays ``STILLWELL__SINK__BROKER__PORT=1884`` over the tree: two underscores part the keys,
        one stands for the hyphen in a name where the file has such a name; a list or a table is
        JSON."""
        for variable in sorted(environ):
            if not variable.startswith(PREFIX):
                continue
            origin = f"environment variable {variable}"
            words = variable.removeprefix(PREFIX).lower().split("__")
            if not all(words):
                do = f"Write it like {PREFIX}SINK__BROKER__PASSWORD."
                self.faults.append(Fault(origin, None, "", "The name has an empty part.", do))
                continue
            path: list[str] = []
            table: Any = self.tree
            for word in words:
                known = table if isinstance(table, dict) else {}
                by_spelling = {str(name).lower().replace("-", "_"): str(name) for name in known}
                path.append(by_spelling.get(word, word))
                table = known.get(path[-1])
            text = environ[variable]
            value: Any = text
            if text.lstrip()[:1] in ("[", "{"):
                try:
                    value = json.loads(text)
                except (ValueError, RecursionError):
                    what = "The value begins like a list or a table and is no valid JSON."
                    do = 'Write a list as ["water-a", "water-b"].'
                    self.faults.append(Fault(origin, None, ".".join(path), what, do))
                    continue
            self._put(tuple(path), value, origin)

    def add_credentials(self, folder: Path, tables: frozenset[str]) -> None:
        """Lays systemd credentials over the tree: the file ``sink.broker.password`` holds that
        key's value.

        Files whose name does not begin with one of `tables` and a dot belong to somebody else.
        """
        try:
            files = sorted(each for each in folder.iterdir() if each.is_file())
        except OSError as error:
            do = "Check LoadCredential= in the unit, or unset CREDENTIALS_DIRECTORY."
            what = f"The folder of credentials cannot be read: {error.strerror}."
            self.faults.append(Fault(f"credentials {folder}", None, "", what, do))
            return
        for file in files:
            path = tuple(file.name.split("."))
            if len(path) < 2 or path[0] not in tables or not all(path):
                continue
            origin = f"credential {file}"
            try:
                with file.open("rb") as stream:
                    content = stream.read(_LARGEST_CREDENTIAL + 1)
                if len(content) > _LARGEST_CREDENTIAL:
                    raise ValueError
                text = content.decode("utf-8").removesuffix("\n").removesuffix("\r")
            except OSError as error:
                what = f"The credential cannot be read: {error.strerror}."
                do = "Check who may read the file."
                self.faults.append(Fault(origin, None, file.name, what, do))
            except ValueError:
                what = "The credential is no UTF-8 text of at most 64 KiB."
                do = "Store the secret alone, as text."
                self.faults.append(Fault(origin, None, file.name, what, do))
            else:
                self._put(path, text, origin)


def layers_of(tree: dict[str, Any], text: str, file: str) -> Layers:
    """Returns the bottom layer: a parsed TOML document and its text."""
    return Layers(file, tree, key_lines(text))
