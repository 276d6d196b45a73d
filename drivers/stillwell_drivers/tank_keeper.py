"""What the keeper of a simulated tank does at fixed hours, and how much of it gets written down.

Hours and shares are common practice of the trade: a pour of fresh water to the fill mark every day,
about 15 % of the water changed a week, the pump paused while feeding.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from typing import NamedTuple
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class Keeper:
    """The habits of one keeper; every hour is local, None means never.

    Probabilities are from 0 to 1. Raises ValueError for a probability or share outside that.
    """

    pours_at: time | None = time(8, 30)
    pour_sd_mm: float = 1.0
    """How exactly the fill mark is met, standard deviation."""
    pour_c: float | None = None
    """Temperature of the water poured; None: that of the room."""
    pours_missed: float = 0.0
    """Probability that a day's pour does not take place."""
    pours_noted: float = 1.0
    """Probability that a pour is written down."""
    note_sd: float = 0.03
    """Relative error of a volume written down, standard deviation."""
    pours_salt: bool = False
    """Whether the keeper pours salt water, knowingly: it is noted as a salt pour."""
    changes_on: int | None = 5
    """Weekday of the water change, Monday is 0."""
    changes_at: time = time(10, 0)
    change_share: float = 0.15
    change_takes_s: float = 1500.0
    changes_noted: float = 1.0
    feeds_at: time | None = time(19, 0)
    feeding_s: float = 600.0
    """How long the pump is paused for feeding."""
    salinity_every_d: int | None = None
    """Days from one salinity check to the next; every check is written down."""
    salinity_at: time = time(18, 0)
    salinity_sd: float = 0.3
    """Error of one check, g/kg, standard deviation: a refractometer's scale line is 1."""

    def __post_init__(self) -> None:
        for name in ("pours_missed", "pours_noted", "change_share", "changes_noted"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"keeper: {name} must be from 0 to 1, not {getattr(self, name)}.")
        if self.salinity_every_d is not None and self.salinity_every_d < 1:
            raise ValueError(
                f"keeper: salinity_every_d must be 1 or more, not {self.salinity_every_d}."
            )


class DeedKind(StrEnum):
    POUR = "pour"
    CHANGE_BEGINS = "change-begins"
    CHANGE_ENDS = "change-ends"
    PAUSE_BEGINS = "pause-begins"
    PAUSE_ENDS = "pause-ends"
    SALINITY = "salinity"


class Deed(NamedTuple):
    """One thing done at one instant; tuples of it sort in time."""

    utc_ms: int
    kind: DeedKind
    noted: bool = False
    miss_mm: float = 0.0
    """How far above the fill mark the level ends."""
    note_error: float = 0.0
    """Error of what is written down: of a volume, relative to it; of a salinity, in g/kg."""


class Note(NamedTuple):
    """One line that the keeper has written into the journal."""

    utc_ms: int
    kind: str
    """``pour``, ``salt-pour``, ``water-change`` or ``salinity``."""
    value: float
    unit: str


def _instant(day: date, at: time, zone: ZoneInfo) -> int:
    return round(datetime.combine(day, at, zone).timestamp() * 1000)


def deeds_of(keeper: Keeper, seed: int, day: date, zone: ZoneInfo) -> list[Deed]:
    """Returns what the keeper does on one local day, in time order: the same for the same
    arguments, whatever happened on other days."""
    rng = random.Random(f"{seed}/keeper/{day.isoformat()}")
    missed, pour_noted, change_noted = rng.random(), rng.random(), rng.random()
    miss_mm, error, change_miss_mm = rng.gauss(0, 1), rng.gauss(0, 1), rng.gauss(0, 1)
    salinity_error = rng.gauss(0, keeper.salinity_sd)
    deeds: list[Deed] = []
    if keeper.pours_at is not None and missed >= keeper.pours_missed:
        noted = pour_noted < keeper.pours_noted
        at = _instant(day, keeper.pours_at, zone)
        miss, note_error = miss_mm * keeper.pour_sd_mm, error * keeper.note_sd
        deeds.append(Deed(at, DeedKind.POUR, noted, miss, note_error))
    if keeper.changes_on == day.weekday() and keeper.change_share > 0:
        noted = change_noted < keeper.changes_noted
        at = _instant(day, keeper.changes_at, zone)
        end = at + round(keeper.change_takes_s * 1000)
        miss = change_miss_mm * keeper.pour_sd_mm
        deeds.append(Deed(at, DeedKind.CHANGE_BEGINS, noted))
        deeds.append(Deed(end, DeedKind.CHANGE_ENDS, noted, miss))
    if keeper.feeds_at is not None and keeper.feeding_s > 0:
        at = _instant(day, keeper.feeds_at, zone)
        deeds.append(Deed(at, DeedKind.PAUSE_BEGINS))
        deeds.append(Deed(at + round(keeper.feeding_s * 1000), DeedKind.PAUSE_ENDS))
    if keeper.salinity_every_d is not None and day.toordinal() % keeper.salinity_every_d == 0:
        at = _instant(day, keeper.salinity_at, zone)
        deeds.append(Deed(at, DeedKind.SALINITY, noted=True, note_error=salinity_error))
    deeds.sort()
    return deeds


def next_day(day: date) -> date:
    return day + timedelta(days=1)


def local_midnight(day: date, zone: ZoneInfo) -> int:
    """Returns the UTC milliseconds at which the local day begins."""
    return _instant(day, time(0), zone)
