"""Allows one writer per store by an flock on a file beside it, held for as long as the process
lives.

An flock ends with its process, however that dies, so there is never a stale lock to remove. The
file's name begins with a dot, so that deleting a store (``rm tank.db*``) does not delete the lock
too; if it is deleted all the same, the writer takes it anew at its next check. In a folder where no
lock file can be made, the folder itself is locked: nobody can make a second store there.
"""

from __future__ import annotations

import errno
import fcntl
import os
import sys
import time
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from stillwell.store.errors import StoreBusy
from stillwell.store.sharing import share

_PATIENCE_S = 0.5
"""How long the writer waits for the lock, in seconds: `is_held` takes it for a moment to
find out."""
_NO_FILE = (errno.EROFS, errno.EACCES, errno.EPERM, errno.ENOSPC, errno.EDQUOT)


def lock_path(store: Path) -> Path:
    return store.with_name(f".{store.name}.lock")


class WriterLock:
    """The writer's lock, held from `take` to `release`."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._fd: int | None = None
        self._on_folder = False

    def take(self) -> None:
        """Takes the lock. Raises `StoreBusy` when another process has it, OSError when there is no
        folder."""
        if self._fd is not None and not self._on_folder and self._is_there():
            return
        descriptor, on_folder = self._opened()
        if on_folder and self._on_folder:
            os.close(descriptor)
            return
        deadline = time.monotonic() + _PATIENCE_S
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > deadline:
                    os.close(descriptor)
                    raise StoreBusy(*self._busy_text()) from None
                time.sleep(0.02)
        self.release()
        self._fd, self._on_folder = descriptor, on_folder
        if not on_folder:
            self._sign(descriptor)

    look = take
    """Takes the lock anew if its file is gone; raises `StoreBusy` if another process is the writer
    by now."""

    def beat(self) -> None:
        """Shows that the writer is alive: see `moved_ms`. Does nothing if the file's time can't be
        set."""
        if self._fd is not None and not self._on_folder:
            with suppress(OSError):
                os.utime(self._fd)

    def release(self) -> None:
        if self._fd is not None:
            os.close(self._fd)
            self._fd, self._on_folder = None, False

    def _is_there(self) -> bool:
        assert self._fd is not None
        try:
            there = lock_path(self._store).stat()
        except FileNotFoundError:
            return False
        except OSError:
            return True
        held = os.fstat(self._fd)
        return (there.st_dev, there.st_ino) == (held.st_dev, held.st_ino)

    def _opened(self) -> tuple[int, bool]:
        """A descriptor of what is to be locked, and whether that is the folder."""
        path = lock_path(self._store)
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            share(path)
            return descriptor, False
        except OSError as error:
            if error.errno not in _NO_FILE:
                raise
        try:
            return os.open(path, os.O_RDONLY | os.O_CLOEXEC), False
        except OSError:
            return os.open(self._store.parent, os.O_RDONLY | os.O_CLOEXEC), True

    def _sign(self, fd: int) -> None:
        # The holder's name only helps the next process to say who it is; the lock works without it.
        command = Path(sys.argv[0]).name if sys.argv and sys.argv[0] else "python"
        note = f"process {os.getpid()} ({command}), since {datetime.now(UTC):%Y-%m-%d %H:%M} UTC\n"
        try:
            os.ftruncate(fd, 0)
            os.pwrite(fd, note.encode(), 0)
        except OSError:
            pass

    def _busy_text(self) -> tuple[str, str]:
        try:
            text = lock_path(self._store).read_text(encoding="utf-8", errors="replace")
        except OSError:
            text = ""
        return (
            f"The store {self._store} is being written by {text.strip() or 'another process'}.",
            "One store has one writer: stop that one first (`sudo systemctl stop stillwell` if it "
            "is the service), or give this one another path.",
        )


def is_held(store: Path) -> bool:
    """Whether a daemon is writing this store now."""
    for path in (lock_path(store), store.parent):
        try:
            fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            continue
        try:
            fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        finally:
            os.close(fd)
    return False


def moved_ms(store: Path) -> int | None:
    """UTC ms, by this machine's clock, when the writer last showed that it is alive; None if
    unknown."""
    try:
        return lock_path(store).stat().st_mtime_ns // 1_000_000
    except OSError:
        return None
