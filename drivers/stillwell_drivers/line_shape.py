r"""Proposes a pattern for the lines that a gauge prints, from some of them.

``level=-3.2 mm t=21.4`` has the shape ``level=N mm t=N``. Of the shapes with a number in them the
most frequent counts; the pattern has a group for each of its numbers, named by the word before the
number, or by the unit after it.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from typing import NamedTuple

_NUMBER = re.compile(r"(?<![A-Za-z0-9_.])[+-]?\d+(?:\.\d+)?", re.ASCII)
_ANY_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_SPECIAL = re.compile(r"[.^$*+?{}\[\]\\|()]")
_BLANKS = re.compile(r"\s+")
_WORD_BEFORE = re.compile(r"([A-Za-z][A-Za-z0-9_]*)[\s:=]*$", re.ASCII)
_UNIT_AFTER = re.compile(r"\s*([A-Za-z%°]+)")
_LONGEST_NAME = 20
_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
_ROLES = {
    "distance": ("dist", "distance", "range", "d"),
    "level": ("level", "height", "h", *_MM),
    "humidity": ("rh", "hum", "humidity"),
    "room": ("t", "temp", "temperature", "c"),
}


class Figure(NamedTuple):
    """One number of a line."""

    group: str
    """Its name in the pattern."""
    latest: str
    unit: str
    """The word after it; empty if there is none."""
    role: str
    """What it most likely is, as in `ports.Candidate`; empty if nothing tells."""
    scale: float
    """What one of its units is in mm, if it is a length; else 1."""


class Shape(NamedTuple):
    pattern: str
    figures: tuple[Figure, ...]


def shape_of(lines: Iterable[str]) -> Shape | None:
    """Returns what these lines have in common; None if no line has a number."""
    latest: dict[tuple[str, ...], str] = {}
    counts: Counter[tuple[str, ...]] = Counter()
    for line in lines:
        parts = tuple(_BLANKS.sub(" ", part) for part in _NUMBER.split(line.strip()))
        if len(parts) > 1:
            counts[parts] += 1
            latest[parts] = line
    if not counts:
        return None
    parts = counts.most_common(1)[0][0]
    figures: list[Figure] = []
    for place, number in enumerate(_NUMBER.findall(latest[parts].strip())):
        taken = {figure.group for figure in figures}
        figures.append(_figure(parts[place], number, parts[place + 1], taken))
    pattern = _literal(parts[0])
    for figure, part in zip(figures, parts[1:], strict=True):
        pattern += f"(?P<{figure.group}>{_ANY_NUMBER}){_literal(part)}"
    return Shape(pattern, tuple(figures))


def _literal(part: str) -> str:
    return _SPECIAL.sub(r"\\\g<0>", part).replace(" ", r"\s+")


def _figure(before: str, number: str, after: str, taken: set[str]) -> Figure:
    word, unit = _WORD_BEFORE.search(before), _UNIT_AFTER.match(after)
    said = (unit[1] if unit else "").casefold()
    name = (word[1] if word else said if said.isascii() and said.isalpha() else "n").casefold()
    name = name[:_LONGEST_NAME]
    group = next(
        each for each in (name, *(f"{name}_{n}" for n in range(2, 999))) if each not in taken
    )
    words = {name, "rh" if said.startswith("%") else said.lstrip("°")}
    role = next((role for role, known in _ROLES.items() if words & set(known)), "")
    scale = _MM.get(said, 1.0) if role in ("level", "distance") else 1.0
    return Figure(group, number, said, role, scale)
