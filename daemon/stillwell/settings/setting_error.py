"""The error of a validator, in the two sentences that a person needs."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class SettingError(ValueError):
    """What is wrong, and what to write instead."""

    def __init__(self, what: str, do: str = "") -> None:
        super().__init__(f"{what} {do}".strip())
        self.what = what
        self.do = do


def nearest(word: str, known: Iterable[str]) -> str:
    """Returns the known word that `word` was most likely meant to be, or an empty text."""
    by_folded = {each.casefold(): each for each in known}
    found = difflib.get_close_matches(word.casefold(), by_folded, n=1, cutoff=0.6)
    return by_folded[found[0]] if found else ""
