"""The checks on every request before a route sees it, and on every answer on its way out: the host
that it names, what it brings and how much of it, and what the browser may do with the answer.

An ASGI application around another one. It knows nothing about tanks."""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Callable, Container
from urllib.parse import parse_qsl

from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BODY = 32_768
"""The most bytes of a body, enough for a note with its text."""
MOST_FIELDS = 40
MOST_HEAD = 16_384
"""The most bytes of all headers."""
BODY_WITHIN_S = 10.0
FIELDS = "stillwell.fields"
"""The key under which a route finds the fields of a form."""
SECURITY = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "cache-control": "no-store",
}


_BY_TLS = {"strict-transport-security": "max-age=31536000"}


class Guard:
    """Args:
    app: what it stands before.
    names: hosts by which this page may be asked for, besides addresses and this machine's.
    seen: called at every request.
    """

    def __init__(self, app: ASGIApp, names: Container[str], seen: Callable[[], None]) -> None:
        self._app = app
        self._names = names
        self._seen = seen

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        self._seen()
        guarded = _with_headers(send, secure=scope["scheme"] == "https")
        headers = {name: value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal is None and scope["method"] == "POST":
            body = await _body(headers, receive)
            if body is None:
                refusal = (413, "That is more than this page takes.")
            else:
                scope[FIELDS] = _fields(body, headers)
                receive = _nothing_more(receive)
        if refusal is None:
            await self._app(scope, receive, guarded)
        else:
            await _refuse(guarded, *refusal)

    def _refusal(self, scope: Scope, headers: dict[bytes, str]) -> tuple[int, str] | None:
        if not answers_to(headers.get(b"host", ""), self._names):
            return 421, (
                "This page does not answer to that name. Ask for it by its address in numbers, or "
                "add the name to hosts = [...] under [page] in the configuration."
            )
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "This page is read and answered, nothing else."
        if sum(len(name) + len(value) for name, value in scope["headers"]) > MOST_HEAD:
            return 431, "That is more than this page takes."
        if scope["method"] == "POST" and not _from_here(headers):
            return 403, "This was sent by another site's page, and nothing was done."
        return None


def answers_to(host: str, names: Container[str]) -> bool:
    """Whether a Host header names this page. A numeric address can't be redirected by whoever
    controls a name's records (DNS rebinding); a name can, so it must be known."""
    name = host.rsplit("]", 1)[0] + "]" if host.startswith("[") else host.partition(":")[0]
    name = name.lower().rstrip(".")
    if name == "localhost" or name in names:
        return True
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True


def _from_here(headers: dict[bytes, str]) -> bool:
    """Whether a form was sent by a page of ours, by the headers that browsers set."""
    site = headers.get(b"sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = headers.get(b"origin")
    return origin is None or origin.partition("://")[2] == headers.get(b"host", "")


async def _body(headers: dict[bytes, str], receive: Receive) -> bytes | None:
    """Returns the whole body; None where it is too long or too slow."""
    if len(said := headers.get(b"content-length", "0")) > 9 or int(said or 0) > MOST_BODY:
        return None
    parts = bytearray()
    try:
        async with asyncio.timeout(BODY_WITHIN_S):
            while True:
                message = await receive()
                if message["type"] != "http.request":
                    return None
                parts += message.get("body", b"")
                if len(parts) > MOST_BODY:
                    return None
                if not message.get("more_body"):
                    return bytes(parts)
    except TimeoutError:
        return None


def _fields(body: bytes, headers: dict[bytes, str]) -> dict[str, str]:
    if not headers.get(b"content-type", "").startswith("application/x-www-form-urlencoded"):
        return {}
    try:
        text = body.decode("utf-8", "replace")
        return dict(parse_qsl(text, keep_blank_values=True, max_num_fields=MOST_FIELDS))
    except ValueError:
        return {}


def _nothing_more(receive: Receive) -> Receive:
    """Returns a `receive` for a body that has been read: its only news is that the browser is
    gone."""
    told = False

    async def rest() -> Message:
        nonlocal told
        if not told:
            told = True
            return {"type": "http.request", "body": b"", "more_body": False}
        return await receive()

    return rest


def _with_headers(send: Send, *, secure: bool) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name for name, _ in message["headers"]}
            more = {**SECURITY, **(_BY_TLS if secure else {})}
            message["headers"] = [
                *message["headers"],
                *((k.encode(), v.encode()) for k, v in more.items() if k.encode() not in given),
            ]
        await send(message)

    return sent


async def _refuse(send: Send, status: int, text: str) -> None:
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": f"{text}\n".encode()})
