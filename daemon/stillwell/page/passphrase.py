"""A passphrase as it is kept: it can be checked, but not read. Pure, and slow on purpose."""

from __future__ import annotations

import hashlib
import hmac
import secrets

SHORTEST = 10
"""The least number of characters. NIST SP 800-63B asks for at least eight; this one is typed
once in three months."""
LONGEST = 200
_N, _R, _P = 1 << 14, 8, 5
"""scrypt (RFC 7914) with 16 MiB: one of the settings of equal strength in OWASP's Password Storage
Cheat Sheet."""
_MOST_BYTES = 64 << 20


def sealed(passphrase: str) -> str:
    """Returns what is kept of a passphrase."""
    salt = secrets.token_bytes(16)
    return f"scrypt:{_N}:{_R}:{_P}:{salt.hex()}:{_hash(passphrase, salt, _N, _R, _P).hex()}"


def opens(passphrase: str, kept: str) -> bool:
    """Whether `kept` was made from this passphrase; False for text of another form."""
    try:
        name, n, r, p, salt, digest = kept.split(":")
        found = _hash(passphrase, bytes.fromhex(salt), int(n), int(r), int(p))
        return name == "scrypt" and hmac.compare_digest(found, bytes.fromhex(digest))
    except ValueError:
        return False


def _hash(passphrase: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    typed = passphrase.encode("utf-8", "replace")
    return hashlib.scrypt(typed, salt=salt, n=n, r=r, p=p, maxmem=_MOST_BYTES)
