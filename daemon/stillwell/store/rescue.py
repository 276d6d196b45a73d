"""The record of a rescue: what has been brought over from a store's file that was damaged, removed
or replaced, and what has not. Kept in the store that follows it. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from stillwell.form import Form

KEY = "rescue"
"""Under which the store keeps it: see `Store.describe`."""

SMALL = (
    "meta",
    "channel",
    "epoch",
    "transition",
    "alarm",
    "notice",
    "cursor",
    "dead_letter",
    "journal",
    "done",
)
"""Tables without which nothing may begin: brought over at once."""
NUMBERED = ("reading", "estimate")
"""Tables that grow large and whose rows sinks follow by number: brought over the newest first."""

_GAPS = 40
REMEMBERED = 8


class Cause(StrEnum):
    """What became of the file."""

    DAMAGED = "damaged"
    SHORTER = "cut short"
    REMOVED = "removed"
    REPLACED = "replaced"
    LOG_GONE = "log gone"
    """The write-ahead log beside it was removed; what was in it is in the file now."""


@dataclass(frozen=True, slots=True)
class Gap:
    """Readings that are lost."""

    from_ms: int
    """UTC of the last reading before them."""
    to_ms: int
    """UTC of the first after them."""
    count: int


@dataclass(frozen=True, slots=True)
class Rescue:
    cause: Cause
    at_ms: int
    """UTC when it was noticed."""
    source: str
    """The name of the old file, beside the store; empty when it has none any more and only the
    daemon that noticed has it open."""
    tops: Mapping[str, int] = field(default_factory=dict)
    """The highest number of each table that the old file can have given."""
    floors: Mapping[str, int] = field(default_factory=dict)
    """Rows up to this number were in the new file already."""
    short: tuple[str, ...] = ()
    """Small tables that are still to be searched for."""
    wounded: tuple[str, ...] = ()
    """Small tables that could not be read whole: some of their rows may be lost."""
    reached: Mapping[str, int] = field(default_factory=dict)
    """How far each table has come: down to this number, or up to this page."""
    done: tuple[str, ...] = ()
    """Tables that are through."""
    kept: Mapping[str, int] = field(default_factory=dict)
    """Rows brought over, of each table."""
    lost: int = 0
    """Readings that could not be read, by the numbers that are missing."""
    bad_pages: int = 0
    """Pages that could not be read, of all tables."""
    gaps: tuple[Gap, ...] = ()
    ended_ms: int | None = None
    """UTC when it had all been gone through; None while it goes on."""
    given_up: bool = False
    """The old file was gone before it had all been read."""

    @property
    def order(self) -> tuple[str, ...]:
        """The tables that are still to be brought over, in order."""
        tables = (*(t for t in SMALL if t in self.short and t != "alarm"), *NUMBERED, "tenmin")
        return tuple(table for table in tables if table not in self.done)

    def frontier(self, table: str) -> int:
        """All that there is of a numbered table from this number on is in the new file."""
        if table in self.done or self.ended_ms is not None:
            return 0
        return self.reached.get(table, self.tops.get(table, 0) + 1)

    def through(self, table: str, reached: int, kept: int, *, done: bool) -> Rescue:
        """The record with some more rows of a table."""
        return replace(
            self,
            reached={**self.reached, table: reached},
            kept={**self.kept, table: self.kept.get(table, 0) + kept},
            done=(*self.done, table) if done and table not in self.done else self.done,
        )

    def with_gap(self, gap: Gap) -> Rescue:
        """The record with readings that are lost; gaps beyond some dozens are joined."""
        gaps = (*self.gaps, gap)
        if len(gaps) > _GAPS:
            one, two = gaps[-2:]
            start, end = min(one.from_ms, two.from_ms), max(one.to_ms, two.to_ms)
            gaps = (*gaps[:-2], Gap(start, end, one.count + two.count))
        return replace(self, gaps=gaps, lost=self.lost + gap.count)


RESCUES = Form(tuple[Rescue, ...], 2)
"""The newest first; what is older than the first `REMEMBERED` is forgotten."""
