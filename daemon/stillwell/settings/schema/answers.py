"""``[unanswered]`` and ``[page]``: alarms that wait for an answer, and the links that give one."""

from __future__ import annotations

from typing import Annotated

from annotated_types import Ge, Gt, MinLen
from pydantic import AfterValidator, SecretStr

from stillwell import web
from stillwell.settings.schema.values import Part
from stillwell.settings.setting_error import SettingError
from stillwell.units import Seconds


def _growing(times: tuple[float, ...]) -> tuple[float, ...]:
    if list(times) != sorted(set(times)):
        raise SettingError(
            "The times do not grow.", 'Write each later than the one before: ["10 min", "30 min"].'
        )
    return times


class Unanswered(Part):
    """When an alarm of high priority is said again that nobody has acknowledged or shelved."""

    repeat_after: Annotated[
        tuple[Annotated[Seconds, Gt(0)], ...], MinLen(1), AfterValidator(_growing)
    ] = (600.0, 1800.0, 3600.0)
    """How long after the alarm, and after each passing on, the next person is called."""
    pass_on_after: Annotated[Seconds, Gt(0)] = 3600.0
    """Then it is said to the recipients of the next turn as well."""
    then_every: Annotated[Seconds, Ge(0)] = 21_600.0
    """Once all turns have heard it; 0 s: then it keeps still."""


SHORTEST_LINK_KEY = 32
"""Bytes: RFC 2104, section 3, for HMAC-SHA-256."""


def _web_address(address: str) -> str:
    parts = web.address(address)
    if parts is None or not address.isascii() or any(sign.isspace() for sign in address):
        raise SettingError("This is no web address.", 'Write it like "http://tank.local:8080".')
    if parts.username is not None or parts.password is not None or parts.query or parts.fragment:
        raise SettingError(
            "The address has a user, a query or a fragment.", "Leave them out: links are added."
        )
    return address.rstrip("/")


def _long_enough(key: SecretStr) -> SecretStr:
    if len(key.get_secret_value().encode()) < SHORTEST_LINK_KEY:
        raise SettingError(
            f"The key is shorter than {SHORTEST_LINK_KEY} bytes.",
            "Make one with: openssl rand -hex 32. Or leave it out: the daemon makes one.",
        )
    return key


class Page(Part):
    """The web page that `stillwell page` serves, and the links in messages that lead to it."""

    address: Annotated[str, AfterValidator(_web_address)] | None = None
    """The page's address as a phone reaches it: http://tank.local:8080. Without it no message has a
    link."""
    hosts: tuple[str, ...] = ()
    """Other names under which it is reached; a request for any other name is refused."""
    certificate: str | None = None
    """The file of its TLS certificate (PEM); the page is then served by https alone."""
    certificate_key: str | None = None
    """The file of the certificate's key (PEM), where it is not in the same file."""
    key: Annotated[SecretStr, AfterValidator(_long_enough)] | None = None
    """What links are signed with, at least 32 bytes. Better as the credential ``page.key`` than
    here; without it the daemon makes one and keeps it beside the store."""
