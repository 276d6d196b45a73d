"""What is in memory and not on disk yet: a few rows in good times, many while the disk takes none.

The writer's thread owns it. Sink threads look at the windows under the lock that the tail and the
writer share; only the writer touches everything else here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from stillwell.entry import Entry
from stillwell.notice import Notice, Transition
from stillwell.ports import Published, Stream
from stillwell.reading import Reading
from stillwell.request import Reply

T = TypeVar("T")

READINGS_LIMIT = 100_000
"""Readings that are kept in memory at most: eight channels once a minute for nine days, about 30
MB."""
ALARMS_LIMIT = 10_000
REMEMBERED = 256
"""This many transitions and notices stay in memory after they are on disk: sinks get them from
there, even when the disk can't be read."""


class Window(Generic[T]):
    """The newest rows of one stream, with consecutive sequence numbers.

    `first` is the number of the oldest row in the window, or of the next row when the window is
    empty. Rows up to `kept` are on disk; `lost` counts rows that were dropped before they reached
    it.
    """

    __slots__ = ("_limit", "_remember", "first", "items", "kept", "lost")

    def __init__(self, limit: int, remember: int = 0) -> None:
        self.items: list[T] = []
        self.lost = 0
        self._limit = limit
        self._remember = remember
        self.start(0)

    def start(self, kept: int) -> None:
        """Starts with an empty window; rows up to `kept` are on disk."""
        self.first = kept + 1
        self.kept = kept

    @property
    def newest(self) -> int:
        return self.first + len(self.items) - 1

    @property
    def first_pending(self) -> int:
        """The number of the oldest row in the window that is not on disk."""
        return max(self.first, self.kept + 1)

    @property
    def pending(self) -> int:
        """How many rows wait for the disk."""
        return self.newest - self.first_pending + 1

    def add(self, item: T) -> int:
        self.items.append(item)
        return self.newest

    def between(self, first: int, last: int) -> list[T]:
        """The rows in the window with these numbers."""
        return self.items[max(0, first - self.first) : max(0, last - self.first + 1)]

    def settle(self, seq: int) -> None:
        """Notes that rows up to `seq` are on disk."""
        self.kept = max(self.kept, seq)
        self._forget(min(self.kept, self.newest - self._remember) - self.first + 1)

    def bound(self) -> int:
        """Drops the oldest waiting rows beyond the limit. Returns how many."""
        over = self.pending - self._limit
        if over <= 0:
            return 0
        self._forget(self.first_pending + over - self.first)
        self.lost += over
        return over

    def _forget(self, count: int) -> None:
        if count > 0:
            del self.items[:count]
            self.first += count


@dataclass(frozen=True, slots=True)
class EpochBegun:
    id: int
    boot_id: str
    offset_ms: int
    trusted: bool
    began_mono_ms: int


@dataclass(frozen=True, slots=True)
class Rebased:
    boot_id: str
    offset_ms: int


@dataclass(frozen=True, slots=True)
class DeadLetter:
    """A row that a sink will never take."""

    sink: str
    stream: Stream
    seq: int
    reason: str
    at_ms: int
    id: int = 0
    again: bool = False
    """Somebody has asked to send it once more, and the sink has not answered yet."""


@dataclass(slots=True)
class Backlog:
    readings: Window[Reading]
    transitions: Window[Transition]
    notices: Window[Notice]
    estimates: Window[Published]
    epochs: list[EpochBegun | Rebased] = field(default_factory=list)
    channels: dict[str, tuple[str, str]] = field(default_factory=dict)
    """Channel descriptions (quantity, label) that wait to be written."""
    meta: dict[str, str] = field(default_factory=dict)
    journal: list[Entry] = field(default_factory=list)
    done: list[tuple[str, str]] = field(default_factory=list)
    replies: list[tuple[int, Reply]] = field(default_factory=list)
    cursors: dict[tuple[str, str], int] = field(default_factory=dict)
    letters: list[DeadLetter] = field(default_factory=list)
    marks: list[tuple[str, tuple[Any, ...]]] = field(default_factory=list)
    """Small changes to dead letters, as SQL and its values, in order."""

    def start(self, kept: Mapping[Stream, int]) -> None:
        """Takes over, for each stream, the number up to which its rows are on disk."""
        for stream, number in kept.items():
            self.window(stream).start(number)

    def window(self, stream: Stream) -> Window[Any]:
        windows: dict[Stream, Window[Any]] = {
            Stream.READINGS: self.readings,
            Stream.TRANSITIONS: self.transitions,
            Stream.NOTICES: self.notices,
            Stream.ESTIMATES: self.estimates,
        }
        return windows[stream]

    def waiting(self) -> bool:
        """Whether anything is not on disk."""
        kept_at_once = (self.epochs, self.channels, self.meta, self.journal, self.done)
        of_others = (self.replies, self.cursors, self.letters, self.marks)
        rows = any(self.window(stream).pending for stream in Stream)
        return rows or any((*kept_at_once, *of_others))
