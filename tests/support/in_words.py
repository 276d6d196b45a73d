"""What somebody reads in alarms and notices."""

from __future__ import annotations

from stillwell.finding import Finding
from stillwell.notice import Notice, Said, Told, Transition
from stillwell.reading import Moment
from stillwell.units import System
from stillwell.words import Reader

NOON = Moment(0, 1_795_000_000_000, 1)


def said(
    about: Transition | Finding, units: str = "metric", zone: str = "UTC", now: Moment | None = None
) -> Said:
    """Returns an alarm in words: a finding at `now`; without `now`, as it began."""
    reader = Reader(zone, System(units))
    if isinstance(about, Transition):
        return reader.alarm(about)
    return reader.finding(about, now or about.since or NOON)


def what(
    about: Transition | Finding, units: str = "metric", zone: str = "UTC", now: Moment | None = None
) -> str:
    """Returns the title and what was seen."""
    words = said(about, units, zone, now)
    return f"{words.title} {words.seen}".strip()


def told(notice: Notice, units: str = "metric", zone: str = "UTC") -> Told:
    """Returns a notice in words."""
    return Reader(zone, System(units)).notice(notice)
