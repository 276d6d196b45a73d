"""Which tanks the page shows, and what their configurations say about it. Read without the
models of the settings, which take half a second and ten megabytes; the daemon has already
checked the file against them."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import urlsplit

from stillwell.alarm.answer_link import SHORTEST_KEY
from stillwell.cli.place import CONFIG, all_tanks, store_place
from stillwell.deliver.links import key_file


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
    first: bool = True
    """Whether it is the first tank: secrets that this process was given are that tank's."""

    def link_key(self) -> bytes | None:
        """Returns the key that signs its links; None where nobody has made one yet."""
        environ = os.environ if self.first else {}
        given = environ.get("STILLWELL__PAGE__KEY", "") or _table(self.config).get("key", "")
        folder = environ.get("CREDENTIALS_DIRECTORY")
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
        configs = all_tanks(usual) or [usual]
    if not configs:
        assert store is not None
        return [Tank("tank", None, store)]
    found: dict[str, Tank] = {}
    for file in configs:
        one = _tank(file, store)
        if one.name in found:  # shown all the same; `stillwell check` says what to do
            one = replace(one, name=file.stem)
        found.setdefault(one.name, replace(one, first=not found))
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
