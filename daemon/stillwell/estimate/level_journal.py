"""What journal entries mean to the level."""

from __future__ import annotations

import re

from stillwell.entry import Entry
from stillwell.estimate.level import Pour, WaterChange
from stillwell.units import Dimension, UnitError, parse

POURS = ("pour", "salt-pour")
WATER_CHANGE = "water-change"
KINDS = (*POURS, WATER_CHANGE)

JUG_REL_SD = 0.05
"""How well a volume is known that a keeper noted: a jug or can with marks (common practice)."""

CHANGE_BEFORE_MS = 45 * 60_000
CHANGE_AFTER_MS = 30 * 60_000
"""A water change of which only one time is told may lie on either side of it."""

_TOOK = re.compile(r"\btook ([0-9][^;]*)")


def took(duration: str) -> str:
    """How an entry's text says how long a water change took."""
    return f"took {duration}"


def pour_of(entry: Entry, at_ms: int) -> Pour | str:
    """The pour that an entry tells of, or why it tells of none.

    Args:
        at_ms: its time on the estimator's line.
    """
    fresh = entry.kind == "pour"
    to_mark = entry.unit.endswith("to mark")
    if entry.value is None:
        return Pour(at_ms, None, to_mark=True, fresh=fresh)
    unit = entry.unit.removesuffix("to mark").partition(" at ")[0].strip() or "mL"
    try:
        ml = parse(f"{entry.value!r} {unit}", Dimension.VOLUME)
    except UnitError as error:
        return f"A pour that can't be read: {error.what}"
    if not ml > 0:
        return (
            f"A pour of {entry.value:g} {entry.unit}: a pour adds water. Strike it, note it anew."
        )
    return Pour(at_ms, ml, JUG_REL_SD * ml, fresh=fresh, to_mark=to_mark)


def change_of(entry: Entry, at_ms: int) -> WaterChange:
    """The time of a water change, on the estimator's line."""
    found = _TOOK.search(entry.text)
    if found:
        try:
            lasted_ms = round(parse(found[1].strip(), Dimension.DURATION) * 1000)
        except UnitError:
            lasted_ms = 0
        if 0 < lasted_ms < 12 * 3_600_000:
            return WaterChange(at_ms, at_ms + lasted_ms)
    return WaterChange(at_ms - CHANGE_BEFORE_MS, at_ms + CHANGE_AFTER_MS)
