"""Who may look and who may act: the passphrases and the devices that have signed in, kept in one
file beside the store. A device's cookie is random; the file holds only its digest, so that
whoever reads a backup can't sign in with it."""

from __future__ import annotations

import fcntl
import hashlib
import hmac
import json
import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from pathlib import Path

from stillwell.page import passphrase as phrases

GOOD_FOR_MS = 90 * 86_400_000
"""How long a device stays signed in."""
_SEEN_EVERY_MS = 86_400_000
"""How often the time of a device's last visit is written down: memory cards wear."""
MOST_DEVICES = 50
LONGEST_NAME = 40


class Role(StrEnum):
    LOOK = "look"
    ACT = "act"


@dataclass(frozen=True, slots=True)
class Device:
    """A browser that has signed in."""

    id: str
    digest: str
    """SHA-256 of its cookie."""
    role: Role
    name: str
    since_ms: int
    """UTC, as `seen_ms` is."""
    seen_ms: int


@dataclass(frozen=True, slots=True)
class Visitor:
    """Whoever asks for a page."""

    role: Role
    csrf: str
    """The token that this visitor's forms must carry."""
    device: str = ""
    """The device's id; empty where no passphrase is set, for somebody at this machine."""
    name: str = ""


@dataclass(frozen=True, slots=True)
class _Kept:
    passphrases: Mapping[str, str] = field(default_factory=dict)
    devices: tuple[Device, ...] = ()


class AccessError(Exception):
    """The file can't be read or written; the text is a sentence for the keeper."""


def access_file(store: Path) -> Path:
    """Returns the path of the file that belongs to a store."""
    return store.with_suffix(".page-access")


class Access:
    """Checks and keeps who has access. Reads the file anew when it has changed, because another
    process sets a passphrase."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._stamp: tuple[int, int] | None = None
        self._read = _Kept()
        self._here = secrets.token_hex(16)

    def any_set(self) -> bool:
        """Whether there is a passphrase. Raises `AccessError`."""
        return bool(self._kept().passphrases)

    def at_this_machine(self) -> Visitor:
        """Returns the visitor at this machine, who needs no passphrase where none is set."""
        return Visitor(Role.ACT, _csrf(self._here))

    def visitor(self, cookie: str, now_ms: int) -> Visitor | None:
        """Returns the visitor with this cookie; None for a stranger. Raises `AccessError`."""
        digest = _digest(cookie)
        for device in self._kept().devices:
            if hmac.compare_digest(device.digest, digest) and _good(device, now_ms):
                if now_ms - device.seen_ms > _SEEN_EVERY_MS:
                    with suppress(AccessError):
                        self._saw(device, now_ms)
                return Visitor(device.role, _csrf(cookie), device.id, device.name)
        return None

    def sign_in(self, typed: str, name: str, now_ms: int) -> str | None:
        """Returns the cookie for a new device; None where what was typed is no passphrase of
        either role. Raises `AccessError`."""
        if len(typed) > phrases.LONGEST:
            return None
        kept = self._kept().passphrases
        role = next((r for r in Role if r in kept and phrases.opens(typed, kept[r])), None)
        if role is None:
            return None
        cookie = secrets.token_urlsafe(32)
        named = " ".join(name.split())[:LONGEST_NAME] or "a device"
        device = Device(secrets.token_hex(4), _digest(cookie), role, named, now_ms, now_ms)
        with self._changing() as kept_now:
            good = [d for d in kept_now.devices if _good(d, now_ms)]
            newest = sorted(good, key=lambda d: d.seen_ms)[-(MOST_DEVICES - 1) :]
            self._write(replace(kept_now, devices=(*newest, device)))
        return cookie

    def devices(self, now_ms: int) -> list[Device]:
        """Returns the devices that are signed in, the newest first. Raises `AccessError`."""
        good = [d for d in self._kept().devices if _good(d, now_ms)]
        return sorted(good, key=lambda d: -d.since_ms)

    def sign_out(self, device: str) -> None:
        """Signs a device out. Raises `AccessError`."""
        with self._changing() as kept:
            left = tuple(d for d in kept.devices if d.id != device)
            self._write(replace(kept, devices=left))

    def set_passphrase(self, role: Role, typed: str) -> None:
        """Sets the passphrase of a role, and signs out the devices of that role. Raises
        `AccessError`."""
        with self._changing() as kept:
            others = tuple(d for d in kept.devices if d.role is not role)
            phrase = {**kept.passphrases, str(role): phrases.sealed(typed)}
            self._write(_Kept(phrase, others))

    # -- the file ------------------------------------------------------------------------------

    def _kept(self) -> _Kept:
        try:
            found = self._path.stat()
            stamp = (found.st_mtime_ns, found.st_ino)
            if stamp != self._stamp:
                raw = json.loads(self._path.read_text(encoding="utf-8"))
                devices = tuple(Device(**d | {"role": Role(d["role"])}) for d in raw["devices"])
                self._read, self._stamp = _Kept(raw["passphrases"], devices), stamp
        except FileNotFoundError:
            self._read, self._stamp = _Kept(), None
        except OSError as error:
            raise AccessError(f"{self._path} can't be read: {error.strerror}.") from error
        except (ValueError, TypeError, KeyError) as error:
            raise AccessError(
                f"{self._path} is not as this program wrote it. Remove it, and set the passphrase "
                "anew: sudo stillwell page --set-passphrase"
            ) from error
        return self._read

    @contextmanager
    def _changing(self) -> Iterator[_Kept]:
        """Locks the file against other processes; yields what it holds at this moment."""
        try:
            with self._path.with_suffix(".page-lock").open("a") as lock:
                self._share(Path(lock.name))
                fcntl.flock(lock, fcntl.LOCK_EX)
                self._stamp = None
                yield self._kept()
        except OSError as error:
            raise AccessError(f"{self._path} can't be written: {error.strerror}.") from error

    def _write(self, kept: _Kept) -> None:
        fresh = self._path.with_name(f"{self._path.name}.{os.getpid()}")
        text = json.dumps(
            {
                "passphrases": dict(kept.passphrases),
                "devices": [asdict(device) for device in kept.devices],
            }
        )
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        try:
            os.write(handle, text.encode())
            os.fsync(handle)
        finally:
            os.close(handle)
        self._share(fresh)
        fresh.replace(self._path)
        self._stamp = None

    def _share(self, path: Path) -> None:
        """Gives a file that root made to the folder's owner."""
        folder = self._path.parent.stat()
        if os.geteuid() == 0:
            os.chown(path, folder.st_uid, folder.st_gid)

    def _saw(self, seen: Device, now_ms: int) -> None:
        with self._changing() as kept:
            devices = tuple(
                replace(d, seen_ms=now_ms) if d.id == seen.id else d for d in kept.devices
            )
            self._write(replace(kept, devices=devices))


def _good(device: Device, now_ms: int) -> bool:
    return now_ms < device.since_ms + GOOD_FOR_MS


def _digest(cookie: str) -> str:
    return hashlib.sha256(cookie.encode("utf-8", "replace")).hexdigest()


def _csrf(cookie: str) -> str:
    """Returns the form token. It is derived one way from the cookie, which no other site can
    read."""
    return hmac.new(cookie.encode("utf-8", "replace"), b"csrf", hashlib.sha256).hexdigest()[:32]
