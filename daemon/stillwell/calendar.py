"""What is due: pure, in the tank's zone, each job once per local date.

Local times are read as RFC 5545 (iCalendar, section 3.3.5) reads them, which is also what PEP 495
calls fold 0: a time that the clock skips in spring is taken with the offset before the change
(02:30 then happens at what the clock calls 03:30), a time that comes twice in autumn means the
first. So every local date has each time of day exactly once.

A job is identified by its name and the local date that it belongs to. Whoever runs it keeps that
pair; then asking twice is harmless, and a missed job is caught up: only the newest, and only within
its grace.

After a clock that was wrong by days is corrected, a job may be due for an older date for which it
was never done. It is not held back: a clock that once stood in the far future must not silence
every job until then.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_DAY = timedelta(days=1)

Weekdays = frozenset[int]
"""Days of the week as `date.weekday` counts them: 0 is Monday, 6 is Sunday."""


@dataclass(frozen=True, slots=True)
class Job:
    """Something to be done once on each local date, or on each of some days of the week.

    Raises ValueError for no or unknown days of the week, a time with a zone, a grace below zero.
    """

    name: str
    at: time
    """Local time of day."""
    grace: timedelta
    """How long after its time it is still done."""
    every: Literal["day"] | Weekdays = "day"

    def __post_init__(self) -> None:
        if self.at.tzinfo is not None:
            raise ValueError(f"The time of {self.name!r} is local and has no zone of its own.")
        if self.grace < timedelta(0):
            raise ValueError(f"The grace of {self.name!r} must not be below zero.")
        if self.every != "day" and not (self.every and self.every <= frozenset(range(7))):
            raise ValueError(f"{self.name!r} needs days of the week from 0 (Monday) to 6 (Sunday).")

    def on(self, day: date) -> bool:
        """Returns whether the job belongs to that local date."""
        return self.every == "day" or day.weekday() in self.every


@dataclass(frozen=True, slots=True)
class Due:
    """A job that should be done now."""

    job: Job
    local_date: date
    """The date for which it is done, under which it is kept."""
    scheduled_utc_ms: int
    """When it should have begun."""


@dataclass(frozen=True, slots=True)
class Night:
    """One night of the tank, from its evening to its morning."""

    local_date: date
    """The date of its evening, on which it begins."""
    start_utc_ms: int
    end_utc_ms: int


def utc_ms(day: date, at: time, zone: ZoneInfo) -> int:
    """Returns the instant of a local date and time, in UTC milliseconds since 1970."""
    local = datetime.combine(day, at.replace(fold=0), zone)
    return (local - _EPOCH) // _MS


def local_date(at_utc_ms: int, zone: ZoneInfo) -> date:
    """Returns the local date of an instant."""
    return (_EPOCH + at_utc_ms * _MS).astimezone(zone).date()


def due(
    now_utc_ms: int, zone: ZoneInfo, jobs: Sequence[Job], done: Container[tuple[str, date]]
) -> list[Due]:
    """Returns what should be done now: at most once per job, for the newest date whose time has
    come.

    Args:
        now_utc_ms: what the wall clock says.
        zone: the tank's.
        jobs: with different names.
        done: pairs of job name and local date that have been done.
    """
    found = []
    for job in jobs:
        day, scheduled = _newest(now_utc_ms, zone, job)
        late = (now_utc_ms - scheduled) * _MS
        if late <= job.grace and (job.name, day) not in done:
            found.append(Due(job, day, scheduled))
    return found


def _newest(now_utc_ms: int, zone: ZoneInfo, job: Job) -> tuple[date, int]:
    """Returns the newest date of the job whose time has come, and that time."""
    day = local_date(now_utc_ms, zone) + _DAY
    while True:
        if job.on(day) and (scheduled := utc_ms(day, job.at, zone)) <= now_utc_ms:
            return day, scheduled
        day -= _DAY


def night_of(day: date, zone: ZoneInfo, from_: time, to: time) -> Night:
    """Returns the night that begins on a local date.

    Args:
        day: the date of its evening. (Where `from_` comes before `to`, as 00:30 and 07:00, the
            night begins and ends on this date.)
        zone: the tank's.
        from_: local time at which nights begin.
        to: local time at which they end; not the same.
    """
    if from_ == to:
        raise ValueError(f"A night can't begin and end at the same time of day, {from_:%H:%M}.")
    morning = day if from_ < to else day + _DAY
    return Night(day, utc_ms(day, from_, zone), utc_ms(morning, to, zone))


def last_nights(now_utc_ms: int, n: int, zone: ZoneInfo, from_: time, to: time) -> list[Night]:
    """Returns the last `n` nights that have ended, the oldest first."""
    nights: list[Night] = []
    day = local_date(now_utc_ms, zone)
    while len(nights) < n:
        night = night_of(day, zone, from_, to)
        if night.end_utc_ms <= now_utc_ms:
            nights.append(night)
        day -= _DAY
    return nights[::-1]
