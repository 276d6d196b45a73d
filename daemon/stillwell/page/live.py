"""The screen Now, worked out once for all who look at it, and sent to them when it changes."""

from __future__ import annotations

import asyncio
import logging
import re
import secrets
import threading
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass, field

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response, StreamingResponse

from stillwell.observe.balance import Ledger
from stillwell.page.access import Role, Visitor
from stillwell.page.now import Now, now
from stillwell.page.place import Tank
from stillwell.page.seen import seen
from stillwell.page.site import Site, now_ms
from stillwell.ports import Stream
from stillwell.store import StoreError, StoreReader, is_held

log = logging.getLogger(__name__)

KEEPS_S = 10.0
"""How long a worked-out screen counts as new while its store has not changed."""
LOOKS_S = 3.0
"""The interval at which a screen is looked after: made anew where its store has changed."""
TENDED_S = 10.0
"""A screen that was new this short a time ago, and is looked after, may be shown while the next
one is being made."""
READY_S = 900.0
"""How long after a visit a screen is looked after, for whoever comes next."""
ALIVE_S = 15.0
"""The interval between signs of life. A browser that hears nothing for 40 s reports that the
connection is gone."""
MOST_LOOKING = 48
_AGES = re.compile(r"<time [^>]*>[^<]*</time>")


@dataclass(frozen=True, slots=True)
class _Signs:
    """What is cheap to look at and differs after every change of a store."""

    files: tuple[tuple[int, int, int], ...]
    held: bool
    """Whether a daemon has the store."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A screen, worked out once for all who look."""

    title: str
    label: str
    now: Now | None
    """None where the store can't be read; then `html` says why, and what to do."""
    now_ms: int
    signs: _Signs
    """The signs before the store was read."""
    at_s: float
    happened: tuple[int, int] | None
    """The newest transition of an alarm and the newest entry of the book that are in it."""
    html: dict[bool, str] = field(default_factory=dict)
    """What changes, by whether the visitor may act, with a mark where a form's token belongs."""
    pages: dict[Visitor, str] = field(default_factory=dict)
    """Whole pages, by a visitor whose form's token is that mark."""


class Board:
    """The screen of one tank.

    What is measured has its time beside it, so a visitor gets a screen of some seconds ago rather
    than wait for the next one, which is being made meanwhile. What has no time of its own is never
    late: an alarm that has come, changed or gone, an entry of the book, a daemon that has ended.
    Where any of these is newer than the screen, the visitor waits for a new one. That a daemon
    hangs is seen by the time since its last sign alone, and may be shown `KEEPS_S` later.
    """

    def __init__(self, site: Site, tank: Tank, mark: str) -> None:
        self._site, self._tank, self._mark = site, tank, mark
        self._making = threading.Lock()
        self._kept: Shown | None = None
        self._tended_s = self._visited_s = -READY_S
        self._visitors: set[Visitor] = set()
        """For whom whole pages are kept ready: by role, with the mark for their form's token."""
        self._ledger: Ledger | None = None

    def shown(self, *, exact: bool = False) -> Shown:
        """Returns the screen for somebody who looks.

        Args:
            exact: as the store is now, for somebody who has just changed something.
        """
        self._visited_s = time.monotonic()
        kept, signs = self._kept, self._look()
        if kept is not None and not exact and self._may_stand(kept, signs):
            return kept
        return self._new()

    def page(self, visitor: Visitor, told: tuple[str, bool] | None) -> tuple[str, bool]:
        """Returns the whole page for this visitor, and whether the store could be read.

        Args:
            told: what the visitor has just done, and whether it was done.
        """
        anybody = Visitor(visitor.role, self._mark, "signed in" if visitor.device else "")
        self._visitors.add(anybody)
        shown = self.shown(exact=told is not None)
        text = self._whole(shown, anybody, told)
        return text.replace(self._mark, visitor.csrf), shown.now is not None

    def fragment(self, shown: Shown, visitor: Visitor) -> str:
        """Returns the part of the page that changes, for this visitor."""
        html = self._html(shown, acts=visitor.role is Role.ACT)
        return html.replace(self._mark, visitor.csrf)

    def tend(self) -> None:
        """Makes the screen anew if its store has changed and somebody came not long ago."""
        if self._kept is not None and time.monotonic() - self._visited_s < READY_S:
            self._new()
            self._tended_s = time.monotonic()

    def _may_stand(self, kept: Shown, signs: _Signs) -> bool:
        if _is_new(kept, signs):
            return True
        if time.monotonic() - self._tended_s > TENDED_S or kept.signs.held != signs.held:
            return False
        return kept.signs == signs or kept.happened == self._happened()

    def _happened(self) -> tuple[int, int] | None:
        try:
            with StoreReader.open(self._tank.store) as reader:
                return _newest(reader)
        except StoreError:
            return None

    def _new(self) -> Shown:
        """Returns a screen of now; whoever wants one while it is being made waits for it."""
        with self._making:
            kept, signs = self._kept, self._look()
            if kept is not None and _is_new(kept, signs):
                return kept
            made = self._made(signs)
            for anybody in tuple(self._visitors):
                self._whole(made, anybody, None)
            self._kept = made
            return made

    def _look(self) -> _Signs:
        files = []
        for suffix in ("", "-wal"):
            with suppress(OSError):
                found = self._tank.store.with_name(self._tank.store.name + suffix).stat()
                files.append((found.st_ino, found.st_size, found.st_mtime_ns))
        held = False
        with suppress(OSError, StoreError):
            held = is_held(self._tank.store)
        return _Signs(tuple(files), held)

    def _made(self, signs: _Signs) -> Shown:
        at_s = time.monotonic()
        try:
            with seen(self._tank) as found:
                happened = _newest(found.reader)
                if self._ledger is None or self._ledger.parameters != found.book.salt:
                    self._ledger = Ledger(found.book.salt)
                screen = now(found, self._ledger)
                label = found.plan.tank
        except StoreError as error:
            what, do = error.words
            html = self._site.render("unreadable.html", what=what, do=do)
            name, for_all = self._tank.name, {True: html, False: html}
            title = f"Not readable: {name}"
            return Shown(title, name, None, now_ms(), signs, at_s, None, for_all)
        title = _title(screen, label)
        return Shown(title, label, screen, screen.now_ms, signs, at_s, happened)

    def _html(self, shown: Shown, *, acts: bool) -> str:
        if acts not in shown.html:
            values = {"now": shown.now, "tank": self._tank.name, "csrf": self._mark}
            shown.html[acts] = self._site.render("now_main.html", acts=acts, **values)
        return shown.html[acts]

    def _whole(self, shown: Shown, anybody: Visitor, told: tuple[str, bool] | None) -> str:
        text = None if told else shown.pages.get(anybody)
        if text is None:
            text = self._site.render(
                "now.html",
                visitor=anybody,
                tank=self._tank.name,
                label=shown.label,
                title=shown.title,
                screen="Now",
                told=told,
                fragment=self._html(shown, acts=anybody.role is Role.ACT),
            )
            if not told:
                shown.pages[anybody] = text
        return text


def _is_new(kept: Shown, signs: _Signs) -> bool:
    return kept.signs == signs and time.monotonic() - kept.at_s < KEEPS_S


def _newest(reader: StoreReader) -> tuple[int, int]:
    return reader.newest(Stream.TRANSITIONS), reader.newest_entry()


def _title(screen: Now, label: str) -> str:
    if not (screen.watched or screen.made_up):
        return f"NOT WATCHED: {label}"
    count = len(screen.calling)
    return f"{count} alarm{'s' if count > 1 else ''}: {label}" if count else f"{label}: now"


class Boards:
    """The screens of all tanks."""

    def __init__(self, site: Site) -> None:
        self._site = site
        mark = secrets.token_hex(16)
        self._of = {name: Board(site, tank, mark) for name, tank in site.tanks.items()}
        self.looking = 0
        """How many browsers are being kept up to date."""

    def page(self, request: Request, visitor: Visitor) -> Response:
        """Returns the screen as a whole page."""
        tank = self._site.tank(request)
        text, well = self._of[tank.name].page(visitor, self._site.said(request))
        return HTMLResponse(text, 200 if well else 503)

    async def keep_ready(self) -> None:
        """Keeps the screens ready, for ever."""
        while True:
            await asyncio.sleep(LOOKS_S)
            for board in self._of.values():
                try:
                    await run_in_threadpool(board.tend)
                except Exception:  # the next visit meets it too, and is told
                    log.exception("The screen Now could not be made.")

    def row(self, tank: Tank) -> Shown:
        """Returns the screen for the list of all tanks."""
        return self._of[tank.name].shown()

    async def live(self, request: Request) -> Response:
        """Server-sent events (WHATWG HTML, 9.2): ``now`` when something has changed, else ``alive``
        every 15 s. Each begins with the time in ms."""
        visitor = await run_in_threadpool(self._site.visitor, request)
        if not isinstance(visitor, Visitor):
            return Response(status_code=403)
        board = self._of[self._site.tank(request).name]
        if self.looking >= MOST_LOOKING:
            return Response(status_code=503)
        return StreamingResponse(
            self._events(request, board, visitor),
            media_type="text/event-stream",
            headers={"x-accel-buffering": "no"},
        )

    async def _events(self, request: Request, board: Board, visitor: Visitor) -> AsyncIterator[str]:
        last, told_s = "", 0.0
        self.looking += 1
        try:
            while isinstance(await run_in_threadpool(self._site.visitor, request), Visitor):
                shown = await run_in_threadpool(board.shown)
                made_up = shown.now is not None and shown.now.made_up
                at_ms = shown.now_ms if made_up else now_ms()
                html = board.fragment(shown, visitor)
                without_ages = _AGES.sub("", html)  # only the time may have changed
                if without_ages != last:
                    last = without_ages
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
