"""Finds the store without looking at the rest of the configuration: for the first look at a tank,
which must be quick and must not fail by a mistake somewhere else in the file."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path

from stillwell.cli.options import load_settings

CONFIG = "/etc/stillwell/stillwell.toml"
STORE = "/var/lib/stillwell/tank.db"
MORE_TANKS = "tanks"
"""The folder beside the usual configuration that holds one configuration for each further tank."""
PATH_KEY = "STILLWELL__STORE__PATH"
"""The same name as in `stillwell.settings`, whose models take half a second to build."""


def store_place(config: Path | None, store: Path | None) -> Path:
    """Returns the store that is meant; ends the command if the configuration does not name it."""
    if store is not None:
        return store
    file = config or Path(os.environ.get("STILLWELL_CONFIG") or CONFIG)
    try:
        table = tomllib.loads(file.read_text(encoding="utf-8")).get("store", {})
    except (OSError, ValueError):
        return load_settings(config).store_path  # reports what is wrong
    named = _named(table, os.environ)
    if named is None:
        return load_settings(config).store_path
    return (file.parent / Path(named).expanduser()).absolute()


def all_tanks(file: Path) -> list[Path]:
    """Returns the configurations of this machine's tanks, of which `file` is one: the usual one
    first."""
    home = file.parent.parent if file.parent.name == MORE_TANKS else file.parent
    usual = home / Path(CONFIG).name if file.parent.name == MORE_TANKS else file
    return [*([usual] if usual.exists() else []), *sorted((home / MORE_TANKS).glob("*.toml"))]


def _named(table: object, environ: Mapping[str, str]) -> str | None:
    """Returns the path as it is written; None if finding it takes more than a look."""
    over = [name for name in environ if name.upper().startswith("STILLWELL__STORE")]
    if over == [PATH_KEY]:
        return environ[PATH_KEY]
    path = table.get("path", STORE) if isinstance(table, dict) else None
    return path if isinstance(path, str) and not over else None
