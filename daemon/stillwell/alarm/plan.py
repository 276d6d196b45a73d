"""What a watch watches: everything it is told when it is made."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from stillwell.alarm.annunciate.maintenance import MAINTENANCE
from stillwell.alarm.annunciate.shelving import LONGEST_S
from stillwell.alarm.annunciate.suppression import Relation
from stillwell.alarm.rules.agreement import Agreement
from stillwell.alarm.rules.band import Band
from stillwell.alarm.rules.discrepancy import Discrepancy
from stillwell.alarm.rules.missing import ChannelWatch
from stillwell.reading import Quantity
from stillwell.units import System

__all__ = ["Agreement", "Band", "ChannelWatch", "Discrepancy", "WatchPlan"]


@dataclass(frozen=True, slots=True)
class WatchPlan:
    """Frozen for the life of a watch; a changed configuration is a new watch that restores."""

    channels: tuple[ChannelWatch, ...] = ()
    bands: tuple[Band, ...] = ()
    discrepancies: tuple[Discrepancy, ...] = ()
    agreements: tuple[Agreement, ...] = ()
    zone: str = "UTC"
    """IANA name: the local time of texts."""
    units: System | str = System.METRIC
    sinks: tuple[str, ...] = ()
    """Names of the configured sinks: a standing `sink.<name>.away` of another one is closed."""
    elsewhere: tuple[str, ...] = (
        "store.",
        "clock.",
        "settings.",
        "daemon.",
        "heater.",
        "level.",
        "salt.",
        "cycle.",
        "drill",
        MAINTENANCE,
    )
    """Alarms that others raise through `find`: names, or beginnings that end in a dot."""
    consequences: tuple[Relation, ...] = ()
    """(consequence, cause), beside those that follow from the plan itself."""
    by_hand: tuple[str, ...] = ()
    """Those of others that a hand in the tank causes, or at a plug: quiet during work at the
    tank. What kills, and what no hand does, is not among them."""
    states: tuple[str, ...] = ()
    """What others find that is no alarm, but how the plant is run just now, as a pump that rests
    while animals are fed: nobody is told, and what would be raised because of it keeps still
    (state-based suppression in ISA-18.2, from memory)."""
    doubts: tuple[tuple[str, str], ...] = ()
    """(alarm, channel): while the alarm stands the channel is not believed. Its readings move no
    band and no state, and a band without another channel is unseen."""
    patience: tuple[tuple[str, float], ...] = ()
    """(alarm, seconds): those of others that take longer than `settle_s` to follow their cause."""
    settle_s: float = 120.0
    """After a cause has returned, its consequences have so long to follow before they speak; those
    of a channel at least twice its gap."""
    longest_shelf_s: float = LONGEST_S

    def __post_init__(self) -> None:
        known = {channel.name for channel in self.channels}
        for alarm, name in self.doubts:
            if name not in known:
                raise ValueError(f"{alarm} is about {name}, which is no channel of this watch.")
        for what, name, channels in (
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

    def rules(self) -> Iterator[str]:
        """The names of the alarms that the plan itself defines."""
        for channel in self.channels:
            yield from (f"{channel.name}.{kind}" for kind in ("silent", "fault", "stuck"))
        for band in self.bands:
            yield from (f"{band.name}.{kind}" for kind in ("low", "high", "unseen"))
            if band.rate_per_h is not None:
                yield f"{band.name}.rate"
        yield from (discrepancy.name for discrepancy in self.discrepancies)
        yield from (f"{agreement.name}.apart" for agreement in self.agreements)
        yield from sorted({f"source.{channel.source}.down" for channel in self.channels})
        yield from (f"sink.{sink}.away" for sink in self.sinks)

    def hand_causes(self) -> Iterator[str]:
        """The names of all alarms that a hand in the tank causes: a sensor that is moved or
        unplugged, water that is taken out, poured in or stirred. Water that is too warm is not
        among them: nobody works so fast that it could wait. Nor is a state that no float in the
        chamber shows: it may be water on the floor."""
        for channel in self.channels:
            yield from (f"{channel.name}.{kind}" for kind in ("silent", "fault", "stuck"))
            yield f"source.{channel.source}.down"
        quantities = {channel.name: channel.quantity for channel in self.channels}
        for band in self.bands:
            of = {quantities[name] for name in band.channels}
            if band.of_water and Quantity.HUMIDITY not in of:
                yield from (f"{band.name}.{kind}" for kind in ("low", "rate", "unseen"))
                if Quantity.TEMPERATURE not in of:
                    yield f"{band.name}.high"
        yield from (state.name for state in self.discrepancies if state.in_chamber)
        yield from (f"{agreement.name}.apart" for agreement in self.agreements)
        yield from self.by_hand

    def defines(self, alarm: str) -> bool:
        """Whether there is such an alarm under this plan."""
        if alarm in set(self.rules()):
            return True
        return any(
            alarm.startswith(name) if name.endswith(".") else alarm == name
            for name in self.elsewhere
        )

    def relations(self) -> Iterator[Relation]:
        """(consequence, cause) for all that follows from the plan."""
        for channel in self.channels:
            name, down = channel.name, f"source.{channel.source}.down"
            yield from ((f"{name}.{kind}", down) for kind in ("silent", "fault", "stuck"))
            yield (f"{name}.stuck", f"{name}.silent")
            yield (f"{name}.stuck", f"{name}.fault")
        for agreement in self.agreements:
            for name in agreement.channels:
                for kind in ("silent", "fault", "stuck"):
                    yield (f"{agreement.name}.apart", f"{name}.{kind}")
        yield from self.consequences

    def latches(self, alarm: str) -> bool:
        """Whether `alarm` is latching: those of a band's value, by the band's choice."""
        return any(
            band.latching and alarm in (f"{band.name}.{k}" for k in ("low", "high", "rate"))
            for band in self.bands
        )
