"""Which function makes words of which class of facts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from inspect import getmembers, isfunction
from types import ModuleType
from typing import Any, get_type_hints

from stillwell.notice import Facts, Said
from stillwell.words import as_told, bands, cycle, heat, house, lamp, level, probes, salt, sensors
from stillwell.words.figures import Figures

Speaks = Callable[[Any, Figures], Said]


def _speak(family: ModuleType) -> Iterator[tuple[type[Facts], Speaks]]:
    """Yields the public functions of one file that return words, each with the class of facts for
    which it is written."""
    for name, function in getmembers(family, isfunction):
        hints = get_type_hints(function)
        if not name.startswith("_") and hints.get("return") is Said:
            yield hints["facts"], function


_FAMILIES = (as_told, bands, cycle, heat, house, lamp, level, probes, salt, sensors)
WORDS: dict[type[Facts], Speaks] = {
    kind: function for family in _FAMILIES for kind, function in _speak(family)
}
"""By the class of the facts; the store names each class by its name."""
