"""Finds the process that holds a lock on the store's file."""

from __future__ import annotations

import fcntl
import os
import struct
from contextlib import suppress
from pathlib import Path

_FLOCK = "hhqqi"
"""The struct flock of fcntl(2): type, whence, start, length, pid."""
_PLACES = (("-shm", 120, 1), ("", 0x4000_0000, 512))
"""Where SQLite locks: WAL_WRITE_LOCK in the index of the log
(https://www.sqlite.org/walformat.html#wal_locks), and the lock bytes of the file itself
(https://www.sqlite.org/fileformat2.html#the_lock_byte_page)."""


def holder(store: Path) -> str:
    """Returns which process keeps this one from writing, as ``The program sqlite3 (process 812)``;
    empty where it can't be known.

    It asks through descriptors that SQLite has open, because opening and closing one of our own
    would drop this process's locks.
    """
    with suppress(OSError, struct.error):
        for suffix, start, length in _PLACES:
            wanted = store.with_name(store.name + suffix).stat()
            descriptor = open_here((wanted.st_dev, wanted.st_ino))
            if descriptor is None:
                continue
            asked = struct.pack(_FLOCK, fcntl.F_RDLCK, os.SEEK_SET, start, length, 0)
            found = struct.unpack(_FLOCK, fcntl.fcntl(descriptor, fcntl.F_GETLK, asked))
            if found[0] != fcntl.F_UNLCK and found[4] > 0:
                return _process(found[4])
    return ""


def open_here(identity: tuple[int, int]) -> int | None:
    """Returns a descriptor under which this process has a file open, by the file's device and
    inode; None if it has not."""
    for name in os.listdir("/proc/self/fd"):
        with suppress(OSError):
            status = os.fstat(int(name))
            if (status.st_dev, status.st_ino) == identity:
                return int(name)
    return None


def _process(pid: int) -> str:
    with suppress(OSError):
        name = Path(f"/proc/{pid}/comm").read_text(encoding="utf-8", errors="replace").strip()
        shown = "".join(filter(str.isprintable, name))  # a program chooses its own name
        return f"The program {shown} (process {pid})"
    return f"Process {pid}"
