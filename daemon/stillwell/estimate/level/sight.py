"""How a float sees the level when the ripple is uncertain too: in ripples, a product of two."""

from __future__ import annotations

import math
from typing import NamedTuple

_BEND = 3.0
"""Ripples from its height beyond which a float's share no longer hangs on the ripple: of a normal
surface a thousandth lies there."""


class Sight(NamedTuple):
    """Moments of what a float sees."""

    mean: float
    variance: float
    of_level: float
    of_ripple: float
    """Its covariance with anything: so much of the level's own covariance with it, less so much of
    the ripple's."""


def sight(mean: float, variance: float, cross: float, ripple: float, power: float) -> Sight:
    """Moments of L exp(-power R) for a Gaussian L (`mean`, `variance`) and R (0, `ripple`) with
    covariance `cross`: the normal's moment-generating function and Stein's lemma.

    Taking the moments whole rather than by a derivative matters: R is the same for hundreds of
    slices, and a small bias of each would add up. Far from the float, where its share hangs on the
    ripple no more, R counts for less."""
    if abs(mean) > _BEND:
        power *= _BEND / abs(mean)
    grow = math.exp(0.5 * power * power * ripple)
    shifted = grow * (mean - power * cross)
    square = grow**4 * ((mean - 2.0 * power * cross) ** 2 + variance)
    return Sight(shifted, square - shifted * shifted, grow, power * shifted)
