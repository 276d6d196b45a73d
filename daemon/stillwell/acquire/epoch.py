"""The clock's epochs: which offset turns monotonic time into UTC, and whether it is trusted.

A Pi has no battery clock. It boots with a time in the past, is stepped when the network comes, and
may be stepped again by hand. Nothing here depends on that: readings carry monotonic time and the
epoch that they belong to, and an epoch's offset can be corrected later for all of its readings at
once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

STEP_MS = 500
"""An offset that moves by more than this, in ms, has been stepped. NTP slews both clocks alike, so
an undisturbed offset stays the same; half a second is far above its jitter and far below what
matters here."""


class Change(Enum):
    NONE = "none"
    STEPPED = "stepped"
    """The wall clock jumped: a new epoch begins."""
    TRUSTED = "trusted"
    """The wall clock has been set from outside: a new epoch begins, and the boot's untrusted epochs
    are rebased to its offset."""


@dataclass(frozen=True, slots=True)
class Clockface:
    """The current offset: UTC = monotonic + `offset_ms`."""

    offset_ms: int
    trusted: bool

    def utc_ms(self, mono_ms: int) -> int:
        return mono_ms + self.offset_ms


def first(mono_ms: int, wall_ms: int, trusted: bool) -> Clockface:
    """The clock face at the start of a run."""
    return Clockface(offset_ms=wall_ms - mono_ms, trusted=trusted)


def look(face: Clockface, mono_ms: int, wall_ms: int, trusted: bool) -> tuple[Clockface, Change]:
    """Compares both clocks with the current face.

    Returns:
        the new face, and what changed. A clock that was trusted once in a boot stays trusted when a
        time server is away for a while: the offset is still the one that was set.
    """
    offset = wall_ms - mono_ms
    if trusted and not face.trusted:
        return Clockface(offset, True), Change.TRUSTED
    if abs(offset - face.offset_ms) > STEP_MS:
        return replace(face, offset_ms=offset), Change.STEPPED
    return face, Change.NONE
