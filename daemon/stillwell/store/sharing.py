"""Shares the files of a store with those who may use the folder that they are in.

The service's folder belongs to a group, so that its members can leave notes and answer alarms. But
SQLite makes a file that only its owner may write, and a file made by root would lock out the
daemon.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

_NEVER = 0o002
"""Permissions that are never given: writing by everybody, even in a folder like /tmp."""


def make_shared(store: Path) -> None:
    """Makes the file, empty, if it is missing, and shares it and the files that SQLite keeps beside
    it. Must be called before SQLite opens it. Never raises, since SQLite then says what is wrong.
    """
    with suppress(OSError):
        os.close(os.open(store, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    for suffix in ("", "-wal", "-shm"):
        share(store.with_name(store.name + suffix))


def share(path: Path) -> None:
    """Lets everybody who may read and write in its folder do so with a file, and gives it to the
    folder's group; also to the folder's owner, if root made it. Takes rights from nobody. Files
    that we may not change stay as they are."""
    # The file is only looked up, not opened: closing a descriptor of it would end the locks that
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
