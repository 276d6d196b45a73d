"""The result of an action when another user does it: in a child process that has become that
user."""

from __future__ import annotations

import os
import pwd
from collections.abc import Callable, Sequence

import pytest

needs_root = pytest.mark.skipif(
    os.geteuid() != 0, reason="needs other users: only root can become one"
)


def as_user(name: str, deed: Callable[[], object], *, also: Sequence[str] = ()) -> str:
    """Returns what `deed` returns as text, or type and text of what it raises.

    Args:
        name: who does it; root stays root.
        also: the groups that the user is in for this, beside his own.
    """
    entry = pwd.getpwnam(name)
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.umask(0o022)
            os.setgroups([pwd.getpwnam(group).pw_gid for group in also])
            os.setgid(entry.pw_gid)
            os.setuid(entry.pw_uid)
            said = str(deed())
        except BaseException as error:
            said = f"{type(error).__name__}: {error}"
        os.write(writes, said.encode())
        os._exit(0)  # whatever is open stays open to the end, as in a process that is killed
    os.close(writes)
    with os.fdopen(reads) as answer:
        told = answer.read()
    os.waitpid(child, 0)
    return told
