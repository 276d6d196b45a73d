"""Which tanks the page shows, and what their configurations say about it. Read without the
models of the settings, which take half a second and ten megabytes; the daemon has already
checked the file against them."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from stillwell.alarm.answer_link import SHORTEST_KEY
from stillwell.cli.place import CONFIG, store_place
from stillwell.deliver.links import key_file

MORE_TANKS = "tanks"
"""The folder beside the usual configuration that holds one configuration for each further tank."""


@dataclass(frozen=True, slots=True)
class Tank:
    """One tank, as its configuration describes it."""

    name: str
    config: Path | None
    store: Path
    address: str = ""
    hosts: tuple[str, ...] = ()
    certificate: str = ""
    certificate_key: str = ""

    def link_key(self) -> bytes | None:
        """Returns the key that signs its links; None where nobody has made one yet."""
        given = os.environ.get("STILLWELL__PAGE__KEY", "") or _table(self.config).get("key", "")
        folder = os.environ.get("CREDENTIALS_DIRECTORY")
        if folder:
            with suppress(OSError):
                given = (Path(folder) / "page.key").read_text(encoding="utf-8").strip() or given
        if len(str(given)) >= SHORTEST_KEY:
            return str(given).encode()
        try:
            return key_file(self.store).read_bytes()
        except OSError:
            return None

    @property
    def names(self) -> set[str]:
        """Returns the hosts under which it may be asked for."""
        host = urlsplit(self.address).hostname if self.address else None
        return {name.lower() for name in (*self.hosts, *([host] if host else ()))}


def tanks(configs: Sequence[Path], store: Path | None) -> list[Tank]:
    """Returns the tanks of these files, or of the usual file and those in the folder beside it.
    Ends the command where a file does not say where its store is."""
    if not configs and store is None:
        usual = Path(os.environ.get("STILLWELL_CONFIG") or CONFIG)
        more = sorted((usual.parent / MORE_TANKS).glob("*.toml"))
        configs = [usual, *more] if usual.exists() or not more else more
    if not configs:
        assert store is not None
        return [Tank("tank", None, store)]
    found: dict[str, Tank] = {}
    for file in configs:
        one = _tank(file, store)
        found.setdefault(one.name, one)
    return list(found.values())


def _tank(file: Path, store: Path | None) -> Tank:
    place = store_place(file, store)
    page = _table(file)
    hosts = page.get("hosts")
    return Tank(
        name=str(_table(file, "tank").get("name", file.stem)),
        config=file,
        store=place,
        address=str(page.get("address", "")).rstrip("/"),
        hosts=tuple(str(name) for name in hosts) if isinstance(hosts, list) else (),
        certificate=str(page.get("certificate", "")),
        certificate_key=str(page.get("certificate_key", "")),
    )


def _table(file: Path | None, name: str = "page") -> dict[str, object]:
    if file is None:
        return {}
    with suppress(OSError, ValueError):
        table = tomllib.loads(file.read_text(encoding="utf-8")).get(name, {})
        return table if isinstance(table, dict) else {}
    return {}
