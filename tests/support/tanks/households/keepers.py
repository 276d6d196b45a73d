"""What people do at a tank, and what of it they write down."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from random import Random

from tanks.rooms import away

_DAY = 1_440


class Does(StrEnum):
    """A deed."""

    TOP_UP = "fills up to the mark"
    JUG = "pours a jug"
    CHANGE = "changes water"
    HAND = "holds hands or a tool in the tank"
    NET = "hangs something into the chamber for a while"
    ROCK = "puts rock in or takes it out"
    PAUSE = "stops the pump for feeding"
    CLEAN = "cleans pump and gauge"
    REFILL = "fills the reservoir"
    LID = "closes or opens the lid"


@dataclass(frozen=True, slots=True)
class Deed:
    """Something that is done at a minute of the run."""

    minute: int
    does: Does
    size: float = 0.0
    """mL; for a top-up the mm by which the mark is missed; for a lid 1 or 0."""
    lasts_min: int = 0
    noted: bool = False
    late_min: int = 0
    """How long afterwards it is written down."""
    misdates_min: int = 0
    """By how much its stated time is off."""
    rounds_to_ml: float = 50.0
    """The step in which its volume is stated."""
    misread: float = 1.0
    """True against stated volume."""
    to_mark: bool = False
    """Whether the note says that it was filled to the mark."""
    without_volume: bool = False


@dataclass(slots=True)
class Manners:
    """How a household does things."""

    pours_hour: float
    jug_ml: float
    """0: it fills up to the mark by eye."""
    aims_mm: float
    """How well the mark is met, standard deviation."""
    forgets: float
    """The chance that a day's pour is left out."""
    notes: float
    """The share of pours that is written down."""
    late: float
    """The share of notes that is written hours later."""
    rounds_to_ml: float
    jug_error: float
    says_mark: float
    every_days: int
    """It pours every so many days."""
    pauses: int
    """Feeding pauses of the pump in a day."""
    change_days: int
    change_ml: float
    change_misses_ml: float
    """What comes back differs from what was taken out by so much, standard deviation."""
    hands_week: float
    nets_week: float
    rocks_month: float
    clean_days: int
    lid: str
    """"", "at night", "mostly"."""
    refill_days: int
    neighbour: bool
    """Whether somebody pours while they are away."""


def drawn_manners(rng: Random, volume_l: float, chamber_mm2: float, dosed: bool) -> Manners:
    """Returns the manners of a household."""
    return Manners(
        pours_hour=rng.uniform(7.0, 21.0),
        jug_ml=rng.choice((0.0, 0.0, 500.0, 250.0)) if chamber_mm2 > 12_000 else 0.0,
        aims_mm=rng.uniform(0.7, 3.0),
        forgets=rng.choice((0.0, 0.05, 0.15, 0.3)),
        notes=rng.choice((1.0, 0.95, 0.8, 0.5, 0.0)),
        late=rng.choice((0.0, 0.1, 0.4)),
        rounds_to_ml=rng.choice((10.0, 50.0, 50.0, 100.0, 250.0)),
        jug_error=rng.uniform(0.01, 0.06),
        says_mark=rng.choice((0.0, 0.0, 0.5, 1.0)),
        every_days=rng.choice((1, 1, 1, 2)),
        pauses=0 if rng.random() < 0.3 else rng.choice((1, 1, 2)),
        change_days=rng.choice((0, 7, 7, 7, 14)),
        change_ml=1_000.0 * volume_l * rng.uniform(0.06, 0.18),
        change_misses_ml=chamber_mm2 * rng.uniform(2.0, 8.0) / 1_000.0,
        hands_week=rng.choice((0.5, 2.0, 5.0)),
        nets_week=rng.choice((0.0, 0.2, 1.0)),
        rocks_month=rng.choice((0.0, 0.3, 1.0)),
        clean_days=rng.choice((14, 30, 60)),
        lid=rng.choice(("", "", "", "at night", "mostly")),
        refill_days=rng.choice((3, 5, 7)) if dosed else 0,
        neighbour=rng.random() < 0.7,
    )


@dataclass(slots=True)
class _Diary:
    rng: Random
    ways: Manners
    minutes: int
    absent: tuple[int, int] | None
    done: list[Deed] = field(default_factory=list)

    def add(self, deed: Deed) -> None:
        if 0 <= deed.minute < self.minutes:
            self.done.append(deed)

    def pour(self, day: int, dosed: bool) -> None:
        rng, ways = self.rng, self.ways
        at = day * _DAY + int(rng.gauss(ways.pours_hour, 0.8) * 60)
        forgets, missed_mm = rng.random() < ways.forgets, rng.gauss(0.0, ways.aims_mm)
        noted, late = rng.random() < ways.notes, rng.random() < ways.late
        how_late = int(rng.uniform(30, 900)) if late else int(rng.uniform(0, 5))
        off, error = int(rng.gauss(0, 20)) if late else 0, rng.gauss(1.0, ways.jug_error)
        mark, without = rng.random() < ways.says_mark, rng.random() < 0.1
        gone = away(self.absent, at)
        if dosed or day % ways.every_days or (forgets and not gone):
            return
        if gone and not (ways.neighbour and day % 3 == 0):
            return
        self.add(
            Deed(
                at,
                Does.JUG if ways.jug_ml and not gone else Does.TOP_UP,
                ways.jug_ml if ways.jug_ml and not gone else missed_mm,
                noted=noted and not gone,
                late_min=how_late,
                misdates_min=off,
                rounds_to_ml=ways.rounds_to_ml,
                misread=error,
                to_mark=mark and not ways.jug_ml,
                without_volume=mark and without and not ways.jug_ml,
            )
        )

    def rest(self, day: int, pumps_ml: float) -> None:
        """Adds what else a day brings."""
        rng, ways, midnight = self.rng, self.ways, day * _DAY
        times = [midnight + int(rng.uniform(8, 22) * 60) for _ in range(4)]
        hand, net, rock = rng.random(), rng.random(), rng.random()
        feeds = [midnight + int(rng.gauss(hour, 0.5) * 60) for hour in (18.5, 11.5)]
        pause = [int(rng.uniform(5, 21)) for _ in range(2)]
        sizes = (rng.uniform(0.2, 1.0), rng.uniform(0.1, 0.5), rng.uniform(-1.0, 1.0))
        lasts = (int(rng.uniform(1, 16)), int(rng.uniform(5, 180)))
        missed, off = rng.gauss(0.0, ways.change_misses_ml), int(rng.uniform(10, 45))
        change_noted = rng.random() < max(0.5, ways.notes)
        lids = midnight + int(rng.gauss(22.5, 0.4) * 60), midnight + int(rng.gauss(31.0, 0.4) * 60)
        if away(self.absent, midnight + 720):
            return
        self._lid(day, lids)
        for index in range(ways.pauses):
            self.add(Deed(feeds[index], Does.PAUSE, lasts_min=pause[index]))
        if hand < ways.hands_week / 7.0:
            self.add(Deed(times[0], Does.HAND, sizes[0] * pumps_ml, lasts[0]))
        if net < ways.nets_week / 7.0:
            self.add(Deed(times[1], Does.NET, sizes[1] * pumps_ml, lasts[1]))
        if rock < ways.rocks_month / 30.0:
            self.add(Deed(times[2], Does.ROCK, sizes[2] * 1.5 * pumps_ml))
        if ways.change_days and day % ways.change_days == ways.change_days - 1:
            self.add(Deed(times[3], Does.CHANGE, ways.change_ml, off, change_noted, misread=missed))
        if day % ways.clean_days == ways.clean_days - 1:
            self.add(Deed(times[2] + 7, Does.CLEAN, lasts_min=off))
        if ways.refill_days and day % ways.refill_days == ways.refill_days - 1:
            self.add(Deed(times[1] + 11, Does.REFILL, noted=change_noted))

    def _lid(self, day: int, lids: tuple[int, int]) -> None:
        if self.ways.lid == "at night":
            self.add(Deed(lids[0], Does.LID, 1.0))
            self.add(Deed(lids[1], Does.LID, 0.0))
        elif self.ways.lid == "mostly" and day % 5 == 1:
            self.add(Deed(lids[0] - 300, Does.LID, 0.0))
            self.add(Deed(lids[1], Does.LID, 1.0))


def diary(
    rng: Random,
    ways: Manners,
    minutes: int,
    absent: tuple[int, int] | None,
    arm_ml: float,
    dosed: bool,
) -> list[Deed]:
    """Returns what is done, in order.

    Args:
        absent: minutes between which they are on holiday; they fill up before they go.
        arm_ml: what a hand and arm displace at most.
        dosed: whether a machine tops up.
    """
    kept = _Diary(rng, ways, minutes, absent)
    if ways.lid == "mostly":
        kept.add(Deed(0, Does.LID, 1.0))
    for day in range(minutes // _DAY + 1):
        kept.pour(day, dosed)
        kept.rest(day, arm_ml)
    if absent is not None:
        kept.add(Deed(absent[0] - 30, Does.REFILL if dosed else Does.TOP_UP, noted=True))
    return sorted(kept.done, key=lambda deed: deed.minute)
