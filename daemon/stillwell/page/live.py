"""The screen Now, worked out once for all who look at it, and sent to them when it changes."""

from __future__ import annotations

import asyncio
import re
import secrets
import threading
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response, StreamingResponse

from stillwell.observe.balance import Ledger
from stillwell.page.access import Role, Visitor
from stillwell.page.now import Now, now
from stillwell.page.place import Tank
from stillwell.page.seen import seen
from stillwell.page.site import Site, now_ms
from stillwell.store import StoreError, is_held

KEEPS_S = 10.0
"""How long a worked-out screen is used while the store has not changed."""
LOOKS_S = 3.0
READY_S = 900.0
"""How long after a visit a screen is made anew as its store changes, for whoever comes next."""
ALIVE_S = 15.0
"""The interval between signs of life. A browser that hears nothing for 40 s reports that the
connection is gone."""
MOST_LOOKING = 48
_AGES = re.compile(r"<time [^>]*>[^<]*</time>")
_Signs = tuple[object, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """A screen in the form in which it is sent."""

    title: str
    html: str
    """The HTML, with `Boards.mark` where a form's token belongs."""
    now_ms: int
    now: Now | None
    """None where the store can't be read; then `html` says why."""
    label: str

    @property
    def without_ages(self) -> str:
        """Returns the screen without ages, which changes only if more than the time has changed."""
        return _AGES.sub("", self.html)


class Board:
    """The screen of one tank."""

    def __init__(self, site: Site, tank: Tank, mark: str) -> None:
        self._site, self._tank, self._mark = site, tank, mark
        self._lock = threading.Lock()
        self._kept: dict[bool, Shown] = {}
        self._pages: dict[tuple[bool, bool], str] = {}
        """Whole pages, with the mark where a form's token belongs: by whether the visitor may
        act, and has signed in."""
        self._signs: _Signs = ()
        self._at_s = 0.0
        self._visited_s: float | None = None
        self._ledger: Ledger | None = None

    def shown(self, *, acts: bool) -> Shown:
        """Returns the present screen."""
        with self._lock:
            signs = self._look()
            fresh = signs == self._signs and time.monotonic() - self._at_s < KEEPS_S
            if not fresh:
                self._kept, self._signs, self._at_s = {}, signs, time.monotonic()
                self._pages = {}
            if acts not in self._kept:
                self._kept[acts] = self._made(acts)
            return self._kept[acts]

    def page(self, visitor: Visitor) -> tuple[str, bool]:
        """Returns the whole page for this visitor, and whether the store could be read."""
        acts, device = visitor.role is Role.ACT, bool(visitor.device)
        self._visited_s = time.monotonic()
        shown = self.shown(acts=acts)
        with self._lock:
            text = self._pages.get((acts, device))
        if text is None:
            text = self._site.render(
                "now.html",
                visitor=visitor,
                acts=acts,
                tank=self._tank.name,
                label=shown.label,
                title=shown.title,
                screen="Now",
                told=None,
                fragment=shown.html,
            )
            with self._lock:
                if self._kept.get(acts) is shown:
                    self._pages[acts, device] = text
        return text.replace(self._mark, visitor.csrf), shown.now is not None

    def renew(self) -> None:
        """Makes the screen anew if the store has changed and somebody came not long ago."""
        if self._visited_s is not None and time.monotonic() - self._visited_s < READY_S:
            for acts in tuple(self._kept):
                self.shown(acts=acts)

    def _look(self) -> _Signs:
        """Returns signs, cheap to read, that show whether the store has changed."""
        signs: list[object] = []
        for suffix in ("", "-wal"):
            with suppress(OSError):
                found = self._tank.store.with_name(self._tank.store.name + suffix).stat()
                signs.append((found.st_ino, found.st_size, found.st_mtime_ns))
        with suppress(OSError, StoreError):
            signs.append(is_held(self._tank.store))
        return tuple(signs)

    def _made(self, acts: bool) -> Shown:
        name = self._tank.name
        try:
            with seen(self._tank) as found:
                if self._ledger is None or self._ledger.parameters != found.book.salt:
                    self._ledger = Ledger(found.book.salt)
                screen = now(found, self._ledger)
                label = found.plan.tank
        except StoreError as error:
            what, do = error.words
            html = self._site.render("unreadable.html", what=what, do=do)
            return Shown(f"Not readable: {name}", html, now_ms(), None, name)
        html = self._site.render("now_main.html", now=screen, tank=name, acts=acts, csrf=self._mark)
        return Shown(_title(screen, label), html, screen.now_ms, screen, label)


def _title(screen: Now, label: str) -> str:
    if not (screen.watched or screen.made_up):
        return f"NOT WATCHED: {label}"
    count = len(screen.calling)
    return f"{count} alarm{'s' if count > 1 else ''}: {label}" if count else f"{label}: now"


class Boards:
    """The screens of all tanks."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self.mark = secrets.token_hex(16)
        self._of = {name: Board(site, tank, self.mark) for name, tank in site.tanks.items()}
        self.looking = 0
        """How many browsers are being kept up to date."""

    def page(self, request: Request, visitor: Visitor) -> Response:
        """Returns the screen as a whole page."""
        tank = self._site.tank_asked(request)
        told = self._site.said(request)
        if told is None:
            text, well = self._of[tank.name].page(visitor)
            return HTMLResponse(text, 200 if well else 503)
        shown = self._of[tank.name].shown(acts=visitor.role is Role.ACT)
        return self._site.page(
            "now.html",
            visitor,
            status=200 if shown.now else 503,
            tank=tank.name,
            label=shown.label,
            title=shown.title,
            screen="Now",
            told=told,
            fragment=shown.html.replace(self.mark, visitor.csrf),
        )

    async def keep_ready(self) -> None:
        """Keeps the screens ready, for ever."""
        while True:
            await asyncio.sleep(LOOKS_S)
            for board in self._of.values():
                await run_in_threadpool(board.renew)

    def row(self, tank: Tank) -> Shown:
        """Returns the screen for the list of all tanks."""
        return self._of[tank.name].shown(acts=False)

    async def live(self, request: Request) -> Response:
        """Server-sent events (WHATWG HTML, 9.2): ``now`` when something has changed, else ``alive``
        every 15 s. Each begins with the time in ms."""
        visitor = await run_in_threadpool(self._site.visitor, request)
        tank = self._site.tank(request)
        if not isinstance(visitor, Visitor):
            return Response(status_code=403)
        if tank is None or self.looking >= MOST_LOOKING:
            return Response(status_code=404 if tank is None else 503)
        return StreamingResponse(
            self._events(request, self._of[tank.name], visitor),
            media_type="text/event-stream",
            headers={"x-accel-buffering": "no"},
        )

    async def _events(self, request: Request, board: Board, visitor: Visitor) -> AsyncIterator[str]:
        last, told_s = "", 0.0
        self.looking += 1
        try:
            while isinstance(await run_in_threadpool(self._site.visitor, request), Visitor):
                acts = visitor.role is Role.ACT
                shown = await run_in_threadpool(board.shown, acts=acts)
                made_up = shown.now is not None and shown.now.made_up
                at_ms = shown.now_ms if made_up else now_ms()
                if shown.without_ages != last:
                    last = shown.without_ages
                    html = shown.html.replace(self.mark, visitor.csrf)
                    yield _event("now", f"{at_ms} {shown.title}\x1f{html}")
                    told_s = time.monotonic()
                elif time.monotonic() - told_s >= ALIVE_S:
                    yield _event("alive", f"{at_ms} ")
                    told_s = time.monotonic()
                await asyncio.sleep(LOOKS_S)
        finally:
            self.looking -= 1


def _event(name: str, data: str) -> str:
    lines = "".join(f"data: {line}\n" for line in data.split("\n"))
    return f"event: {name}\n{lines}\n"
