"""How a float sees the level, measured in ripples, when the ripple is uncertain too: a product
of two unknowns."""

from __future__ import annotations

import math
from typing import NamedTuple

_BEND = 3.0
"""The distance, in ripples, beyond which a float's share no longer depends on the ripple: a
thousandth of a normal surface lies there."""


class Sight(NamedTuple):
    """Moments of what a float sees."""

    mean: float
    variance: float
    of_level: float
    of_ripple: float
    """How it varies with anything else: by this much of the level's own covariance with it, less
    this much of the ripple's."""


def sight(mean: float, variance: float, cross: float, ripple: float, power: float) -> Sight:
    """Returns the moments of L exp(-power R) for a Gaussian L (`mean`, `variance`) and R (0,
    `ripple`) with covariance `cross`: the normal's moment-generating function and Stein's lemma.

    Whole moments are needed instead of a derivative: R is the same for hundreds of slices, and a
    small bias in each would add up. Far from the float, where its share no longer depends on the
    ripple, R counts for less."""
    if abs(mean) > _BEND:
        power *= _BEND / abs(mean)
    grow = math.exp(0.5 * power * power * ripple)
    shifted = grow * (mean - power * cross)
    square = grow**4 * ((mean - 2.0 * power * cross) ** 2 + variance)
    return Sight(shifted, square - shifted * shifted, grow, power * shifted)
