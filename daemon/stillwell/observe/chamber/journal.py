"""What journal entries mean to the level."""

from __future__ import annotations

from stillwell.entry import Entry
from stillwell.estimate.level.evidence import Pour, WaterChange
from stillwell.units import Dimension, UnitError, parse

POURS = ("pour", "salt-pour")
WATER_CHANGE = "water-change"
KINDS = (*POURS, WATER_CHANGE)

JUG_REL_SD = 0.05
"""The relative uncertainty of a volume that a keeper noted: a jug or can with marks (common
practice)."""

CHANGE_BEFORE_MS = 45 * 60_000
CHANGE_AFTER_MS = 30 * 60_000
"""A water change of which only one time is known may lie on either side of it."""


def pour_of(entry: Entry, at_ms: int) -> Pour | str:
    """Returns the pour that an entry reports, or why it reports none.

    Args:
        at_ms: its time on the estimator's line.
    """
    fresh = entry.kind == "pour"
    if entry.value is None:
        return Pour(at_ms, None, to_mark=True, fresh=fresh)
    unit = entry.unit.partition(" at ")[0].strip() or "mL"
    try:
        ml = parse(f"{entry.value!r} {unit}", Dimension.VOLUME)
    except UnitError as error:
        return f"A pour that can't be read: {error.what}"
    if not ml > 0:
        return (
            f"A pour of {entry.value:g} {entry.unit}: a pour adds water. Strike it, note it anew."
        )
    return Pour(at_ms, ml, JUG_REL_SD * ml, fresh=fresh, to_mark=entry.to_mark)


def change_of(entry: Entry, at_ms: int) -> WaterChange:
    """Returns the time of a water change, on the estimator's line."""
    if entry.lasted_s is not None:
        return WaterChange(at_ms, at_ms + round(entry.lasted_s * 1000))
    return WaterChange(at_ms - CHANGE_BEFORE_MS, at_ms + CHANGE_AFTER_MS)
