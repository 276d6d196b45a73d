"""Makes the links in messages, and keeps the key that they are signed with.

The key is the daemon's own: made once beside the store and readable only by its user, or given as a
credential. Whoever has it can make links, so it is never in a log, a message or the store.
"""

from __future__ import annotations

import os
import secrets
import stat
from collections.abc import Callable
from pathlib import Path

from stillwell.alarm.answer_link import (
    GOOD_FOR_MS,
    SHORTEST_KEY,
    Answer,
    occurrence_of,
    sign,
)
from stillwell.notice import Notice
from stillwell.request import Command


class KeyFileError(Exception):
    """The key can't be read or made; the text is a sentence for the keeper."""


def key_file(store: Path) -> Path:
    """Returns the path of the key that belongs to a store."""
    return store.with_suffix(".link-key")


def kept_key(path: Path) -> bytes:
    """Returns the key that is kept in a file; makes the file, with mode 0600, if it is not
    there. Raises `KeyFileError`."""
    try:
        if not path.exists():
            _make(path)
        mode = path.stat().st_mode
        key = path.read_bytes()
    except OSError as error:
        raise KeyFileError(
            f"The key for links cannot be kept in {path}: {error.strerror}. Messages go out "
            f"without links."
        ) from error
    if mode & stat.S_IRWXO:
        raise KeyFileError(
            f"Everybody on this machine can read or change {path}, the key for links, and make "
            f"links with it. Messages go out without links. Remove it, and a new key is made at "
            f"the next start; links that were sent count no more."
        )
    if len(key) < SHORTEST_KEY:
        raise KeyFileError(
            f"{path} is no key for links. Remove it, and a new one is made at the next start."
        )
    return key


def _make(path: Path) -> None:
    """Makes the key file in two steps, so that a power cut leaves a whole key or none. If two
    processes make it at once, the second takes the key of the first."""
    fresh = path.with_name(f"{path.name}.{os.getpid()}")
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        os.fchmod(handle, 0o600)
        os.write(handle, secrets.token_bytes(SHORTEST_KEY))
        os.fsync(handle)
    finally:
        os.close(handle)
    try:
        os.link(fresh, path)
    except FileExistsError:
        pass
    finally:
        fresh.unlink()


class Links:
    """Makes links to one address.

    Args:
        address: the beginning of every link, such as ``http://tank.local:8080``.
        key: the key that links are signed with.
        wall_ms: returns UTC milliseconds.
    """

    def __init__(self, address: str, key: bytes, wall_ms: Callable[[], int]) -> None:
        self._address = address.rstrip("/")
        self._key = key
        self._wall_ms = wall_ms

    def __repr__(self) -> str:
        return f"Links({self._address!r})"

    def of(self, notice: Notice) -> str:
        """Returns a fresh link that acknowledges what `notice` calls somebody for; empty where it
        wants no answer."""
        about = occurrence_of(notice)
        if not about:
            return ""
        answer = Answer(
            Command.ACKNOWLEDGE,
            notice.subject,
            about,
            self._wall_ms() + GOOD_FOR_MS,
            secrets.token_urlsafe(9),
        )
        try:
            return f"{self._address}/answer/{sign(answer, self._key)}"
        except ValueError:
            return ""
