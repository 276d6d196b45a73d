"""Traces of return chambers, made minute by minute by plain arithmetic: water that goes at a rate,
pours, floats and a gauge that look at it. Shares nothing with stillwell or its simulated tank, so
that what both do not know of each other can come out."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

MINUTE_MS = 60_000
DAY = 24 * 60
"""In minutes, as are all times in this module, counted from the trace's start."""

RIPPLES_A_MINUTE = 30
"""From memory: wavelets on a chamber as wide as a hand pass a float every second or two."""

Span = tuple[float, float]


@dataclass(frozen=True)
class Switch:
    """A float switch, looked at once at each reading: 1 when the water is at or above it."""

    name: str
    height: float
    """mm from the fill mark."""
    differential: float = 2.0
    every: int = 1
    upside_down: bool = False
    stuck: Sequence[tuple[float, float, int]] = ()
    """Spans (from, to, the state that it reports)."""
    loose: Sequence[Span] = ()
    """Spans while its plug is loose, so that it reports either state at random."""


@dataclass(frozen=True)
class Rod:
    """A gauge."""

    name: str = "level"
    every: int = 1
    noise: float = 0.0
    step: float = 0.0
    """mm between two values that it can show."""
    zero: float = 0.0
    """By how much it reads too high, mm."""
    gone: Sequence[Span] = ()
    range: Span = (-1000.0, 1000.0)
    """It shows the nearer of these limits for a level beyond them."""


@dataclass
class Tank:
    """What happens to one chamber.

    Args:
        area: mm², what it is in truth.
        ml_per_h: by minute.
        pours: (minute, mL) as they happened.
    """

    start: datetime
    days: float
    area: float
    ml_per_h: Callable[[float], float]
    sensors: Sequence[Switch | Rod]
    pours: Sequence[tuple[float, float]] = ()
    begin_ml: float = 0.0
    ripple: float = 0.8
    pump_off: Sequence[Span] = ()
    """Spans in which the pump has stopped, so that `drains_back` more water is in the chamber."""
    drains_back: float = 900.0
    changes: Sequence[Span] = ()
    """Water changes: the chamber is emptied and comes back a little differently."""
    lowest: float = -80.0
    """The chamber's floor, mm: the level can go no lower."""
    climate: Callable[[float], dict[str, float]] | None = None
    """Further channels, every five minutes."""
    seed: int = 1
    gone_ml: list[float] = field(default_factory=list)
    """What has evaporated by each minute; filled by `readings`."""

    def at(self, minute: float) -> str:
        ms = self.start.timestamp() * 1000 + minute * MINUTE_MS
        return datetime.fromtimestamp(round(ms) / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

    def ms(self, minute: float) -> int:
        return round(self.start.timestamp() * 1000 + minute * MINUTE_MS)

    def readings(self) -> Iterator[tuple[float, str, float | None]]:
        """Yields (minute, channel, value) in time order; a value of None is a missed reading."""
        draw = random.Random(self.seed)
        ml, gone, closed = self.begin_ml, 0.0, dict[str, bool]()
        waiting = sorted(self.pours)
        self.gone_ml = []
        for minute in range(round(self.days * DAY)):
            took = self.ml_per_h(minute) / 60
            gone += took
            ml -= took
            self.gone_ml.append(gone)
            while waiting and waiting[0][0] <= minute:
                ml += waiting.pop(0)[1]
            mm = ml / self.area * 1000
            if any(a <= minute < b for a, b in self.pump_off):
                mm += self.drains_back / self.area * 1000
            if any(a <= minute < b for a, b in self.changes):
                mm = self.lowest
            mm = max(mm, self.lowest)
            if self.climate is not None and minute % 5 == 0:
                for name, value in self.climate(minute).items():
                    yield minute, name, value
            for sensor in self.sensors:
                if isinstance(sensor, Switch):
                    self._ride(sensor, mm, closed, draw)
                    if minute % sensor.every == 0:
                        yield minute, sensor.name, _says(sensor, closed[sensor.name], minute, draw)
                elif minute % sensor.every == 0:
                    here = mm + draw.gauss(0, self.ripple)
                    yield minute, sensor.name, _shows(sensor, here, minute, draw)

    def _ride(
        self, switch: Switch, mm: float, closed: dict[str, bool], draw: random.Random
    ) -> None:
        """Moves a float on the ripple for one minute, in which it also changes between two
        looks."""
        near = abs(mm - switch.height) < switch.differential + 6 * self.ripple
        for _ in range(RIPPLES_A_MINUTE if near and self.ripple else 1):
            here = mm + draw.gauss(0, self.ripple)
            if here >= switch.height:
                closed[switch.name] = True
            elif here < switch.height - switch.differential or switch.name not in closed:
                closed[switch.name] = False

    def lost(self, from_ms: int, to_ms: int) -> float:
        """Returns the mL that evaporated between two times, UTC ms; call it after `readings`."""
        first, last = ((ms - self.ms(0)) // MINUTE_MS for ms in (from_ms, to_ms))
        gone = [0.0, *self.gone_ml]
        return gone[min(last, len(gone) - 1)] - gone[max(0, first)]

    def level_mm(self, at_ms: int) -> float:
        """Returns the level without ripple, at a time without a stopped pump or a water change;
        call it after `readings`."""
        minute = (at_ms - self.ms(0)) // MINUTE_MS
        poured = sum(ml for at, ml in self.pours if at <= minute)
        return (self.begin_ml + poured - self.gone_ml[minute]) / self.area * 1000

    def write(self, path: Path) -> Path:
        """Writes the readings as a trace."""
        with path.open("w", encoding="utf-8") as file:
            file.write("time,channel,value\n")
            for minute, channel, value in self.readings():
                file.write(f"{self.at(minute)},{channel},{'' if value is None else f'{value:g}'}\n")
        return path

    def write_journal(
        self, path: Path, rows: Iterable[tuple[float, str, float | None, str]]
    ) -> Path:
        """Writes (minute, kind, value, unit) as a journal."""
        with path.open("w", encoding="utf-8") as file:
            file.write("time,kind,value,unit\n")
            for minute, kind, value, unit in sorted(rows, key=lambda row: row[0]):
                file.write(f"{self.at(minute)},{kind},{'' if value is None else value},{unit}\n")
        return path


def _says(switch: Switch, closed: bool, minute: float, draw: random.Random) -> float:
    says = closed != switch.upside_down
    for a, b, value in switch.stuck:
        if a <= minute < b:
            says = bool(value)
    if any(a <= minute < b for a, b in switch.loose):
        says = draw.random() < 0.5
    return float(says)


def _shows(rod: Rod, mm: float, minute: float, draw: random.Random) -> float | None:
    shown = mm + rod.zero + draw.gauss(0, rod.noise)
    if any(a <= minute < b for a, b in rod.gone):
        return None
    if rod.step:
        shown = round(shown / rod.step) * rod.step
    return round(min(max(shown, rod.range[0]), rod.range[1]), 2)


def wandering(ml_per_h: float, seed: int, by: float = 0.12) -> Callable[[float], float]:
    """Returns a rate that is higher by day than by night and differs from day to day by `by`."""
    draw = random.Random(f"rate {seed}")
    days = [ml_per_h * math.exp(draw.gauss(0, by)) for _ in range(400)]

    def rate(minute: float) -> float:
        day, part = divmod(minute / DAY, 1.0)
        here, there = days[int(day)], days[int(day) + 1]
        return (here + (there - here) * part) * (1 + 0.12 * math.sin(2 * math.pi * part))

    return rate


def daily_pours(
    tank_days: float, each: Callable[[int], float], at: float = 9 * 60, seed: int = 1
) -> list[tuple[float, float]]:
    """Returns (minute, mL) of a pour once a day, at about `at` minutes after the start of the
    day."""
    draw = random.Random(f"pours {seed}")
    return [
        (day * DAY + round(at + draw.uniform(-40, 40)), each(day)) for day in range(int(tank_days))
    ]
