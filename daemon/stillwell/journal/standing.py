"""Decides which entries stand, after corrections and corrections of corrections."""

from __future__ import annotations

from collections.abc import Iterable

from stillwell.entry import STRUCK, Entry


def standing(entries: Iterable[Entry]) -> list[Entry]:
    """Returns the entries that no later entry strikes out, in the order in which things were done.

    Striking out a correction does not bring back the entry that it had struck out: what was wrong
    once stays struck until it is written anew.
    """
    rows = list(entries)
    gone = {e.strikes for e in rows if e.strikes is not None}
    left = [e for e in rows if e.kind != STRUCK and e.struck_by is None and e.id not in gone]
    return sorted(left, key=lambda e: (e.at_ms, e.id))
