"""One question: its words, its usual answer, and what an answer means."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

from stillwell.settings.setting_error import SettingError, nearest
from stillwell.shown import shown
from stillwell.units import Dimension, System, UnitError, parse

T = TypeVar("T")

KEEP = "keep"
"""The answer that leaves in the file what no answer could say."""
NONE = frozenset({"none", "no", "n", "-", "nothing"})
_YES = frozenset({"yes", "y"})
_BARE = re.compile(r"[+-]?[0-9.,]+")


@dataclass(frozen=True, slots=True)
class Question(Generic[T]):
    asks: str
    """The question, in a sentence or two; empty where only an option answers it."""
    usual: str
    """What an empty answer stands for."""
    read: Callable[[str], T]
    """What an answer means. Raises `SettingError` or `UnitError`, with what would be accepted."""
    option: str = ""
    """The command's option that answers it as well."""
    unasked: str | None = None
    """What is taken where nobody is asked; None: the usual answer."""


def measured(
    dimension: Dimension, system: System, unit: str = "", least: float = 0.0
) -> Callable[[str], str]:
    """Returns a reader of quantities with a unit. It returns the text as it can stand in the file.

    Args:
        unit: the unit of a bare number; empty if there must be a unit.
        least: the value must be greater than this, in the inside unit.
    """

    def read(text: str) -> str:
        neat = " ".join(text.split())
        if unit and _BARE.fullmatch(neat):
            neat = f"{neat} {unit}"
        try:
            value = parse(neat, dimension)
        except UnitError as error:
            raise SettingError(error.what, error.do_in(system)) from None
        if value <= least:
            raise SettingError(f"{shown(neat)} is too small for a {dimension}.", "Write more.")
        return neat

    return read


def or_none(read: Callable[[str], T], *, there: bool = False) -> Callable[[str], T | str | None]:
    """Returns a reader that also takes "none"; its refusals say so.

    Args:
        there: whether there is something that "keep" leaves as it is.
    """

    def either(text: str) -> T | str | None:
        word = text.strip().casefold()
        if word in NONE or (there and word == KEEP):
            return KEEP if word == KEEP else None
        try:
            return read(text)
        except (SettingError, UnitError) as error:
            raise SettingError(error.what, f'{error.do} Or write "none".') from None

    return either


def one_of(words: Mapping[str, T]) -> Callable[[str], T]:
    """Returns a reader of one of these words, or of the beginning of just one meaning."""

    def read(text: str) -> T:
        word = text.strip().casefold()
        begun = [known for known in words if known == word] or [
            known for known in words if word and known.startswith(word)
        ]
        if len({str(words[known]) for known in begun}) == 1:
            return words[begun[0]]
        near = nearest(word, words)
        hint = f'Did you mean "{near}"? ' if near else ""
        raise SettingError(f"{shown(text)} is no answer here.", f"{hint}Write {_any(words)}.")

    return read


def _any(words: Mapping[str, object]) -> str:
    # Of several words for one thing the first is named.
    firsts = {str(meaning): word for word, meaning in reversed(list(words.items()))}
    *most, last = reversed(list(firsts.values()))
    return f"{', '.join(most)} or {last}" if most else last


yes_or_no = one_of(dict.fromkeys(sorted(_YES, reverse=True), True) | {"no": False, "n": False})
"""Returns whether the answer is yes."""
