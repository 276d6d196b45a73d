"""A link that answers one alarm, once, without a password: the token and its check. Pure.

A token names what may be done (acknowledge or shelve), to which occurrence of which alarm, until
when, and carries an HMAC-SHA-256 (RFC 2104, FIPS 180-4) of all of that under the daemon's own key.
It allows nothing else: who finds an old message can acknowledge what was over long ago, and that is
refused. It is bound to the occurrence, so that yesterday's link does not answer today's alarm.

Form: ``1.<body>.<mac>``, both base64url without padding (RFC 4648, section 5), fit for a URL.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from collections.abc import Container
from dataclasses import dataclass

from stillwell.notice import Transition
from stillwell.ports import Command

VERSION = "1"
SHORTEST_KEY = 32
"""Bytes: the key is as long as the hash's output (RFC 2104, section 3)."""
LONGEST_TOKEN = 512
ANSWERS = frozenset({Command.ACKNOWLEDGE, Command.SHELVE})
"""What a link may do. Nothing that lasts, as taking out of service, and nothing to all alarms."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a valid token allows."""

    command: Command
    alarm: str
    occurrence: str
    """Which raise of the alarm it is about, as `occurrence` names it."""
    expires_ms: int
    """UTC."""
    once: str
    """Names the token among the used ones. Keep it when the answer has been taken."""
    shelve_s: int = 0


@dataclass(frozen=True, slots=True)
class Rejected:
    """Why a token is not taken, in a sentence for the person who followed the link."""

    text: str


def occurrence(raised: Transition) -> str:
    """Returns the name of the occurrence that `raised` began: the same across restarts."""
    return f"{raised.moment.epoch}:{raised.moment.mono_ms}"


def sign(answer: Answer, key: bytes) -> str:
    """Returns the token for `answer`. Raises ValueError for a key that is too short, or for an
    answer that no link may give.

    `answer.once` must be new and not guessable: ``secrets.token_urlsafe(9)`` at the edge.
    """
    if len(key) < SHORTEST_KEY:
        raise ValueError(f"A key for links has at least {SHORTEST_KEY} bytes.")
    if answer.command not in ANSWERS or not answer.alarm or not answer.once:
        raise ValueError("A link acknowledges or shelves one alarm, once.")
    fields = [
        answer.command.value,
        answer.alarm,
        answer.occurrence,
        answer.expires_ms,
        answer.once,
        answer.shelve_s,
    ]
    body = _encode(json.dumps(fields, separators=(",", ":"), ensure_ascii=False).encode())
    token = f"{VERSION}.{body}.{_encode(_mac(body, key))}"
    if len(token) > LONGEST_TOKEN:
        raise ValueError("The alarm's name is too long for a link.")
    return token


def check(
    token: str, key: bytes, now_utc_ms: int, used: Container[str], standing: str | None = None
) -> Answer | Rejected:
    """Returns what `token` allows now, or why nothing. Never raises for any `token`.

    Args:
        token: as it came in the link, from anybody.
        key: the daemon's key.
        now_utc_ms: under a trusted clock; an untrusted one may let an expired token through.
        used: the `once` of tokens that were taken before.
        standing: the alarm's occurrence now, where it is known; a token for another is refused.
    """
    body = _verified(token, key)
    if body is None:
        return Rejected("This link was not made here, or was not copied whole.")
    answer = _parsed(body)
    if answer is None:
        return Rejected("This link was made by another version; use stillwell ack.")
    if now_utc_ms >= answer.expires_ms:
        return Rejected(
            f"The link about {answer.alarm} has expired; a newer message has a new one."
        )
    if answer.once in used:
        return Rejected(f"The link about {answer.alarm} has been used already.")
    if standing is not None and standing != answer.occurrence:
        return Rejected(
            f"The link is about an earlier {answer.alarm}, not the one that stands now."
        )
    return answer


def _verified(token: str, key: bytes) -> bytes | None:
    """The body of a token whose MAC is right; None otherwise. Compares in constant time."""
    if len(key) < SHORTEST_KEY or len(token) > LONGEST_TOKEN or not token.isascii():
        return None
    parts = token.split(".")
    if len(parts) != 3 or parts[0] != VERSION:
        return None
    if not hmac.compare_digest(parts[2], _encode(_mac(parts[1], key))):
        return None
    return _decode(parts[1])


def _parsed(body: bytes) -> Answer | None:
    try:
        command, alarm, which, expires_ms, once, shelve_s = json.loads(body)
        return Answer(Command(command), alarm, which, int(expires_ms), once, int(shelve_s))
    except (ValueError, TypeError):
        return None


def _mac(body: str, key: bytes) -> bytes:
    return hmac.new(key, f"stillwell.answer.{VERSION}.{body}".encode(), hashlib.sha256).digest()


def _encode(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _decode(text: str) -> bytes | None:
    try:
        return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    except (binascii.Error, ValueError):
        return None
