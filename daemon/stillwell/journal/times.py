"""Reads the times of deeds as people write them."""

from __future__ import annotations

import datetime as dt
import re

from stillwell.journal.refusal import JournalError
from stillwell.units import Dimension, UnitError, any_of, parse

_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_CLOCK = re.compile(
    r"(?:(?P<day>today|yesterday|(?:mon|tue|tues|wed|wednes|thu|thur|thurs|fri|sat|satur|sun)(?:day)?)"
    r",? +(?:at +)?)?"
    r"(?P<hour>[0-9]{1,2})(?:[:.](?P<minute>[0-5][0-9]))? ?(?P<half>[ap]\.?m\.?)?"
)
_AGO = re.compile(r"(.+) ago")
_AHEAD = dt.timedelta(minutes=5)
_DAY = dt.timedelta(days=1)
_LENGTH = Dimension.DURATION


def when(text: str, zone: dt.tzinfo, now_ms: int) -> int:
    """Returns UTC ms of a time of day such as ``18:30`` or ``6pm`` (the latest one up to now, in
    the tank's zone), with or without a day before it (``yesterday``, ``Sat``: the latest one up to
    now), of ``20 min ago``, or of an ISO 8601 time such as ``2026-01-31T18:30`` (without an offset:
    in the tank's zone).

    Raises JournalError for anything else.
    """
    typed = " ".join(text.split())
    now = dt.datetime.fromtimestamp(now_ms / 1000, zone)
    clock = _CLOCK.fullmatch(typed.casefold())
    if clock:
        day = clock["day"] or ""
        then = dt.datetime.combine(now.date(), _time_of_day(clock, typed), zone)
        if day == "yesterday":
            return _ms(then.replace(tzinfo=None) - _DAY, zone)
        if day and day != "today":
            back = (now.weekday() - _DAYS.index(day[:3])) % 7
            then = (then.replace(tzinfo=None) - back * _DAY).replace(tzinfo=zone)
        if day != "today" and then > now + _AHEAD:
            return _ms(then.replace(tzinfo=None) - (7 if day else 1) * _DAY, zone)
        return _ms(then, zone)
    ago = _AGO.fullmatch(typed)
    try:
        if ago:
            return _ms(now.astimezone(dt.UTC) - dt.timedelta(seconds=parse(ago[1], _LENGTH)), zone)
        return _ms(dt.datetime.fromisoformat(typed), zone)
    except UnitError as error:
        raise JournalError(error.what, error.do) from None
    except (ValueError, OverflowError):
        raise JournalError(
            f'"{typed[:40]}" is no time.',
            'Write it like "18:30", "6pm", "yesterday 18:30", "20 min ago" or "2026-01-31T18:30".',
        ) from None


def _ms(then: dt.datetime, zone: dt.tzinfo) -> int:
    return round((then if then.tzinfo else then.replace(tzinfo=zone)).timestamp() * 1000)


def _time_of_day(clock: re.Match[str], typed: str) -> dt.time:
    hour, minute, half = int(clock["hour"]), int(clock["minute"] or 0), clock["half"]
    if half and 1 <= hour <= 12:
        return dt.time(hour % 12 + (12 if half[0] == "p" else 0), minute)
    if half is None and clock["minute"] and hour <= 23:
        return dt.time(hour, minute)
    if half is None and not clock["minute"] and hour <= 23:
        halves = ("am", "pm") if 1 <= hour <= 12 else ()
        choices = any_of(f"{typed}{tail}" for tail in (":00", *halves))
        raise JournalError(f'"{typed}" has no minutes.', f"Write {choices}.")
    raise JournalError(f'"{typed}" is no time of day.', 'Write it like "18:30" or "6pm".')
