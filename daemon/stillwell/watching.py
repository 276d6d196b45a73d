"""Whether anybody watches the tank: the one rule behind the line with which every screen begins.
Pure.

A daemon watches as long as it holds the writer's lock of its store and its pipeline moves: it puts
a time stamp on the lock's file twice a minute, whatever its sensors and its disk do. So a daemon
whose sensors are all dead still watches (its alarms say so), one that hangs does not. A store into
which no daemon ever wrote holds no tank, but a simulation or a replay, or nothing yet.

Where nobody watches a tank that has been watched, or that never was, commands that show the tank
end with the status 3: what the Linux Standard Base calls "program is not running" (LSB Core
3.1, 20.2, Init Script Actions).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from stillwell.form import Form
from stillwell.notice import Priority
from stillwell.reading import Moment

EXIT_UNWATCHED = 3
HANGS_AFTER_MS = 150_000
"""The daemon shows twice a minute that it moves; one that is stuck for a minute ends itself, to be
started afresh."""
AHEAD_MS = 120_000
"""A reading so far ahead of the clock comes from a clock that is wrong, or this one is."""
KEY = "run"
"""Under which the store keeps the newest `Run`: see `Store.describe`."""


@dataclass(frozen=True, slots=True)
class Recipient:
    """A sink as the daemon began with it."""

    name: str
    lowest: Priority = Priority.LOW
    turn: int = 1
    """Which notices are for it: see `alarm.escalation.is_for`."""


@dataclass(frozen=True, slots=True)
class Run:
    """The newest start of a daemon on a store, as it left it there."""

    began: Moment
    version: str
    fast: bool = False
    """Its clock ran faster than ours: a demonstration."""
    channels: tuple[str, ...] = ()
    recipients: tuple[Recipient, ...] = ()
    """All sinks, those among them that take no notices as well."""


RUN = Form(Run, 2)


@dataclass(frozen=True, slots=True)
class Signs:
    """What can be seen of a daemon from outside; times in UTC ms."""

    held: bool
    """Somebody holds the writer's lock."""
    moved_ms: int | None
    """When the holder last showed that it moves, by this machine's clock; None: not known."""
    ran: bool
    """A daemon has once run on this store."""
    fast: bool
    """The last that did ran on a fast clock."""
    began_ms: int | None
    """When the last that did began; None where that was not kept."""
    newest_ms: int | None
    """Of the newest reading; None without any."""


class Watch(StrEnum):
    ON = "watched"
    HANGS = "hangs"
    """The daemon is there and does not move."""
    OFF = "not watched"
    NEVER = "never watched"
    """A store without readings on which no daemon has run."""
    NO_TANK = "no tank"
    """Readings of a replay, a simulation or a demonstration."""


@dataclass(frozen=True, slots=True)
class Watching:
    """What it comes to."""

    watch: Watch
    since_ms: int | None = None
    """UTC; None where that is not known."""
    ahead_ms: int = 0
    """By how much the newest reading is ahead of the clock, where that is too much."""
    fast: bool = False

    @property
    def nobody(self) -> bool:
        """Whether somebody has to do something so that the tank is watched."""
        return self.watch not in (Watch.ON, Watch.NO_TANK)

    @property
    def made_up(self) -> bool:
        """Whether the store's time is another than ours."""
        return self.fast or self.watch is Watch.NO_TANK


def watching(signs: Signs, now_ms: int) -> Watching:
    """Whether anybody watches, and since when."""
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
