"""The alarms that one tank has: the rows of the catalogue, for its channels, bands and sinks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from stillwell.alarm.annunciate.suppression import Relation
from stillwell.alarm.catalogue import ROWS
from stillwell.alarm.plan import WatchPlan
from stillwell.alarm.row import Part, Place, Row, When, place_of
from stillwell.alarm.rules.band import Band
from stillwell.alarm.rules.discrepancy import Discrepancy
from stillwell.reading import Quantity

_OF_RULES = frozenset(
    {
        *(Place.CHANNEL, Place.BAND, Place.STATE, Place.AGREEMENT),
        *(Place.SOURCE, Place.SINK),
    }
)
"""Where the watch's own rules raise alarms; the others come from observers."""

_OBSERVED = frozenset({Part.FLOW, Part.HEAT, Part.LEVEL, Part.GAUGE})
"""Parts with an observer of their name."""
_ALWAYS_WATCH = ("salt", "cycle")
"""Observers that every tank has, for what its keeper writes in the journal."""


@dataclass(frozen=True, slots=True)
class _Site:
    """One thing of a kind that a tank has several of: one channel, one band, one source."""

    name: str
    about: Mapping[Place, tuple[str, ...]]
    """What the alarms there are about, by kind of place."""
    holds: frozenset[When]


class Alarms:
    """What the catalogue says about the alarms that one plan can raise."""

    def __init__(self, plan: WatchPlan) -> None:
        sites = _sites(plan)
        of_rules, by_hand, latching = set(), set(), set()
        self.relations: list[Relation] = []
        """Pairs of (consequence, cause)."""
        self.doubts: dict[str, str] = {}
        """By alarm: the channel that must not be believed while the alarm stands."""
        self.patience_s: dict[str, float] = {}
        """By alarm, in s: how long it may take to follow its cause, where that is longer than
        usual."""
        self.states = frozenset(row.name for row in ROWS if row.is_state)
        """Rows that are no alarms, but say how the plant is run just now."""
        self.names = set(plan.elsewhere)
        """The names of all alarms that there are."""
        for row, site in _rows_at(sites):
            name = _named(row.name, site.name)
            if not row.is_state and (row.needs is None or row.needs in plan.parts):
                self.names.add(name)
            if row.place in _OF_RULES:
                of_rules.add(name)
            if row.by_hand in site.holds:
                by_hand.add(name)
            if row.latches in site.holds:
                latching.add(name)
            if row.doubts:
                self.doubts[name] = site.name
            if row.patience_s is not None:
                self.patience_s[name] = row.patience_s
            self.relations += ((name, cause) for cause in _causes_of(row, site))
        self.of_rules = frozenset(of_rules)
        """The alarms that the watch's own rules raise."""
        self.by_hand = frozenset(by_hand)
        """The alarms that a hand in the tank or at a plug causes."""
        self._latching = frozenset(latching)

    def defined(self, alarm: str) -> bool:
        """Returns whether there is such an alarm."""
        return alarm in self.names

    def latches(self, alarm: str) -> bool:
        """Returns whether `alarm` stays until somebody resets it."""
        return alarm in self._latching


def _rows_at(sites: Mapping[Place | None, list[_Site]]) -> Iterator[tuple[Row, _Site]]:
    for row in ROWS:
        yield from ((row, site) for site in sites[row.place] if row.only in site.holds)


def _causes_of(row: Row, site: _Site) -> Iterator[str]:
    for cause in row.follows:
        if cause.when not in site.holds:
            continue
        place = place_of(cause.name)
        if place is None:
            yield cause.name
        else:
            yield from (_named(cause.name, name) for name in site.about.get(place, ()))


def _named(pattern: str, name: str) -> str:
    place = place_of(pattern)
    return pattern if place is None else pattern.replace(f"{{{place}}}", name)


def _sites(plan: WatchPlan) -> dict[Place | None, list[_Site]]:
    """Returns what there is at each kind of place of the plan; the key None is the tank itself."""
    probes = (*plan.probes, *((plan.room,) if plan.room else ()))

    def site(name: str, channels: tuple[str, ...] = (), *holds: When, source: str = "") -> _Site:
        about = {
            Place.CHANNEL: channels,
            Place.PROBE: tuple(c for c in channels if c in probes),
            Place.FLOAT: tuple(c for c in channels if c in plan.floats),
            Place.SOURCE: (source,),
        }
        return _Site(name, about, frozenset({When.ALWAYS, *holds}))

    quantities = {channel.name: channel.quantity for channel in plan.channels}
    sources = sorted({channel.source for channel in plan.channels})
    return {
        None: [site("")],
        Place.CHANNEL: [site(c.name, (c.name,), source=c.source) for c in plan.channels],
        Place.PROBE: [
            site(name, (name,), *((When.IN_WATER,) if name != plan.room else ())) for name in probes
        ],
        Place.FLOAT: [site(name, (name,)) for name in plan.floats],
        Place.GAUGE: [site(plan.gauge)] if plan.gauge else [],
        Place.BAND: [site(b.name, b.channels, *_holds(b, quantities)) for b in plan.bands],
        Place.STATE: [site(d.name, (d.channel,), *_holds_of_state(d)) for d in plan.discrepancies],
        Place.AGREEMENT: [site(a.name, a.channels) for a in plan.agreements],
        Place.SOURCE: [site(name) for name in sources],
        Place.SINK: [site(name) for name in plan.sinks],
        Place.OBSERVER: [site(name) for name in (*sorted(plan.parts & _OBSERVED), *_ALWAYS_WATCH)],
    }


def _holds(band: Band, quantities: Mapping[str, Quantity]) -> Iterator[When]:
    if band.of_water:
        yield When.OF_WATER
        if Quantity.TEMPERATURE not in {quantities[name] for name in band.channels}:
            yield When.OF_WATER_NOT_WARM
    if len(band.channels) == 1:
        yield When.LONE
    if band.rate_per_h is not None:
        yield When.RATED
    if band.latching:
        yield When.LATCHING


def _holds_of_state(state: Discrepancy) -> Iterator[When]:
    if state.in_chamber:
        yield When.IN_CHAMBER
        if state.wrong_above:
            yield When.RISEN
