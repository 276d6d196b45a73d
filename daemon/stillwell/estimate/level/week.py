"""What a tank loses in about a week, where nothing measures its level: by the pours that were noted
and by what physics expects. Pure: values in, values out.

Whoever pours, pours to the same mark: between two pours that ended there, as much went as was
poured after the first of them. Limits that name no source are our own choice."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

_Z = 1.959964
"""The point of the standard normal distribution within which 95 % lie on both sides."""
_HOUR_MS, _DAY_MS = 3_600_000, 86_400_000
WEEK_MS = 7 * _DAY_MS
_LEAST_MS = 3 * _DAY_MS
"""Over a shorter time, how well the mark was met counts for as much as what went."""
_MARK_SD_MM = 2.5
"""How well a mark is met by eye, where no sensor looks on."""
_CHAMBER_SHARE = 0.25
"""The return chamber's share of the open water where it is not stated (common practice)."""
_APART = 2.0
"""Pours and physics contradict each other when they are this many standard deviations apart."""


@dataclass(frozen=True, slots=True)
class Poured:
    """Noted pours to the mark, from the first, which only says how the water stood, to the last."""

    begin_ms: int
    end_ms: int
    ml: tuple[float, ...]
    """Those after the first."""


@dataclass(frozen=True, slots=True)
class WaterWeek:
    """What was lost in about a week, mL, with its 95 % interval."""

    hours: float
    ml: float
    low: float
    high: float
    pours: int
    """On how many noted pours it rests; 0: on physics alone."""
    expected_ml: float | None
    """What physics expects of that time."""
    apart: bool
    """Whether the pours and physics contradict each other; the interval then spans both."""


def mark_sd_ml(chamber_mm2: float | None, surface_mm2: float) -> float:
    """Returns how well the mark is met, standard deviation in mL.

    Args:
        chamber_mm2: None where the chamber is not stated.
        surface_mm2: all open water.
    """
    return _MARK_SD_MM * (chamber_mm2 or _CHAMBER_SHARE * surface_mm2) / 1_000.0


def poured(pours: Sequence[tuple[int, float | None]], anew_ms: int) -> Poured | None:
    """Returns the noted pours from which a loss can be reckoned; None where they are too few.

    Args:
        pours: time and mL, the oldest first; None for one whose volume nobody measured.
        anew_ms: the last time at which water was changed otherwise; what was before does not count.
    """
    known: list[tuple[int, float | None]] = []
    for at_ms, ml in pours:
        if at_ms > anew_ms:
            # It brought the water to the mark, whatever it was: the reckoning begins there.
            known = [*known, (at_ms, ml)] if ml is not None else [(at_ms, ml)]
    if len(known) < 2 or known[-1][0] - known[0][0] < _LEAST_MS:
        return None
    return Poured(known[0][0], known[-1][0], tuple(ml or 0.0 for _, ml in known[1:]))


def week(
    by_hand: Poured | None,
    expected_ml_per_h: float | None,
    expected_rel_sd: float,
    jug_rel_sd: float,
    mark_sd_ml: float,
) -> WaterWeek | None:
    """Returns the loss; None without pours and without physics.

    Args:
        by_hand: the pours; None where they are too few.
        expected_ml_per_h: what physics expects on average, in their time or in the last week.
        expected_rel_sd: its relative standard deviation.
        jug_rel_sd: that of the volume of one pour.
        mark_sd_ml: how well the mark is met, standard deviation.
    """
    span_ms = WEEK_MS if by_hand is None else by_hand.end_ms - by_hand.begin_ms
    hours = span_ms / _HOUR_MS
    air = None if expected_ml_per_h is None else expected_ml_per_h * hours
    air_sd = expected_rel_sd * (air or 0.0)
    if by_hand is None:
        if air is None:
            return None
        return WaterWeek(hours, air, max(0.0, air - _Z * air_sd), air + _Z * air_sd, 0, air, False)
    ml = sum(by_hand.ml)
    sd = math.hypot(math.sqrt(2.0) * mark_sd_ml, *(jug_rel_sd * each for each in by_hand.ml))
    low, high = ml - _Z * sd, ml + _Z * sd
    apart = air is not None and abs(ml - air) > _APART * math.hypot(sd, air_sd)
    if air is not None and apart:
        low, high = min(low, air - _Z * air_sd), max(high, air + _Z * air_sd)
    elif air is not None and air_sd:
        share = sd**2 / (sd**2 + air_sd**2)
        ml, sd = ml + share * (air - ml), sd * math.sqrt(1.0 - share)
        low, high = ml - _Z * sd, ml + _Z * sd
    return WaterWeek(hours, ml, max(0.0, low), high, len(by_hand.ml), air, apart)
