"""What the routes share: the tanks, who asks, the templates, the message for the next page."""

from __future__ import annotations

import datetime as dt
import hashlib
import hmac
import ipaddress
import secrets
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from stillwell import __version__
from stillwell.page.access import Access, Role, Visitor
from stillwell.page.allowed import Tries
from stillwell.page.guard import FIELDS
from stillwell.page.place import Tank
from stillwell.shown import plain

HERE = Path(__file__).parent
Endpoint = Callable[[Request, Visitor], Response]
_SAID_AT_MOST = 200
_FORWARDED = ("x-forwarded-for", "forwarded", "via", "x-real-ip")
NO_PASSPHRASE = (
    "No passphrase is set, so this page shows itself on its own machine only. Set one there: "
    "sudo stillwell page --set-passphrase"
)


class NoTankError(HTTPException):
    """A path names a tank that is not shown here."""

    def __init__(self) -> None:
        super().__init__(404, "There is no such tank here.")


class Site:
    """What the whole page knows, shared by its routes."""

    def __init__(
        self,
        tanks: Mapping[str, Tank],
        access: Access,
        charts: Path | None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.tanks = tanks
        self.access = access
        self.charts = charts
        """The folder of the library that draws charts; None where it is not installed."""
        self.clock_s = clock_s
        """A clock in s that is never stepped."""
        self.tries = Tries()
        self._said: dict[str, tuple[str, bool]] = {}
        self._templates = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.globals.update(
            version=__version__,
            many=len(tanks) > 1,
            css=stamped("page.css"),
            js=stamped("page.js"),
            night_js=stamped("night.js"),
        )
        self._templates.filters["plain"] = plain

    # -- who asks ------------------------------------------------------------------------------

    def look(self, endpoint: Endpoint) -> Callable[[Request], Response]:
        """Returns the endpoint, open to everybody who has signed in."""

        def whole(request: Request) -> Response:
            visitor = self.visitor(request)
            if isinstance(visitor, Visitor):
                return endpoint(request, visitor)
            return visitor

        return whole

    def sent(self, endpoint: Endpoint) -> Callable[[Request], Response]:
        """Returns the endpoint, open to whoever has signed in and has sent our own form."""

        def whole(request: Request, visitor: Visitor) -> Response:
            token = fields(request).get("csrf", "")
            if not hmac.compare_digest(token.encode(), visitor.csrf.encode()):
                return self.trouble(
                    request, 403, "This form is not of this session. Go back, reload, try again."
                )
            return endpoint(request, visitor)

        return self.look(whole)

    def act(self, endpoint: Endpoint) -> Callable[[Request], Response]:
        """Returns the endpoint like `sent`, open to whoever may change something."""

        def whole(request: Request, visitor: Visitor) -> Response:
            if visitor.role is not Role.ACT:
                return self.trouble(request, 403, "This device may look and not act.")
            return endpoint(request, visitor)

        return self.sent(whole)

    def visitor(self, request: Request) -> Visitor | Response:
        """Returns who asks, or the answer to a stranger."""
        if not self.access.any_set():
            if at_this_machine(request):
                return self.access.at_this_machine()
            return self.trouble(request, 503, NO_PASSPHRASE)
        cookie = request.cookies.get(cookie_name(request), "")
        found = self.access.visitor(cookie, now_ms()) if cookie else None
        if found is not None:
            return found
        if request.method == "POST":
            return self.trouble(request, 403, "You are not signed in, and nothing was done.")
        return RedirectResponse(f"/sign-in?next={request.url.path}", 303)

    # -- what is answered ----------------------------------------------------------------------

    def render(self, template: str, **values: Any) -> str:
        return self._templates.get_template(template).render(**values)

    def page(
        self,
        template: str,
        visitor: Visitor | None,
        *,
        status: int = 200,
        tank: str = "",
        **values: Any,
    ) -> Response:
        acts = visitor is not None and visitor.role is Role.ACT
        text = self.render(template, visitor=visitor, acts=acts, tank=tank, **values)
        return HTMLResponse(text, status)

    def trouble(self, request: Request, status: int, what: str, do: str = "") -> Response:
        """Returns a page that says what can't be done, and what to do."""
        lines = [line for line in (what, do) if line]
        return self.page("trouble.html", None, status=status, lines=lines)

    def say(self, text: str, *, well: bool) -> str:
        """Keeps a message for the next page; returns what to add to that page's address. With
        the text itself in the address anybody could make us show their words."""
        number = secrets.token_urlsafe(6)
        while len(self._said) >= _SAID_AT_MOST:
            self._said.pop(next(iter(self._said)))
        self._said[number] = (text, well)
        return f"?said={number}"

    def said(self, request: Request) -> tuple[str, bool] | None:
        return self._said.get(request.query_params.get("said", ""))

    def tank(self, request: Request) -> Tank:
        """Returns the tank that a path names. Raises `NoTankError`, which is answered as a page."""
        try:
            return self.tanks[request.path_params["tank"]]
        except KeyError:
            raise NoTankError from None


def fields(request: Request) -> Mapping[str, str]:
    """Returns the fields that a form brought."""
    found = request.scope.get(FIELDS, {})
    assert isinstance(found, dict)
    return found


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def stamped(name: str) -> str:
    """Returns the address of a file of ours, which changes with its content, because browsers
    keep the file for ever."""
    digest = hashlib.sha256((HERE / "static" / name).read_bytes()).hexdigest()[:12]
    return f"/static/{name}?{digest}"


def by_tls(request: Request) -> bool:
    """Whether the browser uses TLS, with us or with a proxy on this machine."""
    if request.url.scheme == "https":
        return True
    proxied = request.headers.get("x-forwarded-proto", "").strip().lower() == "https"
    return proxied and _peer_is_here(request)


def cookie_name(request: Request) -> str:
    # Browsers take a cookie of that name only over TLS, for this host and for all of it.
    return "__Host-stillwell" if by_tls(request) else "stillwell"


def address_of(request: Request) -> str:
    """Returns the address from which a request comes; behind a proxy on this machine the one
    that the proxy gives."""
    if _peer_is_here(request):
        return request.headers.get("x-forwarded-for", "").rpartition(",")[2].strip() or "127.0.0.1"
    return request.client.host if request.client else "127.0.0.1"


def at_this_machine(request: Request) -> bool:
    """Whether it is this machine's own browser, with no proxy in between."""
    if not _peer_is_here(request) or any(name in request.headers for name in _FORWARDED):
        return False
    host = request.url.hostname or ""
    return host == "localhost" or _is_loopback(host)


def _peer_is_here(request: Request) -> bool:
    return request.client is None or _is_loopback(request.client.host)


def _is_loopback(host: str) -> bool:
    try:
        ip = ipaddress.ip_address(host.strip("[]"))
    except ValueError:
        return False
    mapped = ip.ipv4_mapped if isinstance(ip, ipaddress.IPv6Address) else None
    return (mapped or ip).is_loopback


def clock_words(at_ms: int, zone: dt.tzinfo, now: int) -> str:
    """Returns a time such as ``13:06``, with its day where that is not today."""
    at, today = (dt.datetime.fromtimestamp(ms / 1000, zone) for ms in (at_ms, now))
    return f"{at:%H:%M}" if at.date() == today.date() else f"{at:%a %d %b %H:%M}"
