"""A distribution of the level that is not Gaussian, as a sum of several that are (Gaussian sum,
Alspach and Sorenson, IEEE Trans. Autom. Control 17 (1972) 439; from memory).

A float that is closed cuts a distribution off on one side. With a wide Gaussian the rest is
nothing like a Gaussian, and cutting it again and again would count the same evidence each time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from stillwell.estimate.gaussian import Gaussian, merged
from stillwell.estimate.level.physics import H

_VAGUE_MM = 9.0
_NARROW_MM = 6.0
_APART_MM = 10.0
"""Three lengths: a level with a larger spread than the first is cut into members with the spread
of the second, at distances of the third."""
_IMPROBABLE = 14.0
"""ln of how much less probable than all together a member must be to be dropped."""

Weighed = tuple[Gaussian, float]
"""A member and the logarithm of its weight."""


def cut(g: Gaussian, weight: float) -> Iterator[Weighed]:
    """Yields the same distribution in members whose level is narrow; itself where it is narrow
    enough."""
    v = g.P[H][H]
    if v <= _VAGUE_MM**2:
        yield g, weight
        return
    between = v - _NARROW_MM**2
    reach = math.ceil(3.0 * math.sqrt(between) / _APART_MM)
    shifts = [k * _APART_MM for k in range(-reach, reach + 1)]
    logs = [-0.5 * shift * shift / between for shift in shifts]
    total = log_total(logs)
    for shift, log_share in zip(shifts, logs, strict=True):
        part = g.copy()
        part.revise(part.P[H].copy(), v, shift, _NARROW_MM**2)
        yield part, weight + log_share - total


def joined(members: Sequence[Weighed], always: bool) -> list[Weighed]:
    """Returns the members that are not improbable; as one where they agree about the level, or
    `always`."""
    total = log_total([weight for _, weight in members])
    kept = [(g, weight) for g, weight in members if weight > total - _IMPROBABLE]
    of_kept = log_total([weight for _, weight in kept])
    parts = [g for g, _ in kept]
    shares = [math.exp(weight - of_kept) for _, weight in kept]
    joint = sum(w * g.x[H] for g, w in zip(parts, shares, strict=True))
    within = sum(w * g.P[H][H] for g, w in zip(parts, shares, strict=True))
    spread = sum(w * (g.x[H] - joint) ** 2 for g, w in zip(parts, shares, strict=True))
    if always or spread < max(0.5 * within, 0.01):
        return [(parts[0] if len(parts) == 1 else merged(parts, shares), total)]
    return [(g, total + math.log(w)) for g, w in zip(parts, shares, strict=True)]


def log_total(logs: Sequence[float]) -> float:
    """Returns ln of the sum of the exponentials."""
    top = max(logs)
    return top + math.log(sum(math.exp(value - top) for value in logs))
