"""Time zones as people name them: which zone is meant, and which one has no summer time."""

from __future__ import annotations

import datetime as dt
import re
from zoneinfo import ZoneInfo, available_timezones

from stillwell.settings.setting_error import nearest

_CITIES = (
    "Europe/Dublin",
    "Europe/Berlin",
    "Europe/Athens",
    "America/Halifax",
    "America/New_York",
    "America/Chicago",
    "America/Denver",
    "America/Los_Angeles",
    "America/Anchorage",
    "Pacific/Honolulu",
    "Australia/Perth",
    "Asia/Tokyo",
    "Australia/Brisbane",
    "Pacific/Auckland",
)
_POSIX = re.compile(r"[A-Za-z]{3,6}([+-]?[0-9]{1,2})")
"""``EST5``: the hours to add to get UTC (POSIX.1-2017, section 8.3)."""


def _offset(zone: str, month: int) -> dt.timedelta | None:
    return dt.datetime(2026, month, 15, tzinfo=ZoneInfo(zone)).utcoffset()


def _city(offset: dt.timedelta | None) -> str:
    """Returns a city whose clocks are ahead of UTC by this much in northern winter; Dublin if none
    is known here."""
    return next((city for city in _CITIES if _offset(city, 1) == offset), _CITIES[0])


def meant(name: str) -> str:
    """Returns what to write in place of a name that is no zone, in a sentence."""
    posix = _POSIX.fullmatch(name)
    if posix:
        return f'Write continent and city: "{_city(dt.timedelta(hours=-int(posix[1])))}".'
    near = nearest(name, available_timezones())
    return f'Did you mean "{near}"?' if near else 'Write continent and city: "Europe/Dublin".'


def city_instead(zone: str) -> str:
    """Returns the city to write for a zone that is only a fixed distance from UTC, such as ``EST``
    or ``Etc/GMT+5``; empty for a zone that has summer time, or is a place."""
    place = not zone.isupper() and not zone.startswith("Etc/")
    return "" if place or _offset(zone, 1) != _offset(zone, 7) else _city(_offset(zone, 1))
