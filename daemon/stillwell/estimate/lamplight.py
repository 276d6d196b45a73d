"""For how many hours a day the lamp was on, by the water's temperature alone.

Much of a lamp's power ends in the water: while it is on, the water cools more slowly without the
heater and warms faster with it. Both are looked at, day upon day by the time of day, and the hours
are those that part the slopes best. A room that is warmer by day does something alike, but smoothly
and together with the room's own temperature; so a slow daily course and the room are allowed for
first, and only what has edges counts.

A least-squares fit of a step up and a step down (a two-sided change point; Hinkley, Biometrika 57
(1970) 1, for one, from memory), tried at every half hour. What is asked of the evidence before
hours are named is our own choice, checked on simulated tanks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import cos, pi, sin, sqrt
from statistics import fmean

CELL_MS = 600_000
SLOTS = 48
"""Of half an hour."""
SHORTEST, LONGEST = 6, 40
"""Slots that a lamp is on: 3 to 20 hours."""
FEWEST_DAYS = 3
_PER_SLOT = 3
"""Cells wanted in each slot."""
_SURE = 40.0
"""What the two edges must explain, in variances of a slot: far beyond what the best of a thousand
trials finds in noise."""
_LIKE = 8.0
"""Hours whose fit is worse by less than this are as likely (95 % of one parameter is 3.84; doubled,
as the slots of one day are not independent)."""
_WIDEST_H = 3.0
_ALWAYS, _MOST_ALWAYS = 0.9, 3
"""Share of the time, and slots."""


@dataclass(frozen=True, slots=True)
class Cell:
    """Ten minutes of the water."""

    start_ms: int
    minute: int
    """Local minute of the day at its start, 0 to 1439."""
    water_c: float
    room_c: float | None = None


@dataclass(frozen=True, slots=True)
class LitHours:
    """Hours a day, with the 95 % interval."""

    value: float
    low: float
    high: float
    from_minute: int
    """Local minute of the day at which it goes on, to half an hour."""
    days: float
    """That were looked at."""


@dataclass(frozen=True, slots=True)
class NotSeen:
    """Why the trace can't tell."""

    reason: str


def lit_hours(cells: Sequence[Cell]) -> LitHours | NotSeen:
    """Returns the lamp's hours over all days given, or why they do not show.

    Args:
        cells: in order of time, some days of them; cells may be missing.
    """
    slopes = _slopes(cells)
    days = len(cells) * CELL_MS / 86_400_000
    if days < FEWEST_DAYS:
        return NotSeen(f"it takes {FEWEST_DAYS} days of readings to see it in the temperature.")
    bare = [slope for _, slope, _ in slopes]
    # Whether a heater switches is not asked first: the wrong way of the two shows no lamp.
    ways = (_as_they_are(bare), _apart_from_switching(bare))
    return max((_looked_at(slopes, way, days) for way in ways), key=lambda found: found[0])[1]


def _looked_at(
    slopes: Sequence[tuple[int, float, float | None]],
    heating: dict[int, bool],
    days: float,
) -> tuple[float, LitHours | NotSeen]:
    """How much better the water is explained with a lamp, and its hours."""
    by_slot: list[list[tuple[float, bool]]] = [[] for _ in range(SLOTS)]
    room: list[list[float]] = [[] for _ in range(SLOTS)]
    for place, is_on in heating.items():
        minute, slope, room_c = slopes[place]
        by_slot[minute // 30].append((slope, is_on))
        if room_c is not None:
            room[minute // 30].append(room_c)
    if any(len(found) < _PER_SLOT for found in by_slot):
        return 0.0, NotSeen("some hours of the day were seen too seldom.")
    always = sum(fmean(is_on for _, is_on in found) > _ALWAYS for found in by_slot)
    if always >= _MOST_ALWAYS:
        # What is taken for the heater does not come and go: it is the lamp itself.
        return 0.0, NotSeen("the heater is on for hours without a pause.")
    lift = _lift(by_slot)
    y = [fmean(slope - lift * is_on for slope, is_on in found) for found in by_slot]
    nuisances = [[1.0] * SLOTS, *_course()]
    if all(room):
        nuisances.append([fmean(found) for found in room])
    return _fit(y, _orthonormal(nuisances), days)


def _lift(by_slot: Sequence[Sequence[tuple[float, bool]]]) -> float:
    """What the heater adds, K/h, by slopes with and without it at the same time of day: the lamp is
    the same for both, though the heater is on less while it burns."""
    above = below = 0.0
    for found in by_slot:
        share = fmean(is_on for _, is_on in found)
        middle = fmean(slope for slope, _ in found)
        above += sum((is_on - share) * (slope - middle) for slope, is_on in found)
        below += sum((is_on - share) ** 2 for _, is_on in found)
    return above / below if below > 0 else 0.0


def _slopes(cells: Sequence[Cell]) -> list[tuple[int, float, float | None]]:
    """(minute, K/h, room) from each cell to the next."""
    out = []
    for one, other in pairwise(cells):
        if other.start_ms - one.start_ms == CELL_MS:
            out.append((other.minute, (other.water_c - one.water_c) * 6, other.room_c))
    return out


def _as_they_are(slopes: Sequence[float]) -> dict[int, bool]:
    """Each place, with the heater off: a tank in a warm room."""
    return dict.fromkeys(range(len(slopes)), False)


def _apart_from_switching(slopes: Sequence[float]) -> dict[int, bool]:
    """Each place at which the heater did not just switch, and whether it is on."""
    if not slopes:
        return {}
    low, high = _two_means(slopes)
    on = [slope > (low + high) / 2 for slope in slopes]
    return {n: on[n] for n in range(1, len(slopes) - 1) if on[n - 1] == on[n] == on[n + 1]}


def _two_means(values: Sequence[float]) -> tuple[float, float]:
    """The middles of the two heaps that part the values best; the outermost twentieth on either
    side (a water change, a bad reading) is left out."""
    ordered = sorted(values)
    cut = len(ordered) // 20
    kept = ordered[cut : len(ordered) - cut]
    low, high = kept[0], kept[-1]
    for _ in range(20):
        edge = (low + high) / 2
        below = [v for v in kept if v <= edge]
        above = [v for v in kept if v > edge]
        if not below or not above:
            break
        low, high = fmean(below), fmean(above)
    return low, high


def _course() -> list[list[float]]:
    """A slow course of the day."""
    turns = [2 * pi * slot / SLOTS for slot in range(SLOTS)]
    return [[cos(t) for t in turns], [sin(t) for t in turns]]


def _orthonormal(vectors: Sequence[Sequence[float]]) -> list[list[float]]:
    """Gram and Schmidt; what is left of nothing is left out."""
    out: list[list[float]] = []
    for vector in vectors:
        rest = _residual(vector, out)
        norm = sqrt(sum(v * v for v in rest))
        if norm > 1e-6:
            out.append([v / norm for v in rest])
    return out


def _residual(vector: Sequence[float], basis: Sequence[Sequence[float]]) -> list[float]:
    rest = list(vector)
    for axis in basis:
        along = sum(a * r for a, r in zip(axis, rest, strict=True))
        rest = [r - along * a for r, a in zip(rest, axis, strict=True)]
    return rest


def _fit(
    y: Sequence[float], basis: Sequence[Sequence[float]], days: float
) -> tuple[float, LitHours | NotSeen]:
    rest = _residual(y, basis)
    total = sum(r * r for r in rest)
    explained: dict[tuple[int, int], float] = {}
    for start in range(SLOTS):
        for length in range(SHORTEST, LONGEST + 1):
            lit = [0.0] * SLOTS
            for slot in range(start, start + length):
                lit[slot % SLOTS] = 1.0
            axis = _residual(lit, basis)
            along = sum(a * r for a, r in zip(axis, rest, strict=True))
            size = sum(a * a for a in axis)
            # A lamp warms.
            explained[start, length] = along * along / size if along > 0 and size > 1e-6 else 0.0
    best = max(explained, key=lambda at: explained[at])
    left = total - explained[best]
    variance = left / (SLOTS - len(basis) - 3)
    sure = explained[best] / max(variance, 1e-12)
    if sure < _SURE:
        return sure, NotSeen(
            "the temperature does not show it: the lamp warms the water too little."
        )
    like = [
        length
        for (_, length), share in explained.items()
        if explained[best] - share < _LIKE * variance
    ]
    low, high = (min(like) - 0.5) / 2, (max(like) + 0.5) / 2
    if high - low > _WIDEST_H:
        return sure, NotSeen("the temperature shows it too faintly to count its hours.")
    return sure, LitHours(best[1] / 2, low, high, best[0] * 30, days)
