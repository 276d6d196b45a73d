"""The air around a tank, minute by minute: two models of a room that share only the weather.

Temperatures of rooms lie between 12 and 32 degC but for hours; which house is drawn decides about
the heating, its set-back at night, an air conditioner that cycles, and windows that are opened.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import cos, exp, pi
from random import Random

from tanks.physics import saturation_pa
from tanks.trace import Fault, Injected

_MIN_DAY = 1_440


@dataclass(slots=True)
class Air:
    """One value a minute."""

    room_c: list[float]
    vapour_pa: list[float]
    speed_m_s: list[float]
    """Of the air over the water, without a fan."""
    window: bytearray
    """1 while a window stands open."""


@dataclass(frozen=True, slots=True)
class House:
    """What a kind of house has, degC."""

    year_c: float
    """Mean of the air outdoors, over the year."""
    season_k: float
    day_k: float
    """Half of the swing of a day outdoors."""
    heated: tuple[float, float] | None
    """By day and by night."""
    cooled_c: float | None
    """The air conditioner's setting."""
    gain_k: float
    """By how much sun, people and machines lift an unheated room over the air outdoors."""
    slow: float
    """How much slower than a usual room it follows the weather."""


def drawn_house(rng: Random) -> House:
    """Returns a flat with set-back at night, a well heated one, a cellar, a mild or a hot country
    with or without an air conditioner."""
    kind = rng.choices(("set back", "even", "cellar", "mild", "hot", "cooled"), (5, 3, 2, 2, 2, 3))[
        0
    ]
    if kind in {"set back", "even"}:
        by_day = rng.uniform(19.0, 23.0)
        by_night = by_day - (rng.uniform(1.5, 5.0) if kind == "set back" else 0.0)
        return House(
            rng.uniform(7.0, 12.0), rng.uniform(7.0, 10.0), 4.0, (by_day, by_night), None, 5.0, 1.0
        )
    if kind == "cellar":
        return House(rng.uniform(10.0, 15.0), 4.0, 1.0, None, None, rng.uniform(2.0, 4.0), 5.0)
    if kind == "mild":
        return House(rng.uniform(16.0, 20.0), 4.0, 4.0, (18.0, 16.0), None, 4.0, 1.0)
    if kind == "hot":
        return House(rng.uniform(22.0, 26.0), 3.0, 4.0, None, None, 2.5, 1.0)
    cooled = rng.uniform(20.0, 26.0)
    return House(rng.uniform(22.0, 27.0), 4.0, 5.0, None, cooled, 4.0, 1.0)


def outdoors(rng: Random, house: House, start: date, minutes: int) -> list[float]:
    """Returns the air outdoors: season, day, and weather that wanders by days."""
    days = minutes // _MIN_DAY + 2
    weather = [rng.gauss(0.0, 2.5)]
    for _ in range(days):
        weather.append(0.7 * weather[-1] + rng.gauss(0.0, 1.8))
    yearday = start.timetuple().tm_yday
    out: list[float] = []
    for hour in range(minutes // 60 + 2):
        day, part = divmod(hour / 24.0, 1.0)
        base = house.year_c + house.season_k * cos(2 * pi * (yearday + day - 200) / 365.25)
        turn = weather[int(day)] * (1.0 - part) + weather[int(day) + 1] * part
        out.append(base + turn + house.day_k * cos(2 * pi * (part - 15 / 24)))
    return out


def openings(rng: Random, minutes: int, absent: tuple[int, int] | None) -> bytearray:
    """Returns when a window stands open: never in some houses, up to twice a day in others."""
    window = bytearray(minutes)
    often = rng.choice((0.0, 0.2, 0.5, 1.0))
    for day in range(minutes // _MIN_DAY + 1):
        for _ in range(2):
            at, lasts = day * _MIN_DAY + int(rng.uniform(7, 22) * 60), int(rng.uniform(5, 40))
            if rng.random() < 0.5 * often and not away(absent, at):
                for minute in range(at, min(at + lasts, minutes)):
                    window[minute] = 1
    return window


def away(absent: tuple[int, int] | None, minute: int) -> bool:
    """Says whether the keepers are on holiday."""
    return absent is not None and absent[0] <= minute < absent[1]


def targets(
    rng: Random, house: House, minutes: int, absent: tuple[int, int] | None
) -> list[float | None]:
    """Returns the heating's setting by the minute; None where nothing heats."""
    if house.heated is None:
        return [None] * minutes
    by_day, by_night = house.heated
    wakes, sleeps = rng.uniform(5, 7.5) * 60, rng.uniform(21, 23.5) * 60
    return [
        min(by_night, 15.0)
        if away(absent, minute)
        else (by_day if wakes <= minute % _MIN_DAY < sleeps else by_night)
        for minute in range(minutes)
    ]


def smooth_room(
    rng: Random,
    house: House,
    start: date,
    minutes: int,
    absent: tuple[int, int] | None,
    out: list[float] | None = None,
) -> Air:
    """Returns a room as one mass with radiators that are throttled and an air conditioner that
    switches. `out`: the air outdoors by the hour; drawn where it is not given."""
    out = out or outdoors(rng, house, start, minutes)
    window = openings(rng, minutes, absent)
    target = targets(rng, house, minutes, absent)
    slow_min = house.slow * rng.uniform(12, 40) * 60
    heats, cools = rng.uniform(1.2, 3.0) / 60, rng.uniform(5.0, 14.0) / 60
    swing = rng.uniform(0.3, 0.9)
    room = target[0] if target[0] is not None else out[0] + house.gain_k
    room = min(room, house.cooled_c or room)
    room_c, cooling = [], False
    for minute in range(minutes):
        outside = out[minute // 60]
        room += (outside + house.gain_k - room) / slow_min
        want = target[minute]
        if want is not None:
            room += heats * max(0.0, min(1.0, (want - room) / 0.6))
        if house.cooled_c is not None:
            cooling = room > house.cooled_c + (-swing if cooling else swing)
            room -= cools if cooling and not away(absent, minute) else 0.0
        if window[minute]:
            room += (outside - room) / 35.0
        room_c.append(room)
    return _air(rng, room_c, window)


def quick_room(
    rng: Random,
    house: House,
    start: date,
    minutes: int,
    absent: tuple[int, int] | None,
    out: list[float] | None = None,
) -> Air:
    """Returns a room as light air between heavy walls, with radiators and an air conditioner that
    both switch. `out`: the air outdoors by the hour; drawn where it is not given."""
    out = out or outdoors(rng, house, start, minutes)
    window = openings(rng, minutes, absent)
    target = targets(rng, house, minutes, absent)
    to_walls, of_walls = rng.uniform(25, 60), rng.uniform(10, 30) * 60
    to_out = house.slow * rng.uniform(40, 90) * 60
    lift, drop = rng.uniform(5.0, 9.0), rng.uniform(3.0, 7.0)
    band = rng.uniform(0.2, 0.7)
    walls = target[0] - 0.5 if target[0] is not None else out[0] + house.gain_k
    walls = min(walls, (house.cooled_c or walls) + 1.0)
    air, radiator, heating, cooling = walls, 0.0, False, False
    room_c = []
    for minute in range(minutes):
        outside, want = out[minute // 60], target[minute]
        heating = want is not None and air < want + (band if heating else -band)
        radiator += ((1.0 if heating else 0.0) - radiator) / 12.0
        if house.cooled_c is not None:
            cooling = air > house.cooled_c + (-band if cooling else band)
            cooling = cooling and not away(absent, minute)
        change = (walls - air + lift * radiator - (drop if cooling else 0.0)) / to_walls
        if window[minute]:
            change += (outside - air) / 25.0
        walls += (air - walls) / of_walls + (outside + house.gain_k - walls) / to_out
        air += change
        room_c.append(air)
    return _air(rng, room_c, window)


def _air(rng: Random, room_c: list[float], window: bytearray) -> Air:
    humid, still = rng.uniform(0.35, 0.65), rng.uniform(0.0, 0.15)
    drift = restless = 0.0
    lively = rng.uniform(0.1, 0.5)
    vapour_pa, mean = [], sum(room_c) / len(room_c)
    for minute, plain in enumerate(room_c):
        if minute % 10 == 0:  # People, doors and cooking: a wandering of about two hours.
            restless = 0.92 * restless + rng.gauss(0.0, 0.39 * lively)
        room = _habitable(plain + restless)
        room_c[minute] = room
        if minute % 60 == 0:
            drift = 0.97 * drift + rng.gauss(0.0, 0.012)
            mean += 0.05 * (room - mean)
            share = max(0.2, min(0.85, humid + drift))
            moist = share * saturation_pa(mean)
        vapour_pa.append(moist)
    speed = [still + (0.35 if opened else 0.0) for opened in window]
    return Air(room_c, vapour_pa, speed, window)


def _habitable(room_c: float) -> float:
    """Returns the room as people leave it: they heat or shade it when it goes beyond 12 or 32."""
    return room_c - 0.8 * (min(0.0, room_c - 12.0) + max(0.0, room_c - 32.0))


def bend(air: Air, injected: Injected | None, rng: Random) -> None:
    """Makes the room colder or warmer by 4 to 9 K while the fault lasts, with a lag of hours."""
    depth, lag_min = rng.uniform(4.0, 9.0), rng.uniform(2.0, 8.0) * 60
    if injected is None or injected.fault not in {Fault.ROOM_COLD, Fault.ROOM_HOT}:
        return
    depth = -depth if injected.fault is Fault.ROOM_COLD else depth
    shift, keeps = 0.0, exp(-1.0 / lag_min)
    for minute in range(injected.onset_s // 60, len(air.room_c)):
        goal = depth if injected.holds(minute * 60) else 0.0
        shift = goal + (shift - goal) * keeps
        air.room_c[minute] += shift
