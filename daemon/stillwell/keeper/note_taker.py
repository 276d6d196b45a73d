"""Writes notes that somebody sends from afar into the journal, by the same rules as notes that are
typed beside the tank."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

from stillwell.entry import STRUCK, Entry
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
from stillwell.observe.plan import BookPlan
from stillwell.request import NoteRequest, Reply, Request
from stillwell.store import Store, StoreError, StoreReader
from stillwell.units import Dimension, UnitError, parse

_WAITS = "and waits for a disk that takes nothing now"


def circumstances(
    reader: StoreReader,
    book: BookPlan,
    now_ms: int,
    *,
    at_ms: int | None = None,
    strike: int | None = None,
    entries: Sequence[Entry] | None = None,
) -> Circumstances:
    """Returns what a note is checked against.

    Args:
        at_ms: when it was done; None: at the time of the entry that it strikes out, else now.
        strike: the number of the entry that it strikes out.
        entries: the whole journal, where it has been read. Without it only the entries that may be
            the same are read, and the one to strike out: not a journal of years for one pour.
    """
    struck = [] if strike is None else reader.entries_about(strike)
    if at_ms is None:
        at_ms = next((e.at_ms for e in struck if e.id == strike), now_ms)
    if entries is None:
        near = reader.journal(at_ms - TWICE_MS, at_ms + TWICE_MS + 1, struck=True)
        entries = tuple({e.id: e for e in (*near, *struck)}.values())
    span = reader.span()
    return Circumstances(
        now_ms,
        book.tank_ml,
        book.units,
        span[0] if span else None,
        entries,
        ZoneInfo(book.zone),
        book.chamber,
        missing_before(reader, at_ms),
    )


def drafted_from(
    asked: NoteRequest, here: Circumstances, at_ms: int | None = None, *, by: str, text: str = ""
) -> Draft:
    """Returns the draft of a note. Raises `JournalError` with the reason when the note is
    impossible."""
    if not asked.kind and asked.strike is not None:
        return Draft(struck(asked.strike, here, by=by, text=text))
    value, unit = asked.value, asked.unit
    if not unit:
        value, unit = number_and_unit(value)
    return drafted(
        asked.kind,
        value,
        unit,
        here=here,
        at_ms=at_ms,
        text=text,
        by=by,
        strikes=asked.strike,
        lasted_s=_seconds(asked.lasted) if asked.lasted else None,
    )


class NoteTaker:
    """Takes notes for one tank."""

    def __init__(self, book: BookPlan) -> None:
        self._book = book
        self._zone = ZoneInfo(book.zone)

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
                here = circumstances(reader, self._book, now_ms, at_ms=at_ms, strike=asked.strike)
            if again is not None:
                return Reply(True, f"That is noted already, as entry {again.id}.")
            if any(e.key == key for e in waiting):
                return Reply(True, f"That is noted already{waits}.")
            if asked.strike is not None and any(e.strikes == asked.strike for e in waiting):
                return Reply(False, f"Entry {asked.strike} has been struck out already{waits}.")
            draft = drafted_from(asked, here, at_ms, by=request.by, text=request.text)
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
        words = in_words(entry, self._zone, self._book.units)
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
