"""The refractometer as the journal knows it: when it was set, what it showed then, and what that
means for the readings in between.

A scale is right when it has just been set, and the error found at the next look has grown since: a
reading in between is corrected by its share of the time. Readings before the first look are
corrected by all of its error, as nobody knows when the scale moved.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from stillwell.entry import Entry
from stillwell.journal.kinds import Kind
from stillwell.units import Dimension, parse
from stillwell.water.refractometer import STANDARD_SALINITY, Calibration
from stillwell.water.seawater import G_PER_KG

_FLUID = re.compile(r"[0-9]+(?:\.[0-9]+)? ?(?:ppt|psu|g/kg|‰)", re.IGNORECASE)
_PURE = re.compile(r"\b(pure|fresh|distilled|deionised|deionized|osmosis|ro|rodi)\b", re.IGNORECASE)
_OTHER = re.compile(r"\b(hydrometer|conductivity|salinometer|probe|pen)\b", re.IGNORECASE)
_SCALES = ("", "ppt", "g/kg")
_FURTHEST = 6.0
"""A scale with a larger error than this was misread, or the fluid was another one (our own
choice)."""


def is_refractometer(entry: Entry) -> bool:
    """Returns whether a calibration is one of the refractometer."""
    return entry.kind == Kind.CALIBRATION and "refract" in entry.text.casefold()


def calibrations(entries: Iterable[Entry]) -> tuple[Calibration, ...]:
    """Returns the looks at a fluid of known salinity that tell what the scale showed, in order of
    time. The fluid is the one that the text names (``35 ppt fluid``, ``pure water``), else 35."""
    found = []
    for entry in entries:
        if not is_refractometer(entry) or entry.value is None or entry.unit not in _SCALES:
            continue
        named = _FLUID.search(entry.text)
        if named:
            standard = parse(named[0], Dimension.SALINITY)
        else:
            standard = 0.0 if _PURE.search(entry.text) else STANDARD_SALINITY
        shown = entry.value / G_PER_KG if entry.unit == "g/kg" else entry.value
        if abs(shown - standard) <= _FURTHEST:
            found.append(Calibration(entry.at_ms, standard, shown))
    return tuple(sorted(found, key=lambda c: c.at_ms))


def too_much(at_ms: int, looks: Sequence[Calibration]) -> float:
    """Returns by how much the scale showed too much at a time, in salinity; 0 after the
    last look."""
    before = [look for look in looks if look.at_ms <= at_ms]
    after = [look for look in looks if look.at_ms > at_ms]
    if not after:
        return 0.0
    following = after[0]
    if not before:
        return following.offset
    share = (at_ms - before[-1].at_ms) / (following.at_ms - before[-1].at_ms)
    return share * following.offset


def read_by_it(entry: Entry) -> bool:
    """Returns whether a salinity was read from a scale of salinity, and not noted as from another
    instrument."""
    return entry.unit.startswith(("ppt", "g/kg")) and not _OTHER.search(entry.text)
