"""When the daily job is due and when nights begin and end: pure, in the tank's zone.

Local times are read as RFC 5545 (iCalendar, section 3.3.5) reads them, which is also what PEP 495
calls fold 0: a time that the clock skips in spring is taken with the offset before the change
(02:30 then happens at what the clock calls 03:30), a time that comes twice in autumn means the
first. So every local date has each time of day exactly once.

Whoever does a job keeps the local date that it belongs to; then asking twice is harmless, and a
missed job is caught up: only the newest, and only within its grace.

After a clock that was wrong by days is corrected, the job may be due for an older date on which it
was never done. It is not held back: a clock that once stood in the far future must not silence it
until then.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_DAY = timedelta(days=1)


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
    now_utc_ms: int, zone: ZoneInfo, at: time, grace: timedelta, done: Container[date]
) -> tuple[date, int] | None:
    """Returns the newest local date on which a daily job's time has come, and that instant in UTC
    ms; None where it is done already, or too late.

    Args:
        now_utc_ms: what the wall clock says.
        zone: the tank's.
        at: local time of day.
        grace: how long after its time it is still done.
        done: the dates on which it has been done.
    """
    day = local_date(now_utc_ms, zone) + _DAY
    while (scheduled := utc_ms(day, at, zone)) > now_utc_ms:
        day -= _DAY
    late = (now_utc_ms - scheduled) * _MS
    return (day, scheduled) if late <= grace and day not in done else None


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
