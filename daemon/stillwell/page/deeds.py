"""The buttons of Now: what they ask of the daemon."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from stillwell.alarm.annunciate.drill import PATIENCE_S
from stillwell.page.access import Visitor
from stillwell.page.place import Tank
from stillwell.page.site import Site, fields
from stillwell.request import Command
from stillwell.request import Request as Asked
from stillwell.store import StoreError, ask, await_reply

_DEEDS = {
    "acknowledge": Command.ACKNOWLEDGE,
    "reset": Command.RESET,
    "shelve": Command.SHELVE,
    "unshelve": Command.UNSHELVE,
}
_LONGEST_NAME = 200
_MOST_MIN = 240


class Deeds:
    """The routes."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def answer(self, request: Request, visitor: Visitor) -> Response:
        """Acknowledges, resets, shelves or unshelves one alarm."""
        tank, sent = self._site.tank(request), fields(request)
        command, alarm = _DEEDS.get(sent.get("deed", "")), sent.get("alarm", "")
        minutes = sent.get("minutes", "0")
        if command is None or not 0 < len(alarm) <= _LONGEST_NAME:
            return self._site.trouble(request, 400, "That is no answer to an alarm.")
        if not (minutes.isascii() and minutes.isdigit() and int(minutes[:6]) <= _MOST_MIN):
            return self._site.trouble(request, 400, "An alarm keeps quiet for 4 h at most here.")
        asked = Asked(command, alarm, visitor.name or "the page", int(minutes) * 60.0)
        return self._ask(tank, asked, f"/tank/{tank.name}")

    def drill(self, request: Request, visitor: Visitor) -> Response:
        tank = self._site.tank(request)
        asked = Asked(Command.DRILL, by=visitor.name or "the page", seconds=PATIENCE_S)
        return self._ask(tank, asked, f"/tank/{tank.name}")

    def _ask(self, tank: Tank, asked: Asked, then: str) -> Response:
        """Sends a request to the daemon, waits for the reply, and shows it."""
        try:
            reply = await_reply(tank.store, ask(tank.store, asked))
            told = self._site.say(reply.text, well=reply.done)
        except StoreError as error:
            told = self._site.say(str(error), well=False)
        return RedirectResponse(then + told, 303)
