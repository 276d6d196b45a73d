"""A link that answers one alarm, once, without a password: the token and its check. Pure.

A token names what may be done (acknowledge or shelve), to which occurrence of which alarm, and
until when. It carries an HMAC-SHA-256 (RFC 2104, FIPS 180-4) of all of that under the daemon's own
key. It allows nothing else. It is bound to the occurrence, so that yesterday's link does not answer
today's alarm: whoever finds an old message is refused.

Form: ``1.<body>.<mac>``, both base64url without padding (RFC 4648, section 5), fit for a URL.

A token is checked in two steps. Whoever has the key, such as a web page beside the daemon, can
check its signature; the claims that are left then are no secret any more and may be kept. Only the
daemon knows whether the claims hold now (not used, not expired, the right occurrence).

Whoever serves the address of the links must not carry them out on a mere GET, because chat
services fetch links to show what is behind them (common practice). Ask with a button.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import re
from collections.abc import Container
from dataclasses import dataclass

from stillwell.notice import Notice, Transition
from stillwell.request import Command, Request

VERSION = "1"
SHORTEST_KEY = 32
"""Bytes: the key is as long as the hash's output (RFC 2104, section 3)."""
LONGEST_TOKEN = 512
GOOD_FOR_MS = 24 * 3_600_000
"""How long a link is valid. A choice of ours: an alarm that nobody has answered is repeated
within hours, with a new link."""
_LAST_MS = 253_402_300_799_999
"""The end of the year 9999 in UTC ms, the last year of the calendar."""
_ABOUT = re.compile(r":(\d+:\d+)(?::to-\d+)?$")
_CALLING = frozenset({"raised", "worse", "repeated", "drill"})
ANSWERS = frozenset({Command.ACKNOWLEDGE, Command.SHELVE})
"""What a link may do. It can do nothing that lasts, such as taking an alarm out of service, and
nothing that concerns all alarms."""


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
    """Tells the token from others, so that it is taken once. Keep it when the answer has been
    taken."""
    shelve_s: int = 0


@dataclass(frozen=True, slots=True)
class Rejected:
    """Why a token is not taken, in a sentence for the person who followed the link."""

    text: str


def occurrence(raised: Transition) -> str:
    """Returns the name of the occurrence that `raised` began: the same across restarts."""
    return f"{raised.moment.epoch}:{raised.moment.mono_ms}"


def occurrence_of(notice: Notice) -> str:
    """Returns the name of the occurrence that `notice` calls somebody for; empty where it wants
    no answer. The key of a notice ends in the moment of the transition that it is about."""
    found = _ABOUT.search(notice.key)
    return found[1] if found and notice.kind in _CALLING else ""


def sign(answer: Answer, key: bytes) -> str:
    """Returns the token for `answer`. Raises ValueError for a key that is too short, or for an
    answer that no link may give.

    `answer.once` must be new and not guessable: ``secrets.token_urlsafe(9)`` at the edge.
    """
    if len(key) < SHORTEST_KEY:
        raise ValueError(f"A key for links has at least {SHORTEST_KEY} bytes.")
    if answer.command not in ANSWERS or not answer.alarm or not answer.once:
        raise ValueError("A link acknowledges or shelves one alarm, once.")
    body = _encode(claims(answer).encode())
    token = f"{VERSION}.{body}.{_encode(_mac(body, key))}"
    if len(token) > LONGEST_TOKEN:
        raise ValueError("The alarm's name is too long for a link.")
    return token


def claims(answer: Answer) -> str:
    """Returns what a token says, without its signature, so that nobody can make a token of it."""
    fields = [
        answer.command.value,
        answer.alarm,
        answer.occurrence,
        answer.expires_ms,
        answer.once,
        answer.shelve_s,
    ]
    return json.dumps(fields, separators=(",", ":"), ensure_ascii=False)


def claimed(text: str) -> Answer | Rejected:
    """Returns the answer that `claims` wrote, for text whose signature has been checked. Never
    raises."""
    return _parsed(text.encode("utf-8", "replace")) or Rejected(_OTHER_VERSION)


def request_of(answer: Answer, by: str) -> Request:
    """Returns the command that a valid answer stands for."""
    about = answer.occurrence
    return Request(answer.command, answer.alarm, by, float(answer.shelve_s), about=about)


def signed(token: str, key: bytes) -> Answer | Rejected:
    """Returns what `token` says where its signature is right, or why it is rejected. Never
    raises."""
    body = _verified(token, key)
    if body is None:
        return Rejected("This link was not made here, or was not copied whole.")
    return _parsed(body) or Rejected(_OTHER_VERSION)


def holds(answer: Answer, now_utc_ms: int, used: Container[str]) -> Answer | Rejected:
    """Returns what a signed token allows now, or why it allows nothing. `announced.why_not` checks
    that its occurrence is the one that stands.

    Args:
        now_utc_ms: under a trusted clock; an untrusted one may let an expired token through.
        used: the `once` of tokens that were taken before.
    """
    if now_utc_ms >= answer.expires_ms:
        return Rejected(
            f"The link about {answer.alarm} has expired; a newer message has a new one."
        )
    if answer.once in used:
        return Rejected(f"The link about {answer.alarm} has been used already.")
    return answer


_OTHER_VERSION = "This link was made by another version; use stillwell ack."


def _verified(token: str, key: bytes) -> bytes | None:
    """Returns the body of a token whose MAC is right, else None. Compares in constant time."""
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
        if not all(isinstance(text, str) for text in (alarm, which, once)):
            return None
        if not 0 <= int(expires_ms) <= _LAST_MS:
            return None
        return Answer(Command(command), alarm, which, int(expires_ms), once, int(shelve_s))
    except (ValueError, TypeError, RecursionError):
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
