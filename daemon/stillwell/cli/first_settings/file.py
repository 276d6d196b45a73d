"""The file of the settings on the disk, and the secrets beside it."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stillwell.barred import way_in
from stillwell.cli.options import fail
from stillwell.commissioning.section import Line, Section
from stillwell.settings import DEFAULT_PATH, ConfigError, content_of
from stillwell.settings.schema.values import NAME_PATTERN
from stillwell.settings.sealed import FOLDER
from stillwell.settings.syntax import read_toml

STATE = Path("/var/lib/stillwell")
_TABLES = ("tank", "source", "channel", "agreement", "band", "state", "sink")
_OF_TANK = ("chamber", "heater", "lamp", "top_up")
_NAME = re.compile(NAME_PATTERN)
_MODE = 0o640
_SECRET_MODE = 0o600


@dataclass(frozen=True, slots=True)
class Target:
    """Where the settings go, and what stands there now."""

    path: Path
    text: str
    """Empty if there is no file, or only the example of a release."""
    document: Mapping[str, Any]

    @property
    def name(self) -> str:
        """A name for the tank, if it has none yet: the file's, if it is not the usual one."""
        stem = self.path.stem.casefold()
        return stem if _NAME.fullmatch(stem) and stem != DEFAULT_PATH.stem else "tank"

    def store(self) -> list[Section]:
        """Returns where this tank's readings go, unless it is the usual place: two tanks must not
        share it."""
        if self.path == DEFAULT_PATH or "store" in self.document:
            return []
        of_service = self.path.is_relative_to(DEFAULT_PATH.parent)
        folder = STATE if of_service else Path()
        path = Line("path", str(folder / f"{self.path.stem}.db"), "where readings are kept")
        return [Section(("store",), (path,))]


def target(path: Path) -> Target:
    """Returns the file to write. Ends the command where it can't be read or written: nobody shall
    answer questions for nothing, and what can't be read isn't replaced."""
    path = path.absolute()
    place = path if path.exists() else path.parent
    if not path.parent.is_dir():
        fail(f"There is no folder {path.parent}.", "Make it, or name a file with --config.")
    if not os.access(place, os.W_OK) or not os.access(path.parent, os.W_OK):
        fail(f"This user may not write {path}.", way_in(path, write=True))
    if not path.exists():
        return Target(path, "", {})
    try:
        content = content_of(path)
        document, text = read_toml(content, str(path))
    except ConfigError as error:
        fail(f"{error}\nNothing was written.", "Put that right by hand, or move the file away.")
    if any(content == example for example in _examples()):
        return Target(path, "", {})
    wrong = _no_table(document)
    if wrong:
        fail(f"{path}: {wrong} is no table. Nothing was written.", f"Write it as [{wrong}].")
    return Target(path, text, document)


def _no_table(document: Mapping[str, Any]) -> str:
    """Returns the first of our tables that is something else; empty if all are tables."""
    tables: dict[tuple[str, ...], object] = {(name,): document.get(name, {}) for name in _TABLES}
    for name in _TABLES:
        table = tables[name,]
        if isinstance(table, Mapping):
            inside = _OF_TANK if name == "tank" else table
            tables |= {(name, key): table[key] for key in inside if key in table}
    for path, table in list(tables.items()):
        if path[0] == "source" and len(path) == 2 and isinstance(table, Mapping):
            tables[(*path, "channels")] = table.get("channels", {})
    wrong = (path for path, table in tables.items() if not isinstance(table, Mapping))
    return ".".join(next(wrong, ()))


def _examples() -> Iterator[bytes]:
    """Yields the examples that installed releases bring along."""
    release = Path(sys.prefix).resolve().parent
    for found in (release, *release.parent.glob("*")):
        example = found / "share" / "config" / "stillwell.toml"
        if example.is_file():
            yield example.read_bytes()


def write(path: Path, text: str, secrets: Mapping[str, str]) -> list[Path]:
    """Writes the settings and the secrets beside them, each in one stroke; returns the files.

    Args:
        secrets: by the name of the credential, such as ``sink.phone.url``.
    """
    folder = path.parent / FOLDER
    written = []
    if secrets:
        folder.mkdir(mode=0o700, exist_ok=True)
    # The secrets first: settings that need one that is missing can't be used.
    for name, secret in secrets.items():
        _put(folder / name, f"{secret}\n", _SECRET_MODE)
        written.append(folder / name)
    _put(path, text, _MODE)
    return [path, *written]


def _put(path: Path, text: str, mode: int) -> None:
    """Replaces a file, which keeps its owner and mode; a new one belongs to its folder's group."""
    part = path.with_name(f".{path.name}.part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            there = path.stat() if path.exists() else None
            group = path.parent.stat().st_gid if there is None else there.st_gid
            if os.geteuid() == 0:
                os.fchown(file.fileno(), 0 if there is None else there.st_uid, group)
            os.fchmod(file.fileno(), mode if there is None else there.st_mode & 0o777)
            os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
