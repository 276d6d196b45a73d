"""The machine: the configuration's warnings, the disk under the store, the clock, what is plugged
in."""

from __future__ import annotations

import getpass
import os
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from pwd import getpwnam

from stillwell.barred import join, way_in
from stillwell.cli.checks.point import Grade, Point
from stillwell.cli.heater import NAME_ONE, NO_DEVICE
from stillwell.ports import Clock
from stillwell.settings import Settings
from stillwell.store import StoreError, StoreReader, rescue_words

ROOM_TO_FIX = 64 << 20
ROOM_TO_NOTE = 256 << 20
"""Free bytes below which the disk is mentioned. Ninety days of seven channels, read every 30 s,
take about 50 MB (`stillwell simulate --days 2` makes one); under 64 MiB the system itself begins to
fail."""


def configuration(settings: Settings) -> Iterator[Point]:
    """Yields the file that was read, and what does not stop the start but should be corrected."""
    watched = len(settings.band) + len(settings.state)
    yield Point(
        "config",
        "file",
        Grade.WELL,
        f"{settings.file} is complete. Channels: {len(settings.channel)}, bands and states: "
        f"{watched}, sinks: {len(settings.sink)}.",
    )
    for fault in settings.warnings:
        place = f"line {fault.line}, " if fault.line is not None else ""
        yield Point("config", fault.key or "file", Grade.NOTE, f"{place}{fault.what}", fault.do)
    if settings.water and settings.tank.heater is None and settings.tank.chiller is None:
        yield Point("config", "tank.heater", Grade.NOTE, NO_DEVICE, NAME_ONE)


def plugins(settings: Settings) -> Iterator[Point]:
    """Yields every driver and sink that is named and can't be used, such as one whose package is
    not installed; a sink whose secrets this user may not read does not count."""
    for name, source in settings.source.items():
        if source.broken:
            yield Point("source", name, Grade.FIX, source.broken)
    for name, sink in settings.sink.items():
        if sink.broken and not sink.sealed:
            yield Point("sink", name, Grade.FIX, sink.broken)


def store(path: Path) -> Iterator[Point]:
    """Yields whether the store can be written and read, and how much room there is."""
    folder = path.parent
    try:
        found = folder.is_dir()
        path.exists()
    except PermissionError:
        yield _barred(_user(), folder)
        return
    if not found:
        yield Point(
            "store",
            "path",
            Grade.FIX,
            f"The directory {folder} does not exist.",
            "Make it, or change `[store] path`.",
        )
        return
    who = _user()
    barred = [p for p in (folder, path) if p.exists() and not os.access(p, os.W_OK)]
    if barred:
        yield _barred(who, barred[0])
    elif not path.exists():
        yield Point("store", "path", Grade.WELL, f"{path} will be made when the daemon first runs.")
    else:
        yield _readable(path, who)
        yield from rescued(path)
    yield from _without_sudo(folder)
    yield _room(folder)


def _without_sudo(folder: Path) -> Iterator[Point]:
    """Yields how somebody who used sudo can do without it: by the group of the store."""
    user = os.environ.get("SUDO_USER", "root")
    group = folder.stat().st_gid
    with suppress(KeyError):  # a user or group without a name
        if user != "root" and group and group not in os.getgrouplist(user, getpwnam(user).pw_gid):
            yield Point(
                "store", "group", Grade.NOTE, f"{user} needs sudo here.", join(folder, user)
            )


def rescued(path: Path) -> Iterator[Point]:
    """Yields what was kept of the last file that was damaged."""
    try:
        with StoreReader.open(path) as reader:
            last = next(iter(reader.rescues()), None)
    except StoreError:
        return  # reported where the store is checked
    if last is None:
        return
    when = f"{datetime.fromtimestamp(last.at_ms / 1000, UTC):%Y-%m-%d %H:%M} UTC"
    words = rescue_words.going_on(last)
    what = words.what if last.ended_ms is None else rescue_words.figures(last, "UTC")
    yield Point("store", "rescue", Grade.NOTE, f"{when}: {what}", words.do)


def _barred(who: str, path: Path) -> Point:
    return Point(
        "store",
        "path",
        Grade.FIX,
        f"The user {who} may not write {path}.",
        way_in(path, write=True),
    )


def _readable(path: Path, who: str) -> Point:
    try:
        with StoreReader.open(path) as reader:
            reader.check()
            newest = max((r.moment.utc_ms for r in reader.latest_readings()), default=None)
    except StoreError as error:
        return Point("store", "path", Grade.FIX, error.words.what, error.words.do)
    until = (
        f"its newest reading is of {datetime.fromtimestamp(newest / 1000, UTC):%Y-%m-%d %H:%M} UTC"
        if newest is not None
        else "it holds no reading yet"
    )
    return Point("store", "path", Grade.WELL, f"{path} can be read and written by {who}; {until}.")


def _room(folder: Path) -> Point:
    status = os.statvfs(folder)
    free = status.f_bavail * status.f_frsize
    facts = {"free_bytes": free}
    what = f"{free / (1 << 20):,.0f} MiB are free on the disk that holds {folder}."
    if status.f_flag & os.ST_RDONLY:
        do = "Look at dmesg; mount it again for writing, or replace the card."
        return Point("store", "disk", Grade.FIX, f"The disk of {folder} is read-only.", do, facts)
    if free < ROOM_TO_NOTE:
        grade = Grade.FIX if free < ROOM_TO_FIX else Grade.NOTE
        return Point("store", "disk", grade, what, "Make room on it.", facts)
    return Point("store", "disk", Grade.WELL, what, facts=facts)


def clock(machine: Clock) -> Iterator[Point]:
    """Yields whether the wall clock has been set from outside. Only a note: the daemon runs
    without."""
    at = datetime.fromtimestamp(machine.wall_ms() / 1000, UTC)
    trusted = machine.trusted()
    facts = {"trusted": trusted}
    if trusted:
        what = f"It is set from the network: {at:%Y-%m-%d %H:%M:%S} UTC."
        yield Point("clock", "wall", Grade.WELL, what, facts=facts)
        return
    yield Point(
        "clock",
        "wall",
        Grade.NOTE,
        f"Nobody has set it since this machine started; it shows {at:%Y-%m-%d %H:%M:%S} UTC. "
        "Alarms do not wait for it; reviews do, and go by it after ten minutes if it can be right.",
        "Look at: timedatectl. Without a network, set it by hand or fit a battery clock.",
        facts,
    )


def hardware(settings: Settings) -> Iterator[Point]:
    """Yields what is plugged in and not named in the configuration, with the keys to copy; and each
    driver that fails when it is asked what there is."""
    from stillwell.commissioning.found import found
    from stillwell.commissioning.written import literal

    named = "\n".join(str(source.settings) for source in settings.source.values())
    for of_driver in found():
        if of_driver.at_fault:
            yield Point("hardware", of_driver.driver, Grade.NOTE, of_driver.what)
        told = set()
        for each in of_driver.candidates:
            if not each.sure or each.name in told or f"'{each.name}'" in named:
                continue
            told.add(each.name)
            keys = {**each.source, **each.channel}
            copied = ", ".join(f"{key} = {literal(value)}" for key, value in keys.items())
            what = f"The {each.what} belongs to no channel."
            do = f"To use it: {copied}; or run stillwell init, which writes it."
            yield Point("hardware", each.name.rpartition("/")[2], Grade.NOTE, what, do)


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return str(os.getuid())
