"""The book: what was done and measured by hand, day by day; a note in two taps, struck out in
two more; the weeks behind it. Questions and refusals are the same as at the command line."""

from __future__ import annotations

import csv
import datetime as dt
import io
import secrets
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from stillwell.cli.book import DAY_MS, Weeks, behind_the_means, read, tests_of
from stillwell.entry import STRUCK, Entry
from stillwell.journal import KINDS, JournalError, Kind, in_words, when
from stillwell.journal.record import COLUMNS, rows
from stillwell.keeper.note_taker import circumstances, drafted_from
from stillwell.page.access import Visitor
from stillwell.page.drawing import drawing
from stillwell.page.place import Tank
from stillwell.page.seen import Seen, seen
from stillwell.page.site import Site, fields
from stillwell.request import NoteRequest
from stillwell.store import note
from stillwell.units import Dimension, show, show_kept

USUAL_DAYS = 30
_TAPS_DAYS = 60
_MOST_TAPS = 4
_TYPED = ("kind", "value", "unit", "at", "lasted", "text", "key")
_MOST_TYPED = 600
_UNITS = (
    *("L", "mL", "gal", "fl oz", "ppt", "mg/L", "mg/L N", "mg/L NO2", "mg/L NO3"),
    *("degC", "degF", "K", "h", "d"),
)


class Book:
    """The routes."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._units: dict[tuple[str, str], str] = {}
        """By device and kind: the unit that was typed last."""

    def page(self, request: Request, visitor: Visitor) -> Response:
        tank = self._site.tank(request)
        kind = request.query_params.get("kind", "")[:40]
        typed = {"kind": kind if kind in list(Kind) else Kind.POUR}
        return self._shown(request, visitor, tank, typed)

    def _shown(
        self,
        request: Request,
        visitor: Visitor,
        tank: Tank,
        typed: Mapping[str, str],
        *,
        refused: str = "",
        questions: Sequence[str] = (),
        status: int = 200,
    ) -> Response:
        with seen(tank) as now:
            month = _month(request.query_params.get("month", ""), now)
            start_ms, end_ms = month or (now.now_ms - USUAL_DAYS * DAY_MS, now.now_ms + 1)
            weeks = read(now.reader, now.plan, now.book, start_ms, end_ms)
            entries = now.reader.journal(start_ms, end_ms, struck=True)
            form = {name: typed.get(name, "") for name in _TYPED}
            form["key"] = form["key"] or secrets.token_hex(8)
            form["unit"] = form["unit"] or self._units.get((visitor.device, form["kind"]), "")
            return self._site.page(
                "book.html",
                visitor,
                status=status,
                tank=tank.name,
                label=now.plan.tank,
                screen="Book",
                told=self._site.said(request),
                form=form,
                refused=refused,
                questions=questions,
                kinds=list(KINDS.values()),
                units=_UNITS,
                taps=_taps(now),
                days=list(_days(entries, now)),
                months=_months(now),
                weeks=_weeks(weeks, now),
                key=secrets.token_hex(8),
                first=f"{dt.datetime.fromtimestamp(start_ms / 1000, now.zone):%d %b %Y}",
                last=f"{dt.datetime.fromtimestamp((end_ms - 1) / 1000, now.zone):%d %b %Y}",
            )

    def note(self, request: Request, visitor: Visitor) -> Response:
        """Notes what was typed, or shows why it can't, or asks whether it is meant."""
        tank, sent = self._site.tank(request), fields(request)
        typed = {name: sent.get(name, "")[:_MOST_TYPED] for name in _TYPED}
        try:
            told = self._noted(tank, typed, visitor, sure=sent.get("sure") == "1")
        except JournalError as error:
            return self._shown(
                request, visitor, tank, typed, refused=f"{error.what} {error.do}", status=422
            )
        if not isinstance(told, str):
            return self._shown(request, visitor, tank, typed, questions=told, status=409)
        if typed["unit"]:
            if len(self._units) > 1_000:
                self._units.clear()
            self._units[visitor.device, typed["kind"]] = typed["unit"][:20]
        there = f"/tank/{tank.name}/book"
        return RedirectResponse(there + self._site.say(told, well=True), 303)

    def _noted(
        self, tank: Tank, typed: Mapping[str, str], visitor: Visitor, *, sure: bool
    ) -> str | tuple[str, ...]:
        """Returns what to say about the new entry, or what to ask first."""
        asked = NoteRequest(
            typed["kind"], typed["value"], typed["unit"], typed["at"], typed["lasted"], sure
        )
        key = f"page {typed['key']}" if typed["key"] else ""
        with seen(tank) as now:
            again = now.reader.entry_keyed(key) if key else None
            if again is not None:
                return f"That is noted already, as entry {again.id}."
            at_ms = when(asked.at, now.zone, now.now_ms) if asked.at else None
            here = circumstances(now.reader, now.book, now.now_ms, at_ms=at_ms)
            by = visitor.name or "the page"
            draft = drafted_from(asked, here, at_ms, by=by, text=typed["text"])
            if draft.questions and not sure:
                return draft.questions
            entry = replace(draft.entry, key=key)
            number = note(tank.store, entry)
            return f"Noted as entry {number}: {in_words(entry, now.zone, now.plan.units)}."

    def strike(self, request: Request, visitor: Visitor) -> Response:
        """Strikes one entry out."""
        tank, number = self._site.tank(request), fields(request).get("entry", "")
        if not (number.isascii() and number.isdigit() and len(number) < 12):
            return self._site.trouble(request, 400, "That is no entry of the book.")
        with seen(tank) as now:
            here = circumstances(now.reader, now.book, now.now_ms, strike=int(number))
            asked = NoteRequest(strike=int(number))
            by = visitor.name or "the page"
            try:
                draft = drafted_from(asked, here, by=by)
            except JournalError as error:
                told = self._site.say(f"{error.what} {error.do}", well=False)
            else:
                note(tank.store, draft.entry)
                told = self._site.say(f"Entry {number} is struck out.", well=True)
        return RedirectResponse(f"/tank/{tank.name}/book{told}", 303)

    def export(self, request: Request, visitor: Visitor) -> Response:
        """Returns the journal as the command line writes it."""
        tank = self._site.tank(request)
        with seen(tank) as now:
            out = io.StringIO()
            write = csv.writer(out, lineterminator="\n").writerow
            write(COLUMNS)
            for line in rows(now.reader.journal()):
                write(line)
        headers = {"content-disposition": f'attachment; filename="{tank.name}-journal.csv"'}
        return Response(out.getvalue(), media_type="text/csv; charset=utf-8", headers=headers)


def _taps(now: Seen) -> list[tuple[str, dict[str, str]]]:
    """Returns the usual pours as buttons: what they show, and what they send."""
    begin = now.now_ms - _TAPS_DAYS * DAY_MS
    poured = [e for e in now.reader.journal(begin, now.now_ms + 1, (Kind.POUR,)) if e.value]
    usual = Counter(e.value for e in poured if e.value is not None)
    taps = [("Filled up to the mark", {"kind": str(Kind.POUR)})]
    for ml, _ in usual.most_common(_MOST_TAPS):
        said = show(ml, Dimension.VOLUME, now.plan.units)
        taps.append((f"Poured {said}", {"kind": str(Kind.POUR), "value": f"{ml:g}", "unit": "mL"}))
    return [*taps, ("Fed", {"kind": str(Kind.FED)}), ("Cleaned", {"kind": str(Kind.CLEANING)})]


def _days(entries: Sequence[Entry], now: Seen) -> Iterator[tuple[str, list[tuple[Entry, str]]]]:
    """Yields the days, the newest first, each with its entries, the newest first."""
    by_day: dict[str, list[tuple[Entry, str]]] = {}
    for entry in reversed(entries):
        if entry.kind == STRUCK:
            continue
        at = dt.datetime.fromtimestamp(entry.at_ms / 1000, now.zone)
        said = in_words(entry, now.zone, now.plan.units)
        _, _, words = said.partition(f"{at:%H:%M}")
        line = f"{at:%H:%M} {words.strip()}"
        by_day.setdefault(f"{at:%A %d %B %Y}", []).append((entry, line))
    yield from by_day.items()


def _month(text: str, now: Seen) -> tuple[int, int] | None:
    """Returns the span of a month such as ``2026-11``; None where none is named."""
    try:
        first = dt.datetime.strptime(text, "%Y-%m").replace(tzinfo=now.zone)
    except ValueError:
        return None
    if not 2000 <= first.year < 9999:
        return None
    then = (first + dt.timedelta(days=32)).replace(day=1)
    start_ms, end_ms = (round(at.timestamp() * 1000) for at in (first, then))
    return (start_ms, min(end_ms, now.now_ms + 1)) if start_ms < now.now_ms else None


def _months(now: Seen) -> list[tuple[str, str]]:
    """Returns the months of the last year that there are, the newest first."""
    began = now.reader.began() or now.now_ms
    first = dt.datetime.fromtimestamp(began / 1000, now.zone)
    at = dt.datetime.fromtimestamp(now.now_ms / 1000, now.zone).replace(day=1)
    found: list[tuple[str, str]] = []
    while (at.year, at.month) >= (first.year, first.month) and len(found) < 13:
        found.append((f"{at:%Y-%m}", f"{at:%b %Y}"))
        at = (at - dt.timedelta(days=1)).replace(day=1)
    return found


def _weeks(weeks: Weeks, now: Seen) -> dict[str, Any]:
    """Returns salinity as a picture, tests as a table, extremes in words."""
    salt = [(at, value) for at, value, _, _ in weeks.salinity]
    picture = drawing(
        salt,
        weeks.start_ms,
        weeks.end_ms,
        now.zone,
        wanted=(now.book.salinity_low, now.book.salinity_high),
        spread=[(at, low, high) for at, _, low, high in weeks.salinity],
        longest_ms=3 * DAY_MS,
    )
    tests = []
    for kind in (Kind.AMMONIA, Kind.NITRITE, Kind.NITRATE, Kind.PH):
        for at_ms, value in tests_of(weeks, kind):
            day = f"{dt.datetime.fromtimestamp(at_ms / 1000, now.zone):%a %d %b}"
            said = f"{value:g}" if kind is Kind.PH else f"{value:.2g} mg/L as N"
            tests.append((at_ms, day, str(kind), said))
    water = []
    for band in now.plan.bands:
        label = partial(show_kept, unit=band.unit, system=now.plan.units)
        said = behind_the_means(weeks.days[band.name], now.zone, label)
        water.append(f"{band.name.capitalize()}: {said}")
    values = [value for _, value in salt]
    return {
        "salinity": picture,
        "says": f"Salinity {min(values):.1f} to {max(values):.1f} ppt" if salt else "",
        "tests": [row[1:] for row in sorted(tests, reverse=True)],
        "water": water,
        "alarms": len(weeks.alarms),
    }
