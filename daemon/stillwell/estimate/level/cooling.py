"""Whether what leaves a tank cools it. What evaporates takes 2.44 kJ a gram out of the water: 40
mL/h are 27 W, and a fan or dry air that takes more water takes that heat too. A leak takes none.

While the heater is off the water of a tank falls at a rate that shows all that it loses. It is held
against the same hours of the day before, when lamp and room were much the same."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from statistics import median, pstdev

K_L_PER_ML = 0.597
"""By how many K a litre of seawater is cooled by a mL of it that evaporates: latent heat 2.44 kJ/g
(IAPWS-97) over 4.09 kJ/(L K) (TEOS-10), both at 25 degC."""
_LEAST = 0.33
"""The share of slices that must fall on both sides. Of water that is held steady, one in six does
by noise."""
_FLOOR_K_H = 0.02
"""By how much a tank's cooling differs from one day to the next (our own choice)."""
_TO_ROOM_H = 20.0
"""The time in which 100 L of water come to the room's temperature (common practice); it goes with
the cube root of the volume, and is known to a half."""
_ROOM_SD_K = 1.0
"""How a room's temperature differs from that of the day before where nobody measures it."""
_EVAPORATES_SD, _LEAKS_SD = 0.25, 0.15


@dataclass(frozen=True, slots=True)
class Warmth:
    """The mean temperatures of one slice, degC."""

    water: float
    room: float | None


def for_leak(
    slices: Mapping[int, Warmth],
    now: range,
    before: range,
    slice_h: float,
    litres: float,
    more_ml_per_h: float,
) -> float:
    """Returns ln of the odds by which the heat speaks for a leak and against evaporation; 0.0 where
    it says nothing.

    Args:
        now: the slices in which more water went.
        before: those that they are held against.
        more_ml_per_h: how much more went in the former.
    """
    lately, earlier = (list(_falls(slices, each, slice_h)) for each in (now, before))
    few = len(lately) < _LEAST * len(now) or len(earlier) < _LEAST * len(before)
    if few or more_ml_per_h <= 0.0:
        return 0.0
    meant = K_L_PER_ML * more_ml_per_h / litres
    cools, noise = _middle(fall for fall, _ in lately)
    cooled, noise_before = _middle(fall for fall, _ in earlier)
    to_room = 1.0 / (_TO_ROOM_H * math.cbrt(litres / 100.0))
    over, over_before = (
        [above for _, above in each if above is not None] for each in (lately, earlier)
    )
    if over and over_before:
        by_room = to_room * (median(over) - median(over_before))
        doubt = 0.5 * by_room
    else:
        by_room, doubt = 0.0, to_room * _ROOM_SD_K
    share = (cools - cooled - by_room) / meant
    sd = math.sqrt(noise**2 + noise_before**2 + doubt**2 + _FLOOR_K_H**2) / meant
    leaks, evaporates = math.hypot(sd, _LEAKS_SD), math.hypot(sd, _EVAPORATES_SD)
    odds = 0.5 * ((share - 1.0) / evaporates) ** 2 - 0.5 * (share / leaks) ** 2
    return odds + math.log(evaporates / leaks)


def _falls(
    slices: Mapping[int, Warmth], where: range, slice_h: float
) -> Iterator[tuple[float, float | None]]:
    """Yields by how much the water falls an hour, K, wherever it falls through three slices, and by
    how much it is warmer than the room."""
    for index in where:
        last, here, following = (slices.get(index + off) for off in (-1, 0, 1))
        if last is None or here is None or following is None:
            continue
        if last.water > here.water > following.water:
            above = None if here.room is None else here.water - here.room
            yield (last.water - following.water) / (2.0 * slice_h), above


def _middle(values: Iterable[float]) -> tuple[float, float]:
    """Returns the median and its standard deviation. Neighbouring values share a slice."""
    known = list(values)
    # 1.25: the standard deviation of a median over that of a mean, of a normal distribution
    return median(known), 1.25 * pstdev(known) / math.sqrt(len(known) / 2.0)
