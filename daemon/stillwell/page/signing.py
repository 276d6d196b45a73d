"""Signing in and out."""

from __future__ import annotations

from datetime import UTC, datetime

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from stillwell.page.access import GOOD_FOR_MS, Role, Visitor
from stillwell.page.allowed import WAITS_S
from stillwell.page.site import (
    NO_PASSPHRASE,
    Site,
    address_of,
    at_this_machine,
    by_tls,
    cookie_name,
    fields,
    now_ms,
)

_WRONG = "That is not the passphrase."
_TOO_OFTEN = (
    "Too many tries from here. Wait a minute, then try again; the link in a message works "
    "without a passphrase."
)
_BUSY = "Somebody else is signing in just now. Try again."


class Signing:
    """The routes."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def form(self, request: Request) -> Response:
        if not self._site.access.any_set():
            if at_this_machine(request):
                return RedirectResponse("/", 303)
            return self._site.trouble(request, 503, NO_PASSPHRASE)
        return self._form(request.query_params.get("next", ""), "", "", 200)

    def sign_in(self, request: Request) -> Response:
        """Checks one try to sign in."""
        sent, site = fields(request), self._site
        way, name = sent.get("next", ""), sent.get("name", "")
        if not site.tries.take(address_of(request), site.clock_s()):
            return self._form(way, name, _TOO_OFTEN, 429)
        if not site.tries.turn.acquire(timeout=WAITS_S):
            return self._form(way, name, _BUSY, 503)
        try:
            cookie = site.access.sign_in(sent.get("passphrase", ""), name, now_ms())
        finally:
            site.tries.turn.release()
        if cookie is None:
            return self._form(way, name, _WRONG, 403)
        answer = RedirectResponse(ours(way), 303)
        answer.set_cookie(
            cookie_name(request),
            cookie,
            max_age=GOOD_FOR_MS // 1000,
            path="/",
            secure=by_tls(request),
            httponly=True,
            samesite="strict",
        )
        return answer

    def _form(self, way: str, name: str, why: str, status: int) -> Response:
        return self._site.page(
            "sign_in.html", None, status=status, next=ours(way), name=name[:40], why=why
        )

    def devices(self, request: Request, visitor: Visitor) -> Response:
        def day(ms: int) -> str:
            return f"{datetime.fromtimestamp(ms / 1000, UTC):%d %b %Y}"

        found = self._site.access.devices(now_ms())
        if visitor.role is not Role.ACT:
            found = [device for device in found if device.id == visitor.device]
        rows = [(device, day(device.since_ms), day(device.seen_ms)) for device in found]
        return self._site.page("devices.html", visitor, devices=rows)

    def sign_out(self, request: Request, visitor: Visitor) -> Response:
        """Signs a device out. A device that may only look can only sign itself out."""
        device = fields(request).get("device", "")
        if visitor.role is not Role.ACT and device != visitor.device:
            return self._site.trouble(request, 403, "This device may look and not act.")
        self._site.access.sign_out(device)
        return RedirectResponse("/devices", 303)


def ours(way: str) -> str:
    """Returns `way` where it is a path of this page to go on to, else the first page's path;
    another site's address is no such path."""
    plain = way.isascii() and way.isprintable() and "\\" not in way and len(way) < 200
    return way if plain and way.startswith("/") and not way.startswith("//") else "/"
