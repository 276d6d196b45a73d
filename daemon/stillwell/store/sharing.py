"""Who may use the files of a store: whoever may use the folder that they are in.

The service's folder is the group's, so that its members leave notes and answer alarms. SQLite makes
a file that only its owner may write, and one that root made would bar the daemon.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

_NEVER = 0o002
"""Writing by everybody, even where the folder is such a one as /tmp."""


def make_shared(store: Path) -> None:
    """Makes the file where it is missing, empty, and shares it with what SQLite keeps beside it.
    To be called before SQLite opens it; never raises, since SQLite then says what is wrong."""
    with suppress(OSError):
        os.close(os.open(store, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    for suffix in ("", "-wal", "-shm"):
        share(store.with_name(store.name + suffix))


def share(path: Path) -> None:
    """Lets those read and write a file who may do so in its folder, and hands it to the folder's
    group; and to the folder's owner, where root made it. Takes nothing from anybody. What is not
    ours to change stays as it is."""
    # A file that was only looked up, and not opened: to close an open one would end the locks that
    # SQLite has on it in this process (fcntl(2), "Advisory record locking").
    with suppress(OSError):
        handle = os.open(path, os.O_PATH | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            _share(handle, path.parent.stat())
        finally:
            os.close(handle)


def _share(handle: int, folder: os.stat_result) -> None:
    found = os.fstat(handle)
    name = f"/proc/self/fd/{handle}"
    given = folder.st_uid if os.geteuid() == 0 == found.st_uid else found.st_uid
    if (given, folder.st_gid) != (found.st_uid, found.st_gid):
        with suppress(OSError):
            os.chown(name, given, folder.st_gid)
    mode = found.st_mode & 0o777
    wanted = mode | (folder.st_mode & 0o666 & ~_NEVER)
    if wanted != mode:
        os.chmod(name, wanted)
