"""A disk that is cut off in the middle of a page: everything that a busy daemon's machine wrote, in
the order in which its disk took it (the kernel's dm-log-writes), is written again up to a moment
that chance chooses and half of the next write, on a copy. What a boot would do follows: e2fsck, and
SQLite's own recovery. Each such disk must have a whole store, with every note that had been
answered by then.

One machine runs for a minute; the rest needs none.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import struct
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from cut_tank import PROCESS_1, STATE, Keeper, plugged_in
from guest import make_ext4, taken_out
from user_mode import MODULES

pytestmark = pytest.mark.machine
Saw = Callable[[str], None]
MOMENTS = 40
MARKS = 8
STORE_BYTES, LOG_BYTES = 64 << 20, 512 << 20
WITH_LOG = f"""mkdir -p /lib/modules
mount -t hostfs none /lib/modules -o {MODULES}
modprobe -a dm-log-writes
dmsetup create --noudevsync --noudevrules store \\
    --table "0 {STORE_BYTES // 512} log-writes /dev/ubdb /dev/ubdc"
mount /dev/dm-0 {STATE}
chown stillwell: {STATE}
chmod 2770 {STATE}
"""


@dataclass(frozen=True)
class Write:
    """One entry of the log: what was written where, or a mark; at which byte, how many bytes."""

    at: int
    data_at: int
    length: int
    mark: str


def writes(log: Path) -> Iterator[Write]:
    """Yields the entries of a log of dm-log-writes, oldest first (struct log_write_super and
    log_write_entry of the kernel's drivers/md/dm-log-writes.c)."""
    discard, mark = 4, 8
    with log.open("rb") as file:
        magic, version, count, sector = struct.unpack("<QQQI", file.read(28))
        assert (magic, version) == (0x6A736677736872, 1)
        place = sector
        for _ in range(count):
            file.seek(place)
            at, sectors, flags, more = struct.unpack("<QQQQ", file.read(32))
            said = file.read(more).decode() if flags & mark else ""
            place += sector
            length = 0 if flags & (discard | mark) else sectors * sector
            yield Write(at * sector, place, length, said)
            place += length


def recorded(root: Path, folder: Path) -> tuple[Path, Path, dict[str, set[int]]]:
    """Lets a machine run and cuts its power; returns the store's disk before, the log of what was
    written to it, and which notes had been answered at each mark."""
    process_1 = PROCESS_1.replace("while [", WITH_LOG + "while [", 1)
    store, log = folder / "store.img", folder / "log.img"
    make_ext4(store, STORE_BYTES)
    shutil.copy2(store, folder / "before.img")
    os.truncate(os.open(log, os.O_CREAT | os.O_RDWR), LOG_BYTES)
    answered: dict[str, set[int]] = {}
    with plugged_in(root, folder, process_1) as (guest, broker):
        keeper = Keeper(broker.port)

        def more() -> bool:
            return len(keeper.answered) > max(map(len, answered.values()), default=0)

        try:
            guest.start(store, log)
            while len(answered) < MARKS:
                guest.wait_for(more, pause_s=3)
                known, name = set(keeper.answered), f"answered-{len(answered)}"
                answered[name] = known
                assert guest.run(f"dmsetup message store 0 mark {name}").status == 0
        finally:
            keeper.close()
    return folder / "before.img", log, answered


def look(disk: Path, folder: Path) -> tuple[str, set[int]]:
    """What recovery makes of a disk: SQLite's word on its store, and the entries of its journal."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    state = taken_out(disk, "/", folder)
    db = next(state.rglob("tank.db"), None)
    if db is None:
        return "no store yet", set()
    with closing(sqlite3.connect(db)) as connection:
        if connection.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,):
            return "no store yet", set()
        whole = connection.execute("PRAGMA integrity_check").fetchone()[0]
        return whole, {row[0] for row in connection.execute("SELECT id FROM journal")}


def torn_disks(disk: Path, log: Path) -> Iterator[tuple[int, list[str], Path]]:
    """Yields the number of a write, the marks before it and a disk that is torn within it."""
    entries = list(writes(log))
    chosen = [n for n, entry in enumerate(entries) if entry.length > 512]
    moments = set(random.Random(20).sample(chosen, min(MOMENTS, len(chosen))))
    marks: list[str] = []
    torn = disk.with_suffix(".torn")
    with log.open("rb") as source, disk.open("r+b") as target:
        for number, entry in enumerate(entries):
            source.seek(entry.data_at)
            data = source.read(entry.length)
            if number in moments:
                target.flush()
                shutil.copyfile(disk, torn)
                with torn.open("r+b") as half:
                    half.seek(entry.at)
                    half.write(data[: len(data) // 1024 * 512])
                yield number, list(marks), torn
            if entry.mark:
                marks.append(entry.mark)
            target.seek(entry.at)
            target.write(data)


def test_torn_pages_cost_nothing_that_was_answered(
    installed_root: Path, tmp_path: Path, saw: Saw
) -> None:
    disk, log, answered = recorded(installed_root, tmp_path)
    wrong, looked, noted = [], 0, 0
    for number, marks, torn in torn_disks(disk, log):
        whole, entries = look(torn, tmp_path / "state")
        expected = set().union(*(answered[mark] for mark in marks))
        looked += 1
        noted = max(noted, len(entries))
        if whole not in ("ok", "no store yet") or (marks and whole != "ok"):
            wrong.append(f"write {number}: {whole}")
        if lost := expected - entries:
            wrong.append(f"write {number}: answered and gone: {sorted(lost)[:5]}")
    saw(f"{looked} disks torn within a write; up to {noted} notes on them")
    assert wrong == []
    assert noted, "no note was answered: nothing of them has been looked at"
