"""What a watch watches: everything that it is given when it is made."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.alarm.annunciate.shelving import LONGEST_S
from stillwell.alarm.row import Part
from stillwell.alarm.rules.agreement import Agreement
from stillwell.alarm.rules.band import Band
from stillwell.alarm.rules.discrepancy import Discrepancy
from stillwell.alarm.rules.missing import ChannelWatch
from stillwell.units import System

__all__ = ["Agreement", "Band", "ChannelWatch", "Discrepancy", "WatchPlan"]


@dataclass(frozen=True, slots=True)
class WatchPlan:
    """Does not change for the life of a watch; for a changed configuration a new watch is made
    and restored."""

    channels: tuple[ChannelWatch, ...] = ()
    bands: tuple[Band, ...] = ()
    discrepancies: tuple[Discrepancy, ...] = ()
    agreements: tuple[Agreement, ...] = ()
    zone: str = "UTC"
    """IANA name of the time zone in which texts give local times."""
    units: System | str = System.METRIC
    sinks: tuple[str, ...] = ()
    """Names of the configured sinks. A standing `sink.<name>.away` of any other sink is closed."""
    parts: frozenset[Part] = frozenset()
    """The parts that this tank has, each watched by an observer of its own."""
    probes: tuple[str, ...] = ()
    """Channels of the probes in the water that the observer of heat judges."""
    room: str = ""
    """The channel of the room's temperature, which the observer of heat judges too."""
    floats: tuple[str, ...] = ()
    """Channels of the floats that the level's watch judges."""
    gauge: str = ""
    """The channel of the level gauge."""
    elsewhere: tuple[str, ...] = ()
    """Alarms that are kept although nothing in this plan raises them."""
    settle_s: float = 120.0
    """How long, in s, consequences have to clear after their cause has returned, before they
    ring; at least twice the gap of the channel that an alarm is about."""
    longest_shelf_s: float = LONGEST_S

    def __post_init__(self) -> None:
        known = {channel.name for channel in self.channels}
        for what, name, channels in (
            *(("judge", n, (n,)) for n in (*self.probes, *filter(None, (self.room,)))),
            *(("judge", n, (n,)) for n in self.floats),
            *(("band", b.name, b.channels) for b in self.bands),
            *(("state", d.name, (d.channel,)) for d in self.discrepancies),
            *(("agreement", a.name, a.channels) for a in self.agreements),
        ):
            missing = [channel for channel in channels if channel not in known]
            if missing or not channels:
                raise ValueError(
                    f"The {what} {name} watches {', '.join(missing) or 'no channel'}; "
                    f"channels are {', '.join(sorted(known)) or 'none'}."
                )
