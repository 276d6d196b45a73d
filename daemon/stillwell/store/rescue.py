"""The record of a rescue: what has been brought over from a store's file that was damaged, removed
or replaced, and what has not. The new store keeps it. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from stillwell.form import Form

KEY = "rescue"
"""The key under which the store keeps the record of rescues: see `Store.describe`."""

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
"""Tables that must be there before the store can be used: brought over at once."""
NUMBERED = ("reading", "estimate")
"""Tables that grow large and whose rows sinks follow by number: brought over later, the newest rows
first."""

_GAPS = 40
REMEMBERED = 8


class Cause(StrEnum):
    """What happened to the file."""

    DAMAGED = "damaged"
    SHORTER = "cut short"
    REMOVED = "removed"
    REPLACED = "replaced"
    LOG_GONE = "log gone"
    """The write-ahead log beside it was removed; its content is in the file now."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A run of readings that is lost."""

    from_ms: int
    """UTC of the last reading before the lost ones."""
    to_ms: int
    """UTC of the first reading after the lost ones."""
    count: int


@dataclass(frozen=True, slots=True)
class Rescue:
    cause: Cause
    at_ms: int
    """UTC when it was noticed."""
    source: str
    """The name of the old file, beside the store; empty when it has no name any more and only the
    daemon that noticed has it open."""
    tops: Mapping[str, int] = field(default_factory=dict)
    """The highest number that the old file can have given in each table."""
    floors: Mapping[str, int] = field(default_factory=dict)
    """For each table, rows up to this number were in the new file already."""
    short: tuple[str, ...] = ()
    """Small tables that are still to be searched for."""
    wounded: tuple[str, ...] = ()
    """Small tables that could not be read completely: some of their rows may be lost."""
    reached: Mapping[str, int] = field(default_factory=dict)
    """How far each table has come: down to this row number, or up to this page."""
    done: tuple[str, ...] = ()
    """Tables that are finished."""
    kept: Mapping[str, int] = field(default_factory=dict)
    """The number of rows brought over for each table."""
    lost: int = 0
    """Number of readings that could not be read, by the numbers that are missing."""
    bad_pages: int = 0
    """Pages of all tables that could not be read."""
    gaps: tuple[Gap, ...] = ()
    ended_ms: int | None = None
    """UTC when the whole file had been read; None while it goes on."""
    given_up: bool = False
    """The old file disappeared before all of it had been read."""

    @property
    def order(self) -> tuple[str, ...]:
        """The tables that are still to be brought over, in order."""
        tables = (*(t for t in SMALL if t in self.short and t != "alarm"), *NUMBERED, "tenmin")
        return tuple(table for table in tables if table not in self.done)

    def frontier(self, table: str) -> int:
        """The new file has all rows of a numbered table that exist from this number on."""
        if table in self.done or self.ended_ms is not None:
            return 0
        return self.reached.get(table, self.tops.get(table, 0) + 1)

    def through(self, table: str, reached: int, kept: int, *, done: bool) -> Rescue:
        """The record after some more rows of a table were brought over."""
        return replace(
            self,
            reached={**self.reached, table: reached},
            kept={**self.kept, table: self.kept.get(table, 0) + kept},
            done=(*self.done, table) if done and table not in self.done else self.done,
        )

    def with_gap(self, gap: Gap) -> Rescue:
        """The record with a gap added; gaps beyond some dozens are joined."""
        gaps = (*self.gaps, gap)
        if len(gaps) > _GAPS:
            one, two = gaps[-2:]
            start, end = min(one.from_ms, two.from_ms), max(one.to_ms, two.to_ms)
            gaps = (*gaps[:-2], Gap(start, end, one.count + two.count))
        return replace(self, gaps=gaps, lost=self.lost + gap.count)


RESCUES = Form(tuple[Rescue, ...], 2)
"""Rescues, the newest first; those after the first `REMEMBERED` are dropped."""
