"""``stillwell backup``, ``restore``: copies the store to a file and back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillwell.cli.alarm_line import rfc3339
from stillwell.cli.console import print_json, progress, say
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    reporting_store_errors,
    store_and_settings,
)

if TYPE_CHECKING:
    from stillwell.cli.printed_deeds import Copy, PutBack
    from stillwell.settings import Settings
    from stillwell.store.backup import Backup

FileArgument = Annotated[Path, typer.Argument(metavar="FILE", help="The backup.")]


def backup(
    file: FileArgument,
    force: Annotated[
        bool, typer.Option("--force", help="Replace a file that exists, once the new one is whole.")
    ] = False,
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Copy the store into a file, and look through the copy. The daemon goes on meanwhile.

    With --json: file, size_bytes, schema, newest (the time of its last reading).

    Example: stillwell backup /mnt/stick/tank.db
    """
    from stillwell.store.backup import backup as make

    path, settings = store_and_settings(config, store)
    with reporting_store_errors(), progress("copying", quiet=as_json) as on_the_way:
        made = make(path, file, force=force, on_the_way=on_the_way)
    if as_json:
        print_json(_as_dict(made))
        return
    say(
        f"{file} is a whole backup of {path} ({made.size / 1e6:,.1f} MB): every page of it was "
        f"looked through. {_newest(made, settings)}"
    )


def restore(
    file: FileArgument,
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a backup in the place of the store. What is there is kept beside it under another name.

    The daemon must not be running: sudo systemctl stop stillwell.

    With --json: file, size_bytes, schema, newest (the time of its last reading), store, aside
    (where the store that was there is kept, or null).

    Example: stillwell restore /mnt/stick/tank.db
    """
    from stillwell.store.backup import restore as put_back

    path, settings = store_and_settings(config, store)
    with reporting_store_errors(), progress("putting back", quiet=as_json) as on_the_way:
        found, aside = put_back(path, file, on_the_way=on_the_way)
    if as_json:
        told: PutBack = {
            **_as_dict(found),
            "store": str(path),
            "aside": None if aside is None else str(aside),
        }
        print_json(told)
        return
    say(f"{path} is now as {file} has it. {_newest(found, settings)}")
    if aside is not None:
        say(f"The store that was there is kept as {aside}; look into it with --store {aside}.")
    say("Start the daemon: sudo systemctl start stillwell")


def _as_dict(found: Backup) -> Copy:
    return {
        "file": str(found.file),
        "size_bytes": found.size,
        "schema": found.schema,
        "newest": None if found.newest_ms is None else rfc3339(found.newest_ms),
    }


def _newest(found: Backup, settings: Settings | None) -> str:
    from datetime import UTC, datetime

    if found.newest_ms is None:
        return "It holds no readings."
    zone = UTC if settings is None else settings.tank.time_zone
    at = datetime.fromtimestamp(found.newest_ms / 1000, zone)
    return f"Its last reading is of {at:%a %d %b %Y %H:%M}{' UTC' if settings is None else ''}."
