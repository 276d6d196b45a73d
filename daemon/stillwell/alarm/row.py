"""What a row of the catalogue of alarms says. Pure values; `stillwell.alarm.occurring` works out
what they mean for one tank."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from stillwell.notice import Priority


class Place(StrEnum):
    """A kind of thing that a tank has several of, with one alarm each. A row's name has it in
    braces."""

    CHANNEL = "channel"
    PROBE = "probe"
    """A probe that the observer of heat judges, including the room's."""
    FLOAT = "float"
    """A float in the chamber that the level's watch judges."""
    GAUGE = "gauge"
    BAND = "band"
    STATE = "state"
    AGREEMENT = "agreement"
    SOURCE = "source"
    SINK = "sink"
    OBSERVER = "observer"
    """A part of the daemon that draws conclusions from the readings and the journal."""


class Part(StrEnum):
    """What a tank may lack, and with it the alarms about it."""

    HEAT = "heat"
    """Probes in the water; an observer has this name, as have `FLOW`, `LEVEL` and `GAUGE`."""
    HEATER = "heater"
    CHILLER = "chiller"
    LAMP = "lamp"
    FLOW = "flow"
    """What sees the chamber, and so whether the pump runs."""
    LEVEL = "level"
    GAUGE = "gauge"
    TOP_UP = "top-up"
    """An automatic top-up."""


_NEEDS = {
    "heater": Part.HEATER,
    "room": Part.HEATER,
    "mains": Part.HEATER,
    "chiller": Part.CHILLER,
    "lamp": Part.LAMP,
    "pump": Part.FLOW,
    "level": Part.LEVEL,
    "{gauge}": Part.GAUGE,
    "top-up": Part.TOP_UP,
    "reservoir": Part.TOP_UP,
}


class When(StrEnum):
    """The circumstances under which something in a row holds."""

    ALWAYS = "always"
    NEVER = "never"
    OF_WATER = "of water"
    """A band that is about the water and not about the room."""
    OF_WATER_NOT_WARM = "of water, not warm"
    """A band of the water that is not about temperature: nobody works so fast at a tank that
    water which is too warm could wait."""
    LONE = "lone"
    """A band with only one channel."""
    RATED = "rated"
    """A band for which the settings say how fast its value may change."""
    LATCHING = "latching"
    """A band that latches by the settings."""
    IN_CHAMBER = "in the chamber"
    """A float in the chamber. A float elsewhere may report water on the floor."""
    RISEN = "risen"
    """A float in the chamber whose wrong state is water above it."""
    IN_WATER = "in the water"
    """A probe in the water, not the room's."""


@dataclass(frozen=True, slots=True)
class Cause:
    """What an alarm follows from: another row."""

    name: str
    """The name of a row. A name with a place means the alarms of what the consequence is about:
    the source of its channel, the channels of its band."""
    when: When = When.ALWAYS


@dataclass(frozen=True, slots=True)
class Row:
    """One alarm, or one family of them."""

    name: str
    """For example ``level.leak``, or with its place ``{band}.low``."""
    priority: Priority | None
    """The usual priority; None: the settings decide."""
    means: str
    """One line for the keeper."""
    follows: tuple[Cause, ...] = ()
    also: tuple[Priority, ...] = ()
    """Other priorities that it can have, depending on how bad it is."""
    only: When = When.ALWAYS
    by_hand: When = When.NEVER
    """When a hand in the tank or at a plug causes it, so that it is kept quiet during work at
    the tank. Alarms about what kills animals are never included."""
    latches: When = When.NEVER
    doubts: bool = False
    """While it stands, the channel that it is named after is not believed: its readings change
    no band and no state."""
    patience_s: float | None = None
    """How long, in s, it may take to follow a cause that is over; None: the usual time."""
    is_state: bool = False
    """Not an alarm, but a state in which the plant is run: nobody is told of it, and what would
    be raised because of it is kept quiet (state-based suppression in ISA-18.2, from memory)."""

    @property
    def needs(self) -> Part | None:
        """The part without which this alarm does not exist; its name begins with it."""
        return _NEEDS.get(self.name.partition(".")[0])

    @property
    def place(self) -> Place | None:
        return place_of(self.name)


def place_of(name: str) -> Place | None:
    """Returns the kind of thing that has one alarm each by this row's name; None where there is
    only one alarm."""
    found = re.search(r"\{(\w+)\}", name)
    return Place(found[1]) if found else None
