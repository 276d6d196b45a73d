"""Words an entry as people read it, and splits a value from its unit as they type it."""

from __future__ import annotations

import datetime as dt
import re

from stillwell.entry import Entry
from stillwell.journal.kinds import Kind
from stillwell.units import Dimension, System, show

_NUMBER = re.compile(r"([+-]?[0-9][0-9.,]*)\s*(.*)", re.DOTALL)


def number_and_unit(text: str) -> tuple[str, str]:
    """Returns ``("1.2", "L")`` for ``1.2 L`` or ``1.2L``; a text that does not begin with a number
    is returned whole, without a unit."""
    found = _NUMBER.fullmatch(text.strip())
    return (found[1], found[2]) if found else (text.strip(), "")


def in_words(entry: Entry, zone: dt.tzinfo, units: System) -> str:
    """Returns ``Wed 04 Mar 18:30  pour 1.2 L to mark, took 5 min: with the old can``."""
    at = dt.datetime.fromtimestamp(entry.at_ms / 1000, zone)
    mark = " to mark" if entry.to_mark else ""
    took = "" if entry.lasted_s is None else f", took {show(entry.lasted_s, Dimension.DURATION)}"
    text = f": {entry.text}" if entry.text else ""
    return f"{at:%a %d %b %H:%M}  {entry.kind}{_value(entry, units)}{mark}{took}{text}"


def _value(entry: Entry, units: System) -> str:
    if entry.value is None:
        return f" {entry.unit}".rstrip()
    unit, _, rest = entry.unit.partition(" ")
    if unit == "mL":
        return f" {show(entry.value, Dimension.VOLUME, units)} {rest}".rstrip()
    if entry.unit == "s":
        return f" {show(entry.value, Dimension.DURATION)}"
    if entry.unit == "Cel":
        return f" {show(entry.value, Dimension.TEMPERATURE, units)}"
    if entry.unit == "K":
        sign = "+" if entry.value > 0 else ""
        return f" {sign}{show(entry.value, Dimension.DIFFERENCE, units)}"
    if entry.unit == "mg/L N":
        return f" {entry.value:.2g} mg/L as N"
    if entry.unit.startswith("sg "):
        return f" {entry.value:.4f} ({entry.unit.removeprefix('sg ')})"
    if entry.kind == Kind.PH:
        return f" {entry.value:g} ({entry.unit})"
    return f" {entry.value:g} {entry.unit}".rstrip()
