"""How much water the chamber can take, which a pour is checked against."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from stillwell.estimate.level.geometry import Geometry
from stillwell.store import StoreReader

if TYPE_CHECKING:
    from stillwell.settings.schema.tank import Chamber  # its models take half a second to build

LEVEL_FRESH_MS = 3 * 3_600_000
"""A level older than this is no longer used for pours (our own choice)."""


def geometry(chamber: Chamber) -> Geometry:
    """Returns the chamber as the estimators take it."""
    usual = Geometry(chamber.area_mm2, chamber.uncertainty)
    return replace(
        usual,
        lowest_safe_mm=usual.lowest_safe_mm if chamber.lowest_safe is None else chamber.lowest_safe,
        highest_safe_mm=(
            usual.highest_safe_mm if chamber.highest_safe is None else chamber.highest_safe
        ),
    )


def missing_before(reader: StoreReader, at_ms: int) -> float | None:
    """Returns the most water that may have been missing to the fill mark, mL, in the hours before:
    water poured in since is usually noted later. None where nothing has measured it."""
    level = reader.estimates("level.to-mark", at_ms - LEVEL_FRESH_MS, at_ms + 1)
    return max((row.high for row in level if row.high is not None), default=None)
