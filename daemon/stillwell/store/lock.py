"""One writer a store: an flock on a file beside it, held for as long as the process lives.

An flock goes with its process, however that dies, so there is never a stale lock to remove.
"""

from __future__ import annotations

import errno
import fcntl
import os
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

from stillwell.store.errors import StoreBusy
from stillwell.store.sharing import share

_PATIENCE_S = 0.5
"""`is_held` takes the lock for a moment in order to know; the writer waits that moment out."""


def lock_path(store: Path) -> Path:
    return store.with_name(store.name + ".lock")


class WriterLock:
    """Held from `take` to `release`."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._fd: int | None = None

    def take(self) -> None:
        """Raises `StoreBusy` when another process has it, OSError when the disk takes no lock
        file."""
        if self._fd is not None:
            return
        path = lock_path(self._store)
        try:
            fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            share(path)
        except OSError as error:
            if error.errno not in (errno.EROFS, errno.EACCES, errno.EPERM) or not path.exists():
                raise
            fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        deadline = time.monotonic() + _PATIENCE_S
        while True:
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > deadline:
                    os.close(fd)
                    raise StoreBusy(self._busy_text(path)) from None
                time.sleep(0.02)
        self._fd = fd
        self._sign(fd)

    def release(self) -> None:
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None

    def _sign(self, fd: int) -> None:
        # Who holds it is a courtesy to the next one: a disk that does not take the note changes
        # nothing.
        command = Path(sys.argv[0]).name if sys.argv and sys.argv[0] else "python"
        note = f"process {os.getpid()} ({command}), since {datetime.now(UTC):%Y-%m-%d %H:%M} UTC\n"
        try:
            os.ftruncate(fd, 0)
            os.pwrite(fd, note.encode(), 0)
        except OSError:
            pass

    def _busy_text(self, path: Path) -> str:
        try:
            holder = path.read_text(encoding="utf-8", errors="replace").strip()
        except OSError:
            holder = ""
        return (
            f"The store {self._store} is being written by {holder or 'another process'}. One store "
            "has one writer: stop that one first (`systemctl stop stillwell` if it is the "
            "service), or give this one another path."
        )


def is_held(store: Path) -> bool:
    """Whether a daemon writes this store now."""
    try:
        fd = os.open(lock_path(store), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(fd)
    return False
