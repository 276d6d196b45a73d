"""Writes notes that somebody sends from afar into the journal, by the same rules as notes that are
typed beside the tank."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from stillwell.entry import STRUCK, Entry
from stillwell.estimate.level import Geometry
from stillwell.journal import (
    Circumstances,
    Draft,
    JournalError,
    drafted,
    in_words,
    number_and_unit,
    struck,
    when,
)
from stillwell.journal.drafting import TWICE_MS, is_twice
from stillwell.keeper.room import missing_before
from stillwell.request import NoteRequest, Reply, Request
from stillwell.store import Store, StoreError, StoreReader
from stillwell.units import Dimension, System, UnitError, parse

_WAITS = "and waits for a disk that takes nothing now"


@dataclass(frozen=True, slots=True)
class Place:
    """What an entry of one tank is checked against, besides the store."""

    tank_ml: float
    zone: str
    units: System
    chamber: Geometry | None = None


def circumstances(
    reader: StoreReader, strike: int | None, place: Place, now_ms: int, at_ms: int | None
) -> Circumstances:
    """Returns what a note is checked against: of the journal only entries that may be the same, and
    the one to strike out. A journal of years is not read for one pour."""
    struck = [] if strike is None else reader.entries_about(strike)
    if at_ms is None:
        at_ms = next((e.at_ms for e in struck if e.id == strike), now_ms)
    near = reader.journal(at_ms - TWICE_MS, at_ms + TWICE_MS + 1, struck=True)
    entries = tuple({e.id: e for e in (*near, *struck)}.values())
    span = reader.span()
    return Circumstances(
        now_ms,
        place.tank_ml,
        place.units,
        span[0] if span else None,
        entries,
        ZoneInfo(place.zone),
        place.chamber,
        missing_before(reader, at_ms),
    )


def drafted_from(request: Request, here: Circumstances, at_ms: int | None) -> Draft:
    """Returns the draft of a note. Raises `JournalError` with the reason when the note is
    impossible."""
    asked = request.to_note or NoteRequest()
    if not asked.kind and asked.strike is not None:
        return Draft(struck(asked.strike, here, by=request.by, text=request.text))
    value, unit = asked.value, asked.unit
    if not unit:
        value, unit = number_and_unit(value)
    return drafted(
        asked.kind,
        value,
        unit,
        here=here,
        at_ms=at_ms,
        text=request.text,
        by=request.by,
        strikes=asked.strike,
        lasted_s=_seconds(asked.lasted) if asked.lasted else None,
    )


class NoteTaker:
    """Takes notes for one tank.

    Args:
        tank_ml: its volume of water.
        zone: IANA name, for times of day.
        units: the system of the replies.
        chamber: where poured water collects; None where it isn't known.
    """

    def __init__(
        self, tank_ml: float, zone: str, units: System, chamber: Geometry | None = None
    ) -> None:
        self._place = Place(tank_ml, zone, units, chamber)
        self._zone = ZoneInfo(zone)
        self._units = units

    def __call__(self, request: Request, store: Store, now_ms: int) -> Reply | Entry:
        """Puts a note into the store if it is possible; `told` words the reply once it is kept.
        Returns the entry, or a reply that says why there is none."""
        asked = request.to_note or NoteRequest()
        key = f"sent {asked.key}" if asked.key else uuid.uuid4().hex
        waiting = store.kept.journal_waiting()
        waits = f", {_WAITS}" if store.trouble is not None else ""
        try:
            at_ms = when(asked.at, self._zone, now_ms) if asked.at else None
            with StoreReader.open(store.path) as reader:
                again = reader.entry_keyed(key) if asked.key else None
                here = circumstances(reader, asked.strike, self._place, now_ms, at_ms)
            if again is not None:
                return Reply(True, f"That is noted already, as entry {again.id}.")
            if any(e.key == key for e in waiting):
                return Reply(True, f"That is noted already{waits}.")
            if asked.strike is not None and any(e.strikes == asked.strike for e in waiting):
                return Reply(False, f"Entry {asked.strike} has been struck out already{waits}.")
            draft = drafted_from(request, here, at_ms)
            if any(is_twice(draft.entry, e) for e in waiting):
                asks = f"The same is noted already{waits}. Once more?"
                draft = replace(draft, questions=(*draft.questions, asks))
        except JournalError as error:
            return Reply(False, f"{error.what} {error.do}")
        except StoreError as error:
            return Reply(False, f"The journal can't be read now: {error}")
        if draft.questions and not asked.sure:
            return Reply(False, f'{draft.questions[0]} If so, send it again with "sure": true.')
        entry = replace(draft.entry, key=key)
        store.put_journal(entry)
        return entry

    def told(self, entry: Entry, store: Store) -> Reply:
        """Returns the reply about an entry that has been put into the store."""
        if entry.kind == STRUCK:
            return Reply(True, f"Entry {entry.strikes} is struck out.")
        words = in_words(entry, self._zone, self._units)
        try:
            with StoreReader.open(store.path) as reader:
                kept = reader.entry_keyed(entry.key)
        except StoreError:
            kept = None
        # When the disk takes no writes, the entry waits in memory and has no number.
        noted = "Noted" if kept is None else f"Noted as entry {kept.id}"
        return Reply(True, f"{noted}: {words}.")


def _seconds(text: str) -> float:
    try:
        return parse(text, Dimension.DURATION)
    except UnitError as error:
        raise JournalError(error.what, error.do) from None
