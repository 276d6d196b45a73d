"""Where every value of the configuration comes from: line, environment variable or credential.

pydantic-settings merges the values themselves, through the sources in `stillwell.settings.sources`;
it does not keep the origin of each value, which an error must name.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from stillwell.settings.faults import Fault
from stillwell.settings.toml_lines import Path, key_lines
from stillwell.shown import looks_secret, plain, without_passwords

_SHORTEST_SECRET = 4


@dataclass(slots=True)
class Layers:
    """The file's document, what was laid over it, and where each part comes from."""

    file: str
    document: dict[str, Any]
    """The file's content alone."""
    lines: dict[Path, int]
    tree: dict[str, Any] = field(default_factory=dict)
    """All layers merged; empty until the frame has been read."""
    overlaid: dict[Path, str] = field(default_factory=dict)
    """The origin of each value that did not come from the file."""
    faults: list[Fault] = field(default_factory=list)
    """Faults in the layers themselves."""
    _of: object = None
    _texts: list[str] = field(default_factory=list)

    def fault(self, path: Path, what: str, do: str = "", *, unsaid: bool = False) -> Fault:
        """Returns the fault at a key, on its line or that of the nearest table around it, in plain
        characters and without what may be a secret.

        Args:
            unsaid: the last part of the path is left out of the text.
        """
        said = (*path[:-1], "…") if unsaid and path else path
        parts = (part if isinstance(part, str) else f"[{part}]" for part in said)
        key = ".".join("…" if looks_secret(part) else plain(part) for part in parts)
        key = key.replace(".[", "[")
        what, do = self.hidden(what), self.hidden(do)
        for end in range(len(path), 0, -1):
            if path[:end] in self.overlaid:
                return Fault(self.overlaid[path[:end]], None, key, what, do)
            if path[:end] in self.lines:
                return Fault(self.file, self.lines[path[:end]], key, what, do)
        return Fault(self.file, 1, key, what, do)

    def hidden(self, text: str) -> str:
        """Returns the text in plain characters, without what was typed as the value of a
        recipient's key or looks like an address with a password."""
        for secret in self._unsaid():
            if secret in text:
                text = _without(text, secret)
        return plain(without_passwords(text))

    def _unsaid(self) -> list[str]:
        """Returns the secrets, the longest first, because one may be part of another."""
        if self._of is not self.tree:
            self._of = self.tree
            texts = {text for root in (self.document, self.tree) for text in _secrets(root)}
            variants = texts | {" ".join(text.split()) for text in texts}
            self._texts = sorted(filter(_is_long, variants), key=len, reverse=True)
        return self._texts

    def given(self, path: Path) -> bool:
        """Whether the file or another layer gives this key."""
        return path in self.lines or path in self.overlaid

    def from_file(self, path: Path) -> bool:
        """Whether the value at this path comes from the file."""
        return path in self.lines and path not in self.overlaid

    def overlay(self, path: Path, origin: str) -> None:
        """Notes that the value at a path, and every table around it that the file lacks, came from
        elsewhere. What the file has below that path no longer counts, nor what is noted of it
        later: pydantic-settings asks the strongest source first."""
        for end in range(1, len(path)):
            if path[:end] not in self.lines:
                self.overlaid.setdefault(path[:end], origin)
        self.overlaid.setdefault(path, origin)
        for below in [line for line in self.lines if line[: len(path)] == path != line]:
            del self.lines[below]


def _texts(value: Any) -> Iterator[str]:
    """Every text in a tree, keys too."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, below in value.items():
            yield str(key)
            yield from _texts(below)
    elif isinstance(value, list):
        for below in value:
            yield from _texts(below)


def _secrets(root: dict[str, Any]) -> Iterator[str]:
    """Yields what may be a secret: whatever looks like one, and all values of a recipient's own
    keys, since a secret may stand under the wrong key."""
    yield from filter(looks_secret, _texts(root))
    recipients = root.get("sink")
    for table in recipients.values() if isinstance(recipients, dict) else ():
        if isinstance(table, dict):
            for key, value in table.items():
                yield from () if key == "kind" else _texts(value)


def _without(text: str, secret: str) -> str:
    """Returns the text with "…" in place of the secret wherever it is a word of its own."""
    done, *rest = text.split(secret)
    for part in rest:
        within = done[-1:].isalnum() or part[:1].isalnum()
        done += (secret if within else "…") + part
    return done


def _is_long(text: str) -> bool:
    """Whether a text is so long that it can't occur by chance."""
    return len(text) >= _SHORTEST_SECRET


def layers_of(document: dict[str, Any], text: str, file: str) -> Layers:
    """Returns the lowest layer: a parsed TOML document and its text."""
    return Layers(file, document, key_lines(text))
