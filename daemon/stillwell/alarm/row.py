"""What a row of the catalogue of alarms says. Pure values; their meaning for one tank is worked out
in `stillwell.alarm.occurring`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from stillwell.notice import Priority


class Place(StrEnum):
    """Of what a tank has several, and one alarm each. In a row's name it stands in braces."""

    CHANNEL = "channel"
    PROBE = "probe"
    """A probe that the heater's watch judges, the room's too."""
    FLOAT = "float"
    """A float in the chamber that the level's watch judges."""
    GAUGE = "gauge"
    BAND = "band"
    STATE = "state"
    AGREEMENT = "agreement"
    SOURCE = "source"
    SINK = "sink"
    OBSERVER = "observer"
    """What watches along from the readings and the journal."""


class Part(StrEnum):
    """What a tank may be without, and with it the alarms about it. Named as its observer."""

    HEATER = "heater"
    LAMP = "lamp"
    LEVEL = "level"
    GAUGE = "gauge"


class When(StrEnum):
    """Where something that a row says holds."""

    ALWAYS = "always"
    NEVER = "never"
    OF_WATER = "of water"
    """A band that is about the water, and not about the room."""
    OF_WATER_NOT_WARM = "of water, not warm"
    """Such a band, unless it is about temperature: nobody works so fast that water which is too
    warm could wait."""
    LONE = "lone"
    """A band with one channel only."""
    RATED = "rated"
    """A band for which the settings say how fast its value may change."""
    LATCHING = "latching"
    """A band of which the settings say so."""
    IN_CHAMBER = "in the chamber"
    """The state of a float in the chamber. One elsewhere may be water on the floor."""
    RISEN = "risen"
    """Such a state that is wrong when the water is above."""
    IN_WATER = "in the water"
    """A probe that is not the room's."""


@dataclass(frozen=True, slots=True)
class Cause:
    """What an alarm follows from."""

    name: str
    """A row's name. One with a place means those that the consequence is about: the source of its
    channel, the channels of its band."""
    when: When = When.ALWAYS


@dataclass(frozen=True, slots=True)
class Row:
    """One alarm, or one family of them."""

    name: str
    """As ``level.leak``, or with its place as ``{band}.low``."""
    priority: Priority | None
    """The usual one; None: the settings say."""
    means: str
    """One line for the keeper."""
    follows: tuple[Cause, ...] = ()
    also: tuple[Priority, ...] = ()
    """Other priorities that it can have, by how bad it is."""
    needs: Part | None = None
    """Without it there is no such alarm."""
    only: When = When.ALWAYS
    by_hand: When = When.NEVER
    """Where a hand in the tank or at a plug causes it: it keeps still during work at the tank. What
    kills is not among it."""
    latches: When = When.NEVER
    doubts: bool = False
    """While it stands the channel that it is named after is not believed: its readings move no band
    and no state."""
    patience_s: float | None = None
    """How long it may take to follow a cause that is over; None: as long as any."""
    is_state: bool = False
    """No alarm, but how the plant is run just now: nobody is told, and what would be raised because
    of it keeps still (state-based suppression in ISA-18.2, from memory)."""

    @property
    def place(self) -> Place | None:
        return place_of(self.name)


def place_of(name: str) -> Place | None:
    """Returns of what there is one alarm each by this name of a row; None where it is one."""
    found = re.search(r"\{(\w+)\}", name)
    return Place(found[1]) if found else None
