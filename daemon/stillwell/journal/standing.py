"""Which entries stand, after corrections and corrections of corrections."""

from __future__ import annotations

from collections.abc import Iterable

from stillwell.entry import STRUCK, Entry


def standing(entries: Iterable[Entry]) -> list[Entry]:
    """Returns those that no later entry strikes out, in the order in which things were done.

    Striking a correction out does not bring back what it had struck out: what was wrong once stays
    so until it is written anew.
    """
    rows = list(entries)
    gone = {e.strikes for e in rows if e.strikes is not None}
    left = [e for e in rows if e.kind != STRUCK and e.struck_by is None and e.id not in gone]
    return sorted(left, key=lambda e: (e.at_ms, e.id))


def history(entries: Iterable[Entry], number: int) -> list[Entry]:
    """Returns an entry with all that it struck out and all that struck it out, the oldest first;
    empty when there is no such entry."""
    rows = {e.id: e for e in entries}
    found: dict[int, Entry] = {}
    number_now: int | None = number
    while number_now is not None and number_now in rows and number_now not in found:
        found[number_now] = rows[number_now]
        number_now = rows[number_now].strikes
    number_now = number
    while number_now is not None:
        later = next((e for e in rows.values() if e.strikes == number_now), None)
        if later is None or later.id in found:
            break
        found[later.id] = later
        number_now = later.id
    return sorted(found.values(), key=lambda e: e.id)
