"""The other tanks of this machine: what two configurations must not have in common."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from stillwell.cli.checks.point import Grade, Point
from stillwell.cli.place import STORE, all_tanks
from stillwell.settings import Settings


def others(settings: Settings) -> Iterator[Point]:
    """Yields what another tank's configuration has too, and only one may have: the tank's name, the
    store, a serial port. A file that can't be read is left to its own check."""
    own = Path(settings.file)
    ports = {port for source in settings.given if (port := _port(source.key, source.value))}
    for file in all_tanks(own):
        if file.resolve() == own.resolve():
            continue
        with suppress(OSError, ValueError):
            table = tomllib.loads(file.read_text(encoding="utf-8"))
            yield from _shared(settings, ports, file, table)


def _shared(
    settings: Settings, ports: set[str], file: Path, table: Mapping[str, Any]
) -> Iterator[Point]:
    if _in(table, "tank").get("name", "") == settings.tank.name:
        yield Point(
            "config",
            "tank.name",
            Grade.FIX,
            f'"{settings.tank.name}" is also the name in {file}: at a broker, in a database and on '
            "the page the two tanks would be mixed up.",
            "Give one of them another name.",
        )
    store = file.parent / Path(str(_in(table, "store").get("path", STORE))).expanduser()
    if store.absolute() == settings.store_path.absolute():
        yield Point(
            "config",
            "store.path",
            Grade.FIX,
            f"{settings.store_path} is also the store of {file}: only one daemon can keep a store, "
            "and the other tank would not be watched.",
            "Give each tank a store of its own.",
        )
    sources = _in(table, "source")
    theirs = {_port("port", _in(sources, name).get("port", "")) for name in sources}
    for port in sorted(ports & theirs - {""}):
        yield Point(
            "config",
            "port",
            Grade.FIX,
            f"{port} is also read by {file}: two programs at one serial port take each other's "
            "answers.",
            "Leave it to one of them.",
        )


def _in(table: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = table.get(name, {})
    return found if isinstance(found, dict) else {}


def _port(key: str, value: object) -> str:
    """Returns the path of a serial port; empty for every other setting."""
    bare = str(value).strip('"')
    return bare if key == "port" and bare.startswith("/dev/") else ""
