"""What may explain a surprising slice: nothing, a pour that nobody noted, a drain, a sudden
change of the rate, a sensor at fault, a noted pour that did not happen."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache, partial
from typing import NamedTuple

from stillwell.estimate.level.bank import Bank
from stillwell.estimate.level.ledger import Slice
from stillwell.estimate.level.physics import Physics
from stillwell.estimate.level.readout import level
from stillwell.estimate.level.update import GAUGE_UNEXPLAINED

_RATE_BREAKS_PER_DAY = 0.2
"""How often the rate changes suddenly: a window opened, a lid put on, a leak."""
_RATE_BREAK_AGO_H = (0.3, 1.0)
_LEAST_POUR_MM = 1.5
_LEAST_DRAIN_MM = 4.0
"""Smaller steps cannot be told from a change of the rate."""


@dataclass(slots=True)
class Doubt:
    """The same tank, had a noted pour not happened."""

    log_odds: float
    """Log-odds compared with the main line."""
    pour_ms: int
    pour_ml: float
    bank: Bank


class Way(NamedTuple):
    """One explanation, before it is weighed."""

    prior: float
    """ln of its probability, up to a constant that all have in common."""
    what: str
    begun: Callable[[], Bank]
    """Makes the bank before the slice: some are too improbable at their best to be asked for."""
    believed: bool
    """Whether the slice itself is believed."""
    doubt: Doubt | None = None
    """The doubt that it would settle."""


class Explanation(NamedTuple):
    """One explanation, and how probable it is."""

    score: float
    """As `Way.prior`, with the evidence."""
    what: str
    bank: Bank
    """The bank after the slice."""
    believed: bool
    doubt: Doubt | None


def explanations(
    bank: Bank,
    physics: Physics,
    shape: float,
    sensors: Iterable[int],
    doubts: Iterable[Doubt],
) -> Iterator[Way]:
    """Yields each explanation, the more probable ones first.

    Args:
        bank: what is known before the slice; it is copied.
        shape: the expected rate.
        sensors: the sensors in the slice, by their place in the bank.
    """
    habits = physics.habits
    per_slice = habits.slice_min / 1440.0

    @cache
    def changed(change: Callable[[Bank], None]) -> Bank:
        other = bank.copy()
        change(other)
        return other

    def way(often: float, what: str, change: Callable[[Bank], None], believed: bool = True) -> Way:
        return Way(math.log(often), what, lambda: changed(change).copy(), believed)

    yield Way(0.0, "", bank.copy, True)
    for doubt in doubts:
        yield Way(doubt.log_odds, "pour not seen", doubt.bank.copy, True, doubt)
    up, down = (partial(Bank.step, direction=direction) for direction in (+1, -1))
    for believed in (True, False):
        yield way(habits.unnoted_pours_per_day * per_slice, "unnoted pour", up, believed)
    often = _RATE_BREAKS_PER_DAY * per_slice / len(_RATE_BREAK_AGO_H)
    for ago_h in _RATE_BREAK_AGO_H:
        yield way(often, "rate break", partial(Bank.break_rate, shape=shape, ago_h=ago_h))
    for sensor in sensors:
        yield way(habits.sensor_fault, "", partial(Bank.distrust, sensor=sensor))
    for believed in (True, False):
        yield way(habits.drains_per_day * per_slice, "drain", down, believed)


def most(piece: Slice, physics: Physics) -> float:
    """Returns ln of the probability that a slice has at most, by whatever is known before."""
    if piece.gauge is None or physics.gauge is None:
        return 0.0
    variance = piece.gauge.variance + physics.habits.sway_mm**2
    return max(GAUGE_UNEXPLAINED, -0.5 * math.log(2.0 * math.pi * variance))


def most_probable(
    ways: Iterable[Way],
    before: Bank,
    shape: float,
    here: tuple[int, Slice],
    ahead: tuple[int, Slice],
) -> Explanation:
    """Returns the most probable of `ways` by the surprising slice and the next one, with the bank
    after the former.

    Args:
        before: what is known before both.
        shape: the expected rate.
        here: the surprising slice, and its time.
        ahead: the next slice with evidence, and the time of its middle.
    """
    (t_ms, piece), (middle_ms, follow) = here, ahead
    onward = before.copy()
    onward.predict(middle_ms - t_ms, shape)
    stay = level(onward)
    best: Explanation | None = None
    least, follows = -math.inf, most(follow, before.physics)
    for prior, what, begun, believed, doubt in ways:
        here_most = most(piece, before.physics) if believed else before.ignored(piece)
        if prior + here_most + follows <= least:
            continue  # at its best it would be less probable
        bank = begun()
        here_own = bank.absorb(piece, shape, t_ms)[0] if believed else bank.ignored(piece)
        if prior + here_own + follows <= least:
            continue
        further = bank.copy()
        further.predict(middle_ms - t_ms, shape)
        score = here_own + (prior + further.absorb(follow, shape, middle_ms)[0])
        if what in ("unnoted pour", "drain"):
            rise = level(further) - stay
            if rise < _LEAST_POUR_MM if what == "unnoted pour" else rise > -_LEAST_DRAIN_MM:
                continue
        if score > least:
            least, best = score, Explanation(score, what, bank, believed, doubt)
    assert best is not None
    return best
