"""Turns what the keeper typed into an entry: refuses the impossible with the reason, and asks about
what is odd.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING

from stillwell.entry import STRUCK, Entry
from stillwell.journal.kinds import KINDS, REMINDERS, Kind, Rule, kind_named
from stillwell.journal.refusal import JournalError
from stillwell.journal.standing import standing
from stillwell.journal.values import read
from stillwell.shown import plain
from stillwell.units import Dimension, System, show

if TYPE_CHECKING:
    from stillwell.estimate.level.geometry import Geometry

_MINUTE_MS = 60_000
_DAY_MS = 86_400_000
AHEAD_MS = 5 * _MINUTE_MS
"""How far in the future an entry may lie: a phone's clock may be a little ahead of the daemon's."""
LATE_MS = 365 * _DAY_MS
"""Entries older than this are asked about (our own choice, as are the others here)."""
EARLIEST_MS = 946_684_800_000
"""1 January 2000: an earlier date is a mistake or comes from a clock that was never set."""
TWICE_MS = 2 * _MINUTE_MS
LONGEST_TEXT, LONGEST_NAME = 500, 80
LONGEST_S = 12 * 3600.0
"""A water change that takes longer than this, in seconds, is a mistake."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What a new entry is checked against."""

    now_ms: int
    tank_ml: float
    units: System = System.METRIC
    first_ms: int | None = None
    """When the first reading was taken; None when there are no readings yet."""
    entries: Sequence[Entry] = ()
    """The entries that are there already, struck ones too."""
    zone: tzinfo = UTC
    """The zone in which times are given."""
    chamber: Geometry | None = None
    """The chamber in which poured water collects; None where it isn't known."""
    missing_ml: float | None = None
    """How much fresh water may have been missing to the fill mark before the deed (upper end of the
    interval); None where nothing has measured it."""


@dataclass(frozen=True, slots=True)
class Draft:
    """An entry that may be kept, and what should be asked first."""

    entry: Entry
    questions: tuple[str, ...] = ()


def drafted(
    kind: str,
    value: str | float | None,
    unit: str = "",
    *,
    here: Circumstances,
    at_ms: int | None = None,
    text: str = "",
    by: str = "",
    strikes: int | None = None,
    lasted_s: float | None = None,
    on_record: bool = False,
) -> Draft:
    """Returns the entry to keep.

    Args:
        kind: a kind's name.
        value: as typed or as a number; None or empty for none.
        unit: with its additions, as in ``mL``, ``L at 35 ppt``, ``mL to mark``, ``25/25 degC``
            (specific gravity), ``mS/cm at 25.2 degC``, ``mg/L NO2``.
        here: the circumstances.
        at_ms: when it was done, UTC; None: at the time of the entry that it corrects, else now.
        text: anything; up to 500 characters.
        by: who; up to 80 characters.
        strikes: the number of the entry that it corrects.
        lasted_s: how long it took from then on, seconds.
        on_record: it stands in a record with full dates, such as a file: an old date is nothing
            odd, and what stands there twice was done twice.

    Raises JournalError with the reason for what is impossible or leaves open what is meant.
    """
    try:
        rule = KINDS[kind_named(kind)]
    except ValueError as error:
        raise JournalError(str(error), "Write one of them.") from None
    text, by = _line(text, LONGEST_TEXT, "text"), _line(by, LONGEST_NAME, "name")
    if at_ms is None:
        # A correction is about the same deed, unless another time is given.
        at_ms = next((e.at_ms for e in here.entries if e.id == strikes), here.now_ms)
    questions = _asked_about_time(at_ms, here)  # also refuses a time in the future
    if on_record:
        questions = []
    typed = "" if value is None else f"{value}".strip()
    if rule.needs_text and not text:
        raise JournalError(f"A {rule.kind} needs a text.", f"Write: {rule.example}")
    if rule.kind is Kind.POSTPONED and text not in REMINDERS:
        known = ", ".join(REMINDERS)
        raise JournalError(f'There is no reminder "{text}".', f"Reminders are: {known}.")
    if lasted_s is not None and not 0 < lasted_s < LONGEST_S:
        raise JournalError(
            f"A {rule.kind} that took {show(lasted_s, Dimension.DURATION)} can't be.",
            "Write how long it took from its beginning to its end: less than half a day.",
        )
    number, kept_unit, to_mark = read(rule, typed, " ".join(unit.split()), here.tank_ml, here.units)
    if number is not None:
        questions += _asked_about_value(rule, number, kept_unit, here)
        questions += _asked_about_room(rule, number, here)
    entry = Entry(
        rule.kind,
        at_ms,
        number,
        kept_unit,
        text,
        by,
        entered_ms=here.now_ms,
        to_mark=to_mark,
        lasted_s=lasted_s,
    )
    if not on_record:
        questions += _asked_about_twice(entry, here)
    draft = Draft(entry, tuple(questions))
    return draft if strikes is None else corrected(strikes, draft, here)


def corrected(number: int, draft: Draft, here: Circumstances) -> Draft:
    """Returns the draft as a correction of the entry with that number, which is struck out and
    stays readable. Leaves out questions about the draft being a double of the old entry.

    Raises JournalError when there is no such entry, or when it has been struck out already.
    """
    _standing_entry(number, here)
    questions = tuple(q for q in draft.questions if not q.startswith(_TWICE))
    others = [e for e in here.entries if e.id != number]
    questions += tuple(_asked_about_twice(draft.entry, replace(here, entries=others)))
    return Draft(replace(draft.entry, strikes=number), questions)


def struck(number: int, here: Circumstances, *, by: str = "", text: str = "") -> Entry:
    """Returns the entry that strikes another out and puts nothing in its place. Raises
    JournalError as `corrected` does."""
    old = _standing_entry(number, here)
    return Entry(
        STRUCK,
        old.at_ms,
        text=_line(text, LONGEST_TEXT, "text"),
        by=_line(by, LONGEST_NAME, "name"),
        entered_ms=here.now_ms,
        strikes=number,
    )


def _standing_entry(number: int, here: Circumstances) -> Entry:
    old = next((e for e in here.entries if e.id == number), None)
    if old is None or old.kind == STRUCK:
        raise JournalError(
            f"The journal has no entry {number}.", "Look at its list for the number."
        )
    by = next((e for e in here.entries if e.strikes == number), None)
    if by is not None:
        what = "struck out" if by.kind == STRUCK else "corrected"
        do = (
            "Write it anew if it is wanted after all."
            if by.kind == STRUCK
            else f"Correct entry {by.id}, which stands in its place."
        )
        raise JournalError(f"Entry {number} has been {what} already, by entry {by.id}.", do)
    return old


def _line(text: str, longest: int, what: str) -> str:
    line = plain("".join(" " if c.isspace() else c for c in text)).strip()
    if len(line) > longest:
        raise JournalError(
            f"The {what} has {len(line)} characters.", f"At most {longest} are kept: shorten it."
        )
    return line


def _spans(
    rule: Rule, unit: str, here: Circumstances
) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    # Our own allowances: what seawater can show within the range of its equations, and what a tank
    # near 35 shows.
    if rule.kind is Kind.SALINITY and unit.startswith("sg"):
        return (0.995, 1.034), (1.019, 1.0305)
    if rule.kind is Kind.SALINITY and unit.startswith("mS/cm"):
        return (0.0, 85.0), (40.0, 62.0)
    if rule.kind is Kind.SALINITY and "no ATC" in unit:
        return (0.0, 50.0), (24.0, 42.0)
    possible, usual = rule.possible, rule.usual
    if rule.of_tank and possible is not None and usual is not None:
        possible = possible[0] * here.tank_ml, possible[1] * here.tank_ml
        usual = usual[0] * here.tank_ml, usual[1] * here.tank_ml
    return possible, usual


def _shown(rule: Rule, value: float, unit: str, here: Circumstances) -> str:
    if rule.dimension is not None:
        return show(value, rule.dimension, here.units)
    if unit.startswith("sg"):
        return f"{value:.4f} ({unit.removeprefix('sg ')})"
    if rule.kind is Kind.PH:
        return f"pH {value:g}"
    return f"{value:g} {unit.split(' at ')[0]}".rstrip()


def _asked_about_value(rule: Rule, value: float, unit: str, here: Circumstances) -> list[str]:
    possible, usual = _spans(rule, unit, here)
    if not math.isfinite(value):
        raise JournalError(f"{value} is no number.", f"Write: {rule.example}")
    shown = _shown(rule, value, unit, here)
    if possible is not None and not possible[0] <= value <= possible[1]:
        low, high = (_shown(rule, v, unit, here) for v in possible)
        edge = f"more than {high}" if value > possible[1] else f"less than {low}"
        raise JournalError(
            f"A {rule.kind} of {shown} can't be: it is {edge}.",
            "Look at the number and its unit.",
        )
    if usual is not None and not usual[0] <= value <= usual[1]:
        low, high = (_shown(rule, v, unit, here) for v in usual)
        return [f"A {rule.kind} of {shown} is unusual (usual is {low} to {high}). Is it right?"]
    return []


def _asked_about_room(rule: Rule, ml: float, here: Circumstances) -> list[str]:
    """Returns questions about whether a pour fits into the chamber, where all poured water
    ends up."""
    chamber = here.chamber
    if chamber is None or rule.kind not in (Kind.POUR, Kind.SALT_POUR):
        return []
    # Twice the standard deviation: there is no question if the chamber may well be large enough.
    mm_per_ml = chamber.mm_per_ml / (1.0 + 2.0 * chamber.area_rel_sd)
    before_mm = (
        chamber.lowest_safe_mm if here.missing_ml is None else -here.missing_ml * chamber.mm_per_ml
    )
    after_mm = before_mm + ml * mm_per_ml
    if after_mm <= chamber.highest_safe_mm:
        return []

    def mm(level: float) -> str:
        return show(level, Dimension.LENGTH, here.units, 1 if here.units == System.US else 0)

    poured = show(ml, Dimension.VOLUME, here.units)
    lifts = f"A {rule.kind} of {poured} lifts the chamber by {mm(ml * chamber.mm_per_ml)}"
    if here.missing_ml is None:
        there = f"even from its lowest safe level it comes to {mm(after_mm)} above the fill mark"
    else:
        missing = show(max(0.0, here.missing_ml), Dimension.VOLUME, here.units)
        there = f"at most {missing} were missing, so it comes to {mm(after_mm)} above the fill mark"
    return [f"{lifts}: {there} or more; {mm(chamber.highest_safe_mm)} are safe. Is it right?"]


def _asked_about_time(at_ms: int, here: Circumstances) -> list[str]:
    if at_ms > here.now_ms + AHEAD_MS:
        raise JournalError(
            f"{_date(at_ms, here)} is still to come.",
            "Write when it was done; leave the time away for now.",
        )
    if at_ms < EARLIEST_MS:
        raise JournalError(
            f"{_date(at_ms, here)} is long before any tank that is watched here.",
            "Write when it was done, with the year.",
        )
    if here.now_ms - at_ms > LATE_MS:
        days = (here.now_ms - at_ms) // _DAY_MS
        return [f"{_date(at_ms, here)} is {days} days ago. Is the year right?"]
    if here.first_ms is not None and at_ms < here.first_ms:
        return [f"{_date(at_ms, here)} is before the first reading of this tank. Is it right?"]
    return []


_TWICE = "The same is noted already"


def is_twice(entry: Entry, other: Entry) -> bool:
    """Returns whether two entries may be one deed that was noted twice: the same within two
    minutes."""
    return (
        abs(other.at_ms - entry.at_ms) <= TWICE_MS
        and (other.kind, other.value, other.unit_in_file)
        == (entry.kind, entry.value, entry.unit_in_file)
        and (entry.value is not None or other.text == entry.text)
    )


def _asked_about_twice(entry: Entry, here: Circumstances) -> list[str]:
    for other in standing(here.entries):
        if is_twice(entry, other):
            return [f"{_TWICE}, as entry {other.id} at {_date(other.at_ms, here)}. Once more?"]
    return []


def _date(at_ms: int, here: Circumstances) -> str:
    try:
        return datetime.fromtimestamp(at_ms / 1000, here.zone).strftime("%-d %B %Y %H:%M %Z")
    except (OverflowError, OSError, ValueError):
        return f"The time {at_ms} ms"
