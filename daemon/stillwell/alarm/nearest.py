"""Finds which alarm is meant by a name that no alarm has."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def did_you_mean(word: str, known: Iterable[str], standing: Iterable[str] = ()) -> str:
    """Returns `` Did you mean water.low?``, or nothing. The first part of a name is enough; then
    an alarm that stands is preferred to one that doesn't."""
    names = sorted(known)
    begins = [name for name in (*sorted(standing), *names) if name.startswith(f"{word}.")]
    near = begins or difflib.get_close_matches(word, names, n=1)
    return f" Did you mean {near[0]}?" if near else ""
