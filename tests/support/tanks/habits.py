"""What people, clocks and the sun do to a tank, minute by minute."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi
from random import Random

from tanks.draw import Tank
from tanks.rooms import away
from tanks.trace import Fault, Injected

_MIN_DAY = 1_440


@dataclass(slots=True)
class Habits:
    """One value for each minute."""

    lamp_w: list[float]
    sun_w: list[float]
    fan_m_s: list[float]
    """The speed of air from the fan that a clock switches."""
    night_k: list[float]
    """What a schedule adds to the heater's setting."""
    pumping: bytearray
    covered: bytearray
    plugged: bytearray
    """0 while the keeper has pulled the heater's plug."""
    powered: bytearray
    """0 while the whole household is without power, the logger too."""
    disturbed: bytearray
    pours: dict[int, tuple[float, float | None]]
    """By minute: litres and their temperature in degC, None for the room's. As much water goes
    out as comes in, by hand or as vapour."""


def habits(rng: Random, tank: Tank, minutes: int, absent: tuple[int, int] | None) -> Habits:
    """Returns the life of a tank to which nothing is wrong."""
    kept = Habits(
        lamp_w=_lamp(tank, minutes),
        sun_w=_sun(rng, tank, minutes),
        fan_m_s=[0.0] * minutes,
        night_k=[0.0] * minutes,
        pumping=bytearray(b"\1" * minutes),
        covered=bytearray(minutes),
        plugged=bytearray(b"\1" * minutes),
        powered=bytearray(b"\1" * minutes),
        disturbed=bytearray(minutes),
        pours={},
    )
    if tank.fan_hours is not None:
        for minute in _hours(minutes, tank.fan_hours):
            kept.fan_m_s[minute] = tank.fan_m_s
    if tank.night is not None:
        for minute in _hours(minutes, tank.night[:2]):
            kept.night_k[minute] = tank.night[2] - tank.setting_c
    if tank.pump_rests is not None:
        for minute in _hours(minutes, tank.pump_rests):
            kept.pumping[minute] = 0
            kept.disturbed[minute] = 1
    for day in range(minutes // _MIN_DAY):
        _day(rng, tank, kept, day * _MIN_DAY, absent)
    if rng.random() < minutes / _MIN_DAY / 60.0:
        at, lasts = rng.randrange(minutes), int(rng.uniform(3, 90))
        for minute in range(at, min(at + lasts, minutes)):
            kept.powered[minute] = 0
    return kept


def _lamp(tank: Tank, minutes: int) -> list[float]:
    watts = [0.0] * minutes
    if tank.lamp_hours is None:
        return watts
    begins, ends = (round(hour * 60) for hour in tank.lamp_hours)
    for minute in range(minutes):
        left = min(minute % _MIN_DAY - begins + 1, ends - minute % _MIN_DAY)
        watts[minute] = tank.lamp_w * max(0.0, min(1.0, left / max(1.0, tank.lamp_ramp_min)))
    return watts


def _sun(rng: Random, tank: Tank, minutes: int) -> list[float]:
    watts, clear = [0.0] * minutes, False
    for day in range(minutes // _MIN_DAY + 1):
        clear = rng.random() < (0.65 if clear else 0.35)
        strength = rng.uniform(0.7, 1.0)
        if clear and tank.sun_w > 0.0:
            _shine(watts, day, tank.sun_hour, tank.sun_half_h, tank.sun_w * strength)
    return watts


def _shine(watts: list[float], day: int, hour: float, half_h: float, peak_w: float) -> None:
    middle, half = day * _MIN_DAY + hour * 60, half_h * 60
    for minute in range(max(0, int(middle - half)), min(len(watts), int(middle + half) + 1)):
        watts[minute] += peak_w * cos(0.5 * pi * min(1.0, abs(minute - middle) / half)) ** 2


def _hours(minutes: int, hours: tuple[float, float]) -> list[int]:
    begins, ends = (round(hour * 60) for hour in hours)
    if begins <= ends:
        return [minute for minute in range(minutes) if begins <= minute % _MIN_DAY < ends]
    return [
        minute
        for minute in range(minutes)
        if minute % _MIN_DAY >= begins or minute % _MIN_DAY < ends
    ]


def _day(
    rng: Random, tank: Tank, kept: Habits, midnight: int, absent: tuple[int, int] | None
) -> None:
    """Writes what the keeper does on one day; on a holiday the same draws are made and lead to
    nothing."""
    end = len(kept.pumping)
    lid_on, lid_off = rng.gauss(22.5, 0.4) * 60, rng.gauss(7.0, 0.4) * 60 + _MIN_DAY
    feeds, feeds_min = rng.gauss(tank.feeds_hour, 0.5) * 60, int(rng.uniform(8, 25))
    pours, amount = rng.uniform(8, 21) * 60, rng.uniform(0.6, 1.4) * tank.pour_l
    changes, lasts, off = rng.uniform(9, 19) * 60, 10, int(rng.uniform(20, 50))
    fresh_c = tank.setting_c + rng.gauss(0.0, 1.5)
    slip, tap_c = rng.random() < 0.04, rng.uniform(8.0, 16.0)
    if away(absent, midnight + 720):
        return
    if tank.lid:
        for minute in range(midnight + int(lid_on), min(midnight + int(lid_off), end)):
            kept.covered[minute] = 1
    if tank.feeding_pause:
        for minute in range(midnight + int(feeds), min(midnight + int(feeds) + feeds_min, end)):
            kept.pumping[minute] = 0
            kept.disturbed[minute] = 1
    if tank.pour_l > 0.0:
        kept.pours[midnight + int(pours)] = (amount, tap_c if slip else None)
        kept.disturbed[midnight + int(pours)] = 1
    if tank.change_days and midnight // _MIN_DAY % tank.change_days == tank.change_days - 1:
        first = midnight + int(changes)
        for minute in range(first, first + lasts):
            kept.pours[minute] = (
                tank.change_share * tank.volume_l / lasts,
                None if tank.change_cold else fresh_c,
            )
        for minute in range(first, min(first + off, end)):
            kept.disturbed[minute] = 1
            kept.plugged[minute] = 0 if tank.unplugs else 1
            kept.pumping[minute] = 0 if tank.unplugs else kept.pumping[minute]


def befall(kept: Habits, injected: Injected | None, tank: Tank, rng: Random) -> None:
    """Writes a fault of pump, mains, sun or lamp into the minutes in which it is there."""
    times, hour, half_h = rng.uniform(2.0, 3.0), rng.uniform(9.0, 16.0), rng.uniform(0.8, 1.5)
    peak_w = rng.uniform(0.6, 1.5) * tank.volume_l
    if injected is None:
        return
    inside = range(injected.onset_s // 60, min(injected.end_s // 60, len(kept.pumping)))
    if injected.fault is Fault.PUMP_STOPPED:
        for minute in inside:
            kept.pumping[minute] = 0
    elif injected.fault is Fault.LAMP_HOT:
        for minute in inside:
            if tank.lamp_hours is None:
                kept.lamp_w[minute] = tank.lamp_w if 600 <= minute % _MIN_DAY < 1_080 else 0.0
            else:
                kept.lamp_w[minute] *= times
    elif injected.fault is Fault.SUN_HOT:
        for day in range(inside.start // _MIN_DAY, inside.stop // _MIN_DAY + 1):
            watts = [0.0] * len(kept.sun_w)
            _shine(watts, day, tank.sun_hour if tank.sun_w else hour, half_h, peak_w)
            for minute in inside:
                kept.sun_w[minute] += watts[minute]
