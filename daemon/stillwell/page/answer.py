"""The link of a message: one page, one button. Opening it changes nothing, since chat services
and phones fetch links to show what is behind them."""

from __future__ import annotations

from collections.abc import Iterator

from starlette.requests import Request
from starlette.responses import Response

from stillwell.alarm.answer_link import Answer, Rejected, holds, occurrence, signed
from stillwell.notice import State, Transition
from stillwell.page.now import Card, cards
from stillwell.page.place import Tank
from stillwell.page.seen import Seen, seen
from stillwell.page.site import Site, clock_words, now_ms
from stillwell.reading import Moment
from stillwell.request import Command
from stillwell.store import ask_by_link, await_reply
from stillwell.words.states import state_in_words

_MOST_HAPPENED = 12
_EVENTS = {
    "acknowledge": "answered",
    "clear": "over",
    "raise": "raised",
    "shelve": "kept quiet",
    "unshelve": "rings again",
    "shelf-ended": "the quiet time has ended",
    "reset": "reset",
    "priority": "its urgency has changed",
}


class Answers:
    """The routes."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def look(self, request: Request) -> Response:
        """Shows what the link is about."""
        token = request.path_params["token"]
        found = self._whose(token)
        if isinstance(found, Rejected):
            return self._page(None, "This link counts no more", [found.text], status=404)
        tank, answer = found
        with seen(tank) as now:
            held = holds(answer, now_ms(), self._used(now, answer))
            why = held.text if isinstance(held, Rejected) else _ended(now, answer)
            if why:
                return self._page(tank, "Nothing to answer", [why], of=(now, answer))
            return self._page(tank, "Answer this alarm", [], of=(now, answer), token=token)

    def take(self, request: Request) -> Response:
        """Carries out the answer after the button was pressed."""
        token = request.path_params["token"]
        found = self._whose(token)
        if isinstance(found, Rejected):
            return self._page(None, "This link counts no more", [found.text], status=404)
        tank, answer = found
        key = tank.link_key()
        assert key is not None
        asked = ask_by_link(tank.store, token, key, "the link")
        if isinstance(asked, Rejected):
            return self._page(tank, "This link counts no more", [asked.text], status=403)
        reply = await_reply(tank.store, asked)
        title, status = ("Done", 200) if reply.done else ("Not done", 409)
        with seen(tank) as now:
            return self._page(tank, title, [reply.text], status=status, of=(now, answer))

    def _whose(self, token: str) -> tuple[Tank, Answer] | Rejected:
        """Returns the tank whose key the token was signed with, and the answer; or why it is
        rejected."""
        rejected = Rejected("This link was not made here, or was not copied whole.")
        for tank in self._site.tanks.values():
            key = tank.link_key()
            answer = None if key is None else signed(token, key)
            if isinstance(answer, Answer):
                return tank, answer
            rejected = answer or rejected
        return rejected

    @staticmethod
    def _used(now: Seen, answer: Answer) -> tuple[str, ...]:
        """Returns the answer's token if it is known to be used, else nothing. Only the daemon
        knows for sure, and says so when it is asked."""
        used = any(job == f"link {answer.once}" for job, _ in now.reader.done())
        return (answer.once,) if used else ()

    def _page(
        self,
        tank: Tank | None,
        title: str,
        lines: list[str],
        *,
        status: int = 200,
        of: tuple[Seen, Answer] | None = None,
        token: str = "",
    ) -> Response:
        card, happened = _about(*of) if of else (None, [])
        deed = "I see to it"
        if of and of[1].command is Command.SHELVE:
            deed = f"Keep it quiet for {of[1].shelve_s // 60} min"
        return self._site.page(
            "answer.html",
            None,
            status=status,
            title=title,
            lines=lines,
            card=card,
            happened=happened,
            token=token,
            deed=deed,
            label=of[0].plan.tank if of else "",
            where=tank.name if tank is not None else "",
        )


def _log(now: Seen, answer: Answer) -> list[Transition]:
    """Returns the changes of the alarm since the occurrence that the link is about."""
    epoch, _, mono_ms = answer.occurrence.partition(":")
    if not (epoch.isdecimal() and mono_ms.isdecimal()):
        return []
    began_ms = now.reader.utc_ms(Moment(int(mono_ms), 0, int(epoch)))
    log = [t for t in now.reader.transitions(began_ms - 1_000) if t.alarm == answer.alarm]
    began = next((i for i, t in enumerate(log) if occurrence(t) == answer.occurrence), None)
    return [] if began is None else log[began:]


def _about(now: Seen, answer: Answer) -> tuple[Card | None, list[str]]:
    """Returns the alarm as it was raised, with its present state; and what has happened since."""
    log = _log(now, answer)
    if not log:
        return None, []
    newest = [t for t in now.reader.alarms() if t.alarm == answer.alarm]
    shown = (newest or log)[-1]
    told = shown if shown.active else log[0]
    (card,) = cards([told], now)
    return card, list(_happened(log[1:], now))[-_MOST_HAPPENED:]


def _happened(log: list[Transition], now: Seen) -> Iterator[str]:
    for t in log:
        by = f" by {t.by}" if t.by else ""
        at = clock_words(t.moment.utc_ms, now.zone, now.now_ms)
        yield f"{at}: {_EVENTS.get(t.event, state_in_words(t.after))}{by}"


def _ended(now: Seen, answer: Answer) -> str:
    """Returns why there is nothing left to answer; empty where there is something."""
    newest = next((t for t in now.reader.alarms() if t.alarm == answer.alarm), None)
    if newest is None or not _log(now, answer):
        return "This alarm is not known here any more."
    if newest.after is State.NORMAL:
        at = clock_words(newest.moment.utc_ms, now.zone, now.now_ms)
        return f"This alarm is over since {at}."
    return ""
