"""The page as one ASGI application: routes, files, and the answers when something can't be
shown."""

from __future__ import annotations

import logging
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import anyio.to_thread
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from stillwell.page.access import Access, AccessError, Visitor
from stillwell.page.answer import Answers
from stillwell.page.book import Book
from stillwell.page.deeds import Deeds
from stillwell.page.guard import Guard
from stillwell.page.live import Boards
from stillwell.page.machine import Machine
from stillwell.page.night import Nights
from stillwell.page.place import Tank
from stillwell.page.signing import Signing
from stillwell.page.site import HERE, NoTankError, Site
from stillwell.store import StoreError

log = logging.getLogger(__name__)

CHARTS = Path("/usr/share/javascript/dygraphs")
"""The folder of Debian's libjs-dygraphs."""
CHART_FILES = {"dygraph.min.js": "text/javascript", "dygraph.min.css": "text/css"}
FILES = {"page.css": "text/css", "page.js": "text/javascript", "night.js": "text/javascript"}
AT_ONCE = 6
"""How many requests are worked on at once: each may have a store open."""
_FOR_GOOD = {"cache-control": "public, max-age=31536000, immutable"}
_A_DAY = {"cache-control": "public, max-age=86400"}


def page(
    tanks: Sequence[Tank],
    access: Access,
    *,
    names: Sequence[str] = (),
    charts: Path = CHARTS,
    seen: Callable[[], None] = lambda: None,
    clock_s: Callable[[], float] = time.monotonic,
) -> ASGIApp:
    """Returns the application.

    Args:
        names: hosts under which it may be asked for, besides those of the tanks' settings.
        charts: the folder of the library that draws charts, which may be missing.
        seen: called at every request.
        clock_s: a clock by which tries of passphrases are limited.
    """
    there = charts if (charts / "dygraph.min.js").exists() else None
    site = Site({tank.name: tank for tank in tanks}, access, there, clock_s)
    boards = Boards(site)

    def files(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in FILES:
            raise HTTPException(404)
        return FileResponse(HERE / "static" / name, media_type=FILES[name], headers=_FOR_GOOD)

    def chart_files(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in CHART_FILES or there is None:
            raise HTTPException(404)
        return FileResponse(there / name, media_type=CHART_FILES[name], headers=_A_DAY)

    def first(request: Request, visitor: Visitor) -> Response:
        if len(site.tanks) == 1:
            return RedirectResponse(f"/tank/{next(iter(site.tanks))}", 303)
        rows = []
        for tank in site.tanks.values():
            shown = boards.row(tank)
            screen = shown.now
            calling = len(screen.calling) if screen else 0
            says = (
                "not readable"
                if screen is None
                else f"{calling or 'No'} alarm" + ("s" if calling != 1 else "")
            )
            line = screen.line if screen else "This tank can't be shown now."
            good = screen is not None and (screen.watched or screen.made_up)
            rows.append((tank.name, shown.label, line, says, good))
        return site.page("tanks.html", visitor, rows=rows)

    def lacking(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        if isinstance(error, NoTankError):
            what = error.detail
        elif error.status_code == 404:
            what = "There is no such page."
        else:
            what = "That can't be asked here."
        return site.trouble(request, error.status_code, what)

    def unreadable(request: Request, error: Exception) -> Response:
        words = error.words if isinstance(error, StoreError) else (str(error), "")
        return site.trouble(request, 503, *words)

    def fault(request: Request, error: Exception) -> Response:
        log.error("The page could not answer.", exc_info=error)
        return site.trouble(
            request,
            500,
            "The page has a fault of its own; the watch goes on without it.",
            "Its log says more: journalctl -u stillwell-page",
        )

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        anyio.to_thread.current_default_thread_limiter().total_tokens = AT_ONCE
        async with anyio.create_task_group() as tasks:
            tasks.start_soon(boards.keep_ready)
            yield
            tasks.cancel_scope.cancel()

    app = Starlette(
        routes=_routes(site, boards, first, files, chart_files),
        middleware=[Middleware(GZipMiddleware, minimum_size=800, compresslevel=6)],
        exception_handlers={
            HTTPException: lacking,
            StoreError: unreadable,
            AccessError: unreadable,
            Exception: fault,
        },
        lifespan=life,
    )
    known = {name.lower() for name in names}.union(*(tank.names for tank in tanks))
    return Guard(app, known, seen)


def _routes(
    site: Site,
    boards: Boards,
    first: Callable[[Request, Visitor], Response],
    files: Callable[[Request], Response],
    chart_files: Callable[[Request], Response],
) -> list[Route]:
    signing, answers, deeds = Signing(site), Answers(site), Deeds(site)
    nights, book, machine = Nights(site), Book(site), Machine(site)
    look, act = site.look, site.act

    def metrics(request: Request) -> Response:
        from stillwell.page.metrics import Metrics  # its library is wanted by few

        return Metrics(site).page(request)

    tank = "/tank/{tank}"
    night = tank + "/night/{evening}"
    post = ["POST"]
    return [
        Route("/", look(first)),
        Route("/sign-in", signing.form),
        Route("/sign-in", signing.sign_in, methods=post),
        Route("/devices", look(signing.devices)),
        Route("/devices/sign-out", site.sent(signing.sign_out), methods=post),
        Route("/answer/{token}", answers.look),
        Route("/answer/{token}", answers.take, methods=post),
        Route(tank, look(boards.page)),
        Route(tank + "/live", boards.live),
        Route(tank + "/answer", act(deeds.answer), methods=post),
        Route(tank + "/drill", act(deeds.drill), methods=post),
        Route(tank + "/night", look(nights.page)),
        Route(night, look(nights.page)),
        Route(night + "/series", look(nights.series)),
        Route(night + "/picture.png", look(nights.picture)),
        Route(tank + "/book", look(book.page)),
        Route(tank + "/book", act(book.note), methods=post),
        Route(tank + "/book/strike", act(book.strike), methods=post),
        Route(tank + "/book/export.csv", look(book.export)),
        Route(tank + "/machine", look(machine.page)),
        Route(tank + "/machine/check", look(machine.check)),
        Route("/metrics", metrics),
        Route("/static/{name}", files),
        Route("/dygraphs/{name}", chart_files),
    ]
