"""Writes a journal to a file and reads it back: which rows are new, which are there already, which
are impossible.

The file is the trace format's ``time,kind,value,unit`` with two further columns, ``text`` and
``by``. An entry that filled up to the mark has the unit ``mL to mark``; how long a deed took stands
before its text: ``took 25 min; with the hose``. The file holds the entries that stand: entries that
were struck out are not written, and reading the file does not bring back a row that has been struck
out here since.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from stillwell.entry import STRUCK, Entry
from stillwell.journal.drafting import LONGEST_S, Circumstances, Draft, drafted, is_twice
from stillwell.journal.kinds import Kind
from stillwell.journal.refusal import JournalError
from stillwell.journal.standing import standing
from stillwell.journal.values import marked
from stillwell.ports import JournalLine
from stillwell.reading import number, rfc3339
from stillwell.units import Dimension, UnitError, parse

COLUMNS = ("time", "kind", "value", "unit", "text", "by")
_TOOK = re.compile(r"took ([0-9][^;]*?)(?:; *(.*))?", re.DOTALL)


class Row(JournalLine, Protocol):
    """One line of a journal file, as it was read."""

    @property
    def text(self) -> str: ...
    @property
    def by(self) -> str: ...


@dataclass(frozen=True, slots=True)
class NotTaken:
    """A row that was left out."""

    line: int
    why: str
    do: str = ""

    def __str__(self) -> str:
        return f"line {self.line}: {self.why} {self.do}".rstrip()


@dataclass(frozen=True, slots=True)
class Sorted:
    """What reading a file would do."""

    new: tuple[Entry, ...]
    known: int
    """Rows that are in the journal already."""
    struck: tuple[NotTaken, ...]
    """Rows that have been struck out here."""
    refused: tuple[NotTaken, ...]
    """Rows that are impossible."""
    odd: tuple[NotTaken, ...]
    """Rows that are possible and odd."""


def rows(entries: Iterable[Entry]) -> list[tuple[str, ...]]:
    """Returns the fields of each entry that stands, in the order in which things were done."""
    return [
        (rfc3339(e.at_ms), e.kind, number(e.value), e.unit_in_file, _text(e), e.by)
        for e in standing(entries)
    ]


def sorted_out(lines: Iterable[tuple[int, Row]], here: Circumstances, *, sure: bool) -> Sorted:
    """Sorts a file's rows by what is to become of them.

    Args:
        lines: number and row.
        here: the circumstances, with all entries of the journal, struck ones too.
        sure: odd rows are right.
    """
    there = standing(here.entries)
    left = Counter(map(_same, there))
    gone = {_same(e): e for e in here.entries if e.struck_by is not None and e.kind != STRUCK}
    new: list[Entry] = []
    known = 0
    struck: list[NotTaken] = []
    refused: list[NotTaken] = []
    odd: list[NotTaken] = []
    for line, row in lines:
        try:
            draft = _drafted(row, here)
        except JournalError as error:
            refused.append(NotTaken(line, error.what, error.do))
            continue
        entry = draft.entry
        key = _same(entry)
        if left[key] > 0:
            left[key] -= 1
            known += 1
            continue
        if key in gone:
            number = gone[key].id
            struck.append(NotTaken(line, f"Entry {number} was the same, and was struck out."))
            continue
        questions = (*draft.questions, *_near(entry, there))
        if questions and not sure:
            odd.append(NotTaken(line, questions[0]))
            continue
        new.append(entry)
    return Sorted(tuple(new), known, tuple(struck), tuple(refused), tuple(odd))


def as_kept(row: Row, here: Circumstances) -> Entry:
    """Returns a row of a trace as the entry that the journal would keep, in the journal's units.
    Odd values are accepted. Raises JournalError with the reason for impossible ones."""
    return _drafted(row, replace(here, now_ms=max(here.now_ms, row.utc_ms))).entry


def of_driver(source: str, note: JournalLine) -> Entry:
    """Returns a line of a driver's own journal as an entry; the same line twice is one entry."""
    unit, to_mark = marked(note.unit)
    return Entry(
        note.kind,
        note.utc_ms,
        note.value,
        unit,
        by=source,
        key=f"{source} {note.kind} {note.utc_ms}",
        to_mark=to_mark or (note.kind == Kind.POUR and note.value is None),
    )


def _text(entry: Entry) -> str:
    s = entry.lasted_s
    if s is None:
        return entry.text
    took = f"took {number(s)} s" if s % 60 else f"took {number(s / 60)} min"
    return f"{took}; {entry.text}" if entry.text else took


def _took(text: str) -> tuple[float | None, str]:
    """Returns how long it took, and the text: the inverse of `_text`. An older program wrote the
    duration as it had been typed."""
    found = _TOOK.fullmatch(text)
    try:
        lasted_s = parse(found[1], Dimension.DURATION) if found else 0.0
    except UnitError:
        lasted_s = 0.0
    return (lasted_s, found[2] or "") if found and 0 < lasted_s < LONGEST_S else (None, text)


def _drafted(row: Row, here: Circumstances) -> Draft:
    lasted_s, text = _took(row.text)
    return drafted(
        row.kind,
        row.value,
        row.unit,
        here=here,
        at_ms=row.utc_ms,
        text=text,
        by=row.by,
        lasted_s=lasted_s,
        on_record=True,
    )


def _same(entry: Entry) -> tuple[object, ...]:
    """The fields that are equal in two entries about the same deed."""
    return entry.kind, entry.at_ms, entry.value, entry.unit_in_file, _text(entry)


def _near(entry: Entry, there: Sequence[Entry]) -> tuple[str, ...]:
    """Returns a question where the journal holds nearly the same entry, noted by hand and in the
    file."""
    for other in there:
        if other.at_ms != entry.at_ms and is_twice(entry, other):
            return (f"Nearly the same is noted, as entry {other.id}. Is it another one?",)
    return ()
