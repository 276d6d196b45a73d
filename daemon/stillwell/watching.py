"""Whether anybody watches the tank: the one rule behind the first line of every screen. Pure.

A daemon watches as long as it holds the writer's lock of its store and its pipeline makes progress:
it puts a time stamp on the lock's file twice a minute, whatever its sensors and its disk do. So a
daemon whose sensors are all dead still watches (its alarms say so), and one that hangs does not. A
store into which no daemon ever wrote holds no tank, but a simulation or a replay, or nothing yet.

If nobody watches a tank that was watched before, or one that never was watched, commands that show
the tank end with the status 3: what the Linux Standard Base calls "program is not running" (LSB
Core 3.1, 20.2, Init Script Actions).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from stillwell.form import Form
from stillwell.notice import Priority
from stillwell.reading import Moment

EXIT_UNWATCHED = 3
HANGS_AFTER_MS = 150_000
"""A daemon that has shown no progress for this long hangs. It shows some twice a minute, and one
that is stuck for a minute ends itself, to be restarted."""
AHEAD_MS = 120_000
"""If a reading is this far ahead of the clock, one of the two clocks is wrong."""
KEY = "run"
"""The key under which the store keeps the newest `Run`: see `Store.describe`."""


@dataclass(frozen=True, slots=True)
class Recipient:
    """A sink as it was when the daemon began."""

    name: str
    lowest: Priority = Priority.LOW
    turn: int = 1
    """When notices reach it: see `alarm.escalation.is_for`."""


@dataclass(frozen=True, slots=True)
class Run:
    """The newest start of a daemon on a store, as the daemon kept it there."""

    began: Moment
    version: str
    fast: bool = False
    """Whether its clock ran faster than ours: a demonstration."""
    channels: tuple[str, ...] = ()
    recipients: tuple[Recipient, ...] = ()
    """All sinks, including those that take no notices."""


RUN = Form(Run, 2)


@dataclass(frozen=True, slots=True)
class Work:
    """What the newest run has done and lost since it began, for monitoring systems."""

    commits: int
    """Of the store."""
    dropped: int
    """Batches and events that the pipeline had no room for."""
    lost: int
    """Readings that were given up while the disk took none."""


WORK = Form(Work)
WORK_KEY = "work"
"""Under which the store keeps it."""


@dataclass(frozen=True, slots=True)
class Signs:
    """What can be seen of a daemon from outside; times in UTC ms."""

    held: bool
    """Whether somebody holds the writer's lock."""
    moved_ms: int | None
    """When the holder last showed progress, by this machine's clock; None: not known."""
    ran: bool
    """Whether a daemon has ever run on this store."""
    fast: bool
    """Whether the last run had a fast clock."""
    began_ms: int | None
    """When the last run began; None where that was not kept."""
    newest_ms: int | None
    """The time of the newest reading; None without any."""


class Watch(StrEnum):
    ON = "watched"
    HANGS = "hangs"
    """The daemon is there and makes no progress."""
    OFF = "not watched"
    NEVER = "never watched"
    """A store without readings on which no daemon has run."""
    NO_TANK = "no tank"
    """The readings come from a replay, a simulation or a demonstration."""


@dataclass(frozen=True, slots=True)
class Watching:
    """Whether the tank is watched."""

    watch: Watch
    since_ms: int | None = None
    """Since when, UTC ms; None where that is not known."""
    ahead_ms: int = 0
    """By how much the newest reading is ahead of the clock, in ms, if that is too much; else 0."""
    fast: bool = False

    @property
    def nobody(self) -> bool:
        """Whether somebody has to act so that the tank is watched."""
        return self.watch not in (Watch.ON, Watch.NO_TANK)

    @property
    def made_up(self) -> bool:
        """Whether the store's time is another than ours."""
        return self.fast or self.watch is Watch.NO_TANK


def watching(signs: Signs, now_ms: int) -> Watching:
    """Returns whether anybody watches, and since when."""
    newest = signs.newest_ms
    ahead = 0 if newest is None or newest - now_ms <= AHEAD_MS else newest - now_ms
    if newest is not None and (not signs.ran or (signs.fast and not signs.held)):
        return Watching(Watch.NO_TANK, newest)
    if signs.held:
        moved = signs.moved_ms
        if moved is None or abs(now_ms - moved) <= HANGS_AFTER_MS:
            return Watching(Watch.ON, signs.began_ms, 0 if signs.fast else ahead, signs.fast)
        return Watching(Watch.HANGS, moved, ahead, signs.fast)
    if not signs.ran:
        return Watching(Watch.NEVER)
    last = None if ahead else newest if newest is not None else signs.began_ms
    return Watching(Watch.OFF, last, ahead, signs.fast)
