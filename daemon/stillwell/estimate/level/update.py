"""What one sensor says about one slice to one member of the bank: how probable the slice was in
it, and the scalar that the sensor sees afterwards."""

from __future__ import annotations

import math
from typing import NamedTuple

from stillwell.estimate.gaussian import Gaussian, Row
from stillwell.estimate.level.drift import Drift
from stillwell.estimate.level.gauge import Located
from stillwell.estimate.level.ledger import FloatTold
from stillwell.estimate.level.physics import C, D, F, G, H, M, Physics, R
from stillwell.estimate.level.ripple import Occupancy, certain, posterior_moments, throughout
from stillwell.estimate.level.sight import sight

_MS_PER_H = 3_600_000.0
_GAUGE_SPAN_MM = 100.0
GAUGE_UNEXPLAINED = -math.log(_GAUGE_SPAN_MM)
"""ln of the probability of a slice's height from a gauge that says nothing about the level,
1/mm."""


class Update(NamedTuple):
    """What one sensor says to one member about the scalar that it sees."""

    z: float
    """How probable the slice was."""
    best: float
    """How probable it would have been at the best possible prediction."""
    mean: float
    variance: float
    after_mean: float
    after_variance: float
    gain: list[float]


def float_unexplained(told: FloatTold) -> float:
    """Returns ln of the probability of a slice's share from a float that says nothing about the
    level, on the scale on which the best possible level gives 0. Such a float is stuck either
    way or, seldom, anything between."""
    return math.log(0.05 if throughout(told.told) is None else 0.5)


def above_float(
    g: Gaussian, physics: Physics, place: int, drift: Drift, wander: float
) -> tuple[float, float, Occupancy]:
    """Returns mean and standard deviation of the level above a float in ripples, as of now, and
    the float's law; without carrying out pending predictions."""
    share = physics.ripple_share[place]
    inverse = math.exp(-share * g.x[R]) / physics.floats[place].ripple_mm
    law = physics.law(place, share * g.x[R])
    above, v, gain = g.project(((H, 1.0), (F + place, -1.0), *drift.fall))
    v += wander * wander * drift.qhh + physics.habits.sway_mm**2
    mean, v = (above - physics.middle_mm(place)) * inverse, v * inverse * inverse
    seen = sight(mean, v, gain[R] * inverse, g.P[R][R], law.stretch * share)
    return seen.mean, math.sqrt(max(seen.variance, 1e-12)), law


def of_float(g: Gaussian, physics: Physics, place: int, told: FloatTold) -> Update:
    """Returns the update by a float; `place` is its place among the floats."""
    spec, share = physics.floats[place], physics.ripple_share[place]
    law = physics.law(place, share * g.x[R])
    inverse = math.exp(-share * g.x[R]) / spec.ripple_mm
    row: Row = ((H, inverse), (F + place, -inverse))
    _, v, gain = g.project(row)
    mean = (g.x[H] - g.x[F + place] - physics.middle_mm(place)) * inverse
    v += physics.habits.sway_mm**2 * inverse * inverse
    if share > 0.0:
        seen = sight(mean, v, gain[R], g.P[R][R], law.stretch * share)
        mean, v = seen.mean, seen.variance
        gain = [seen.of_level * a - seen.of_ripple * b for a, b in zip(gain, g.P[R], strict=True)]
    v = max(v, 1e-12)
    sd6 = 6.0 * math.sqrt(v)
    if certain(law, mean - sd6, mean + sd6, told.told):
        return Update(1.0, 1.0, mean, v, mean, v, gain)
    z, best, m2, v2 = posterior_moments(mean, v, told.told, law)
    return Update(z, best, mean, v, m2, v2, gain)


def of_gauge(
    g: Gaussian, physics: Physics, gauge: Located, shape: float, middle_ms: float
) -> Update:
    """Returns the update by the gauge; the member's time is `middle_ms`."""
    lag = (gauge.at_ms - middle_ms) / _MS_PER_H
    m, v, gain = g.project(
        ((H, 1.0), (G, 1.0), (M, -shape * lag), (D, -shape * lag), (C, -shape * lag))
    )
    s = v + (gauge.variance + physics.habits.sway_mm**2)
    best = 1.0 / math.sqrt(2 * math.pi * s)
    z = best * math.exp(-0.5 * min(1400.0, (gauge.mm - m) ** 2 / s))
    # as moments of the observed scalar itself: its variance goes to zero once observed
    return Update(z, best, m, s, gauge.mm, 0.0, gain)
