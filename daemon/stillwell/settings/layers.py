"""Where every value of the configuration stands: line, environment variable or credential.

The values themselves are laid over one another by pydantic-settings, through the sources in
`stillwell.settings.sources`; the origin of each is what it does not keep, and what an error must
name.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from stillwell.settings.faults import Fault
from stillwell.settings.toml_lines import Path, key_lines


@dataclass(slots=True)
class Layers:
    """The file's document, what came over it, and where each part stands."""

    file: str
    document: dict[str, Any]
    """What the file alone says."""
    lines: dict[Path, int]
    tree: dict[str, Any] = field(default_factory=dict)
    """All layers merged; empty until the frame has been read."""
    overlaid: dict[Path, str] = field(default_factory=dict)
    """The origin of what did not come from the file."""
    faults: list[Fault] = field(default_factory=list)
    """What was wrong with the layers themselves."""

    def fault(self, path: Path, what: str, do: str = "") -> Fault:
        """Returns the fault at a key, on its line or that of the nearest table around it."""
        key = ".".join(str(part) if isinstance(part, str) else f"[{part}]" for part in path)
        key = key.replace(".[", "[")
        for end in range(len(path), 0, -1):
            if path[:end] in self.overlaid:
                return Fault(self.overlaid[path[:end]], None, key, what, do)
            if path[:end] in self.lines:
                return Fault(self.file, self.lines[path[:end]], key, what, do)
        return Fault(self.file, 1, key, what, do)

    def given(self, path: Path) -> bool:
        """Whether something, file or other, says this key."""
        return path in self.lines or path in self.overlaid

    def from_file(self, path: Path) -> bool:
        """Whether the value at this path stands in the file."""
        return path in self.lines and path not in self.overlaid

    def overlay(self, path: Path, origin: str) -> None:
        """Notes that the value at a path, and whatever it is in that the file lacks, came from
        elsewhere. What the file has below it counts no more, nor what is noted of it later:
        pydantic-settings asks the strongest source first."""
        for end in range(1, len(path)):
            if path[:end] not in self.lines:
                self.overlaid.setdefault(path[:end], origin)
        self.overlaid.setdefault(path, origin)
        for below in [line for line in self.lines if line[: len(path)] == path != line]:
            del self.lines[below]


def layers_of(document: dict[str, Any], text: str, file: str) -> Layers:
    """Returns the bottom layer: a parsed TOML document and its text."""
    return Layers(file, document, key_lines(text))
