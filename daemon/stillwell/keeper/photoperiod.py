"""How long the lamp was on: kept hours against wanted ones."""

from __future__ import annotations

from collections.abc import Iterable

USUAL_H = 10.0
"""A day (common practice)."""
OFF_BY_H = 0.5
GENTLE_MIN = 30
"""By how much a day the hours are changed at most (common practice)."""
_CELL_H = 10 / 60
_LEAST_SEEN = 0.9


def kept_hours(shares: Iterable[float | None]) -> float | None:
    """Returns how long the lamp was on in a day, from its switch; None when less than nine tenths
    of the day were seen.

    Args:
        shares: of each ten minutes of the day the share during which it was on; None or left out:
            not seen.
    """
    seen = [share for share in shares if share is not None]
    return sum(seen) * _CELL_H if len(seen) * _CELL_H >= _LEAST_SEEN * 24.0 else None


def words(kept_h: float | None, wanted_h: float | None) -> str:
    """Returns a sentence about yesterday's light; empty where nothing is known of a lamp."""
    wanted = USUAL_H if wanted_h is None else wanted_h
    if kept_h is None:
        return ""
    off = kept_h - wanted
    if abs(off) <= OFF_BY_H:
        return f"Lamp: {kept_h:.1f} h yesterday, as wanted."
    return (
        f"Lamp: {kept_h:.1f} h yesterday, {abs(off):.1f} h {'more' if off > 0 else 'less'} than "
        f"the {wanted:g} h wanted. Look at its timer; change the hours by no more than "
        f"{GENTLE_MIN} min a day. Dry hands on plugs."
    )
