"""Keeps the settings that last worked, for a service: a mistake in the file shows at the next
start, maybe months later with nobody there, and must cost an alarm and not the watching.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.house import SettingsBroken
from stillwell.finding import Finding, Over
from stillwell.settings import ConfigError, Fault, Settings, content_of, find, load

_NAME = "last-settings.toml"
_CREDENTIALS = "CREDENTIALS_DIRECTORY"


@dataclass(frozen=True, slots=True)
class InForce:
    """The settings to run with."""

    settings: Settings
    content: bytes
    """The text that they were read from."""
    faults: tuple[Fault, ...]
    """What is wrong with the file as it is now; when not empty, these settings are those that
    worked last."""


def in_force(path: Path | None, environ: Mapping[str, str]) -> InForce:
    """Reads the settings, or the kept ones when the file can't be used. Raises `ConfigError` with
    what is wrong now when none are kept or these can't be used either."""
    file = find(path, environ)
    try:
        content = content_of(file)
        return InForce(load(file, environ=environ, content=content), content, ())
    except ConfigError as error:
        kept = _kept(environ)
        if kept is None:
            raise
        try:
            content = kept.read_bytes()
        except OSError:
            raise error from None
        # If a credential is wrong, everything that needs no credential still works.
        without = {name: value for name, value in environ.items() if name != _CREDENTIALS}
        for given in (environ, without):
            with suppress(ConfigError):
                return InForce(load(file, environ=given, content=content), content, error.faults)
        raise


def keep(now: InForce, environ: Mapping[str, str]) -> None:
    """Keeps settings that work. Only this user can read the copy, since it may hold secrets. Raises
    OSError when the disk doesn't take it."""
    kept = _kept(environ)
    if kept is None or now.faults:
        return
    with suppress(FileNotFoundError):
        if kept.read_bytes() == now.content:
            return
    fresh = kept.with_suffix(".new")
    fresh.unlink(missing_ok=True)
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    with open(handle, "wb") as out:
        out.write(now.content)
        out.flush()
        os.fsync(handle)
    fresh.replace(kept)


def finding(faults: Sequence[Fault]) -> Finding:
    """Returns what to report about the settings file; with faults, the file is not in force."""
    alarm = "settings.broken"
    if not faults:
        return Finding(alarm, False, priority_of(alarm), Over())
    first = faults[0]
    line = f"line {first.line}" if first.line is not None else ""
    place = ", ".join(part for part in (Path(first.file).name, line, first.key) if part)
    facts = SettingsBroken(place, first.what, first.do, len(faults) - 1)
    return Finding(alarm, True, priority_of(alarm), facts)


def _kept(environ: Mapping[str, str]) -> Path | None:
    """Returns where a service keeps its last settings, in the folder that systemd gives it
    (``StateDirectory=``); None for a person at a terminal, who is told what is wrong."""
    folder = environ.get("STATE_DIRECTORY", "").split(":")[0]
    return Path(folder) / _NAME if folder else None
