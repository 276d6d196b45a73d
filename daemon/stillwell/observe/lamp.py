"""The lamp's watch: an observer that notices when the lamp's heat is missing from the water, or is
there when it should not be.

It needs a probe in the water with a heater that cycles, a probe in the room (otherwise a warm
afternoon looks the same as a lamp) and the lamp's hours. Where the lamp's heat does not stand
out from the room's and the heater's, it finds nothing. Figures that name no source, here, in
`lamp_heat` and in `lamp_hours`, are our own choice, checked on simulated tanks.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import time
from zoneinfo import ZoneInfo

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.rules.missing import Worth, worth
from stillwell.entry import Entry
from stillwell.estimate.imprint import form, imprint, take_up
from stillwell.estimate.noise import Noise
from stillwell.estimate.thermal.lamp_heat import LampHeat, Piece
from stillwell.estimate.thermal.lamp_hours import SURE, WELL, LampHours, Window, against
from stillwell.estimate.thermal.lamp_pieces import LampPieces, Stretch
from stillwell.estimate.timeline import Timeline
from stillwell.finding import Finding, Over
from stillwell.form import Form
from stillwell.notice import Facts
from stillwell.observe.facts import LampAsNow, LampOdd
from stillwell.observe.known import Known
from stillwell.ports import Published
from stillwell.reading import Moment, Reading

LAMP_NOT_ON, LAMP_NOT_OFF = "lamp.not-on", "lamp.not-off"
SILENT_MS = 900_000
"""The water is followed by the first probe whose last reading is no older than this."""
ROOM_EVERY_S = 600.0
"""The longest time in a piece of the trace without a reading of the room."""
KEPT_MS = 36 * 3_600_000
OPEN = 2.0
"""Pieces whose evidence for a fault (log likelihood ratio) reaches this are not learned from:
what may be a fault must not become the usual meanwhile."""
TOLD_MS = 3 * 86_400_000
"""How long a fault is reported. A weaker lamp would look like a dark one for ever; after this
time it is the usual."""
_MINUTE_MS = 60_000
_MOST_MINUTES = 2000


@dataclass(frozen=True, slots=True)
class LampPlan:
    """The tank's data for the lamp's watch."""

    probes: tuple[str, ...]
    """Channels in the water, the best placed first."""
    room: str
    on: time
    off: time
    zone: str = "UTC"


@dataclass(frozen=True, slots=True)
class _Kept:
    heat: LampHeat
    line: Timeline
    noise: dict[str, Noise]
    pieces: list[Piece]
    since: dict[str, int]
    heard_ms: dict[str, int]
    lead: str
    minute: tuple[int, float, int]
    """The minute that is under way, the sum of its values and how many there are."""
    room: list[tuple[int, float]]
    made_with: str
    """The form of the code that wrote `cut`: see `imprint.form`."""
    cut: str
    """The piece of the trace that is under way."""


_FORM = Form(_Kept, 2)


class LampWatch:
    """An `Observer`. Deterministic; all that it knows is in `state`."""

    name = "lamp"

    def __init__(self, plan: LampPlan) -> None:
        self._plan = plan
        self._hours = LampHours(plan.on, plan.off, ZoneInfo(plan.zone))
        self.heat = LampHeat()
        self._line = Timeline()
        self._cut = LampPieces(self._next_edge)
        self._noise = {name: Noise() for name in plan.probes}
        self._heard_ms: dict[str, int] = {}
        self._lead = plan.probes[0]
        self._minute, self._sum, self._count = -1, 0.0, 0
        self._room: list[tuple[int, float]] = []
        self._pieces: list[Piece] = []
        """The pieces of the last day and a half that have not been decided on."""
        self._since: dict[str, int] = {}
        """The alarms that stand, and since when, UTC ms."""
        self._began = False
        self._doubted: Container[str] = ()

    # -- observer --------------------------------------------------------------------------------

    def hear(self, known: Known) -> None:
        """Stops taking readings from the channels that are doubted now."""
        self._doubted = known.doubted

    def see(self, reading: Reading) -> Iterable[Finding]:
        """Takes a reading; returns the findings that it changes."""
        name, value = reading.channel, reading.value
        if name in self._doubted or (name != self._plan.room and name not in self._noise):
            return ()
        if worth(reading) is not Worth.GOOD or value is None:
            return ()
        now_ms = self._line.at(reading.moment)
        if name == self._plan.room:
            self._room.append((now_ms, value))
            del self._room[:-_MOST_MINUTES]
            return ()
        self._heard_ms[name] = now_ms
        self._noise[name].add(now_ms / 1000, value)
        if name != self._choose(now_ms):
            return ()
        minute = now_ms // _MINUTE_MS
        out: list[Finding] = []
        if minute != self._minute:
            if self._count:
                out = self._end_minute(reading.moment)
            self._minute, self._sum, self._count = minute, 0.0, 0
        self._sum += value
        self._count += 1
        return out

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        """Ignores the journal, which says nothing about heat."""
        return ()

    def tick(self, now: Moment) -> Iterable[Finding]:
        """Returns once after a start how its alarms stand."""
        if self._began:
            return ()
        self._began = True
        self._line.at(now)
        return [
            self._standing(name, now)
            if name in self._since
            else Finding(name, False, priority_of(name), Over())
            for name in alarms()
        ]

    def estimates(self, now: Moment) -> Iterable[Published]:
        """Publishes nothing: none of its figures is worth a series."""
        return ()

    # -- inside ----------------------------------------------------------------------------------

    def _choose(self, now_ms: int) -> str:
        heard = [
            name
            for name in self._plan.probes
            if now_ms - self._heard_ms.get(name, -SILENT_MS) < SILENT_MS
        ]
        if heard[0] != self._lead:
            self._lead = heard[0]
            self._cut.restart()
        return self._lead

    def _end_minute(self, now: Moment) -> list[Finding]:
        sigma = self._noise[self._lead].usual / self._count**0.5
        at_s = (self._minute + 0.5) * 60.0
        found = self._cut.add((at_s, self._sum / self._count), sigma)
        pieces = map(self._piece, found)
        return [f for piece in pieces if piece is not None for f in self._take(piece, now)]

    def _next_edge(self, at_s: float) -> float:
        """Returns the instant, in s, when the lamp should switch next after another one."""
        at_ms = round(at_s * 1000)
        utc_ms = self._line.to_utc(at_ms)
        return (at_ms + self._hours.window(utc_ms).end_ms - utc_ms) / 1000

    def _piece(self, stretch: Stretch) -> Piece | None:
        """Returns a piece of the trace with the room beside it. Returns None where the room was
        not seen, or where it is not known whether the heater was on."""
        line, start, end = stretch.line, stretch.start_s * 1000, stretch.end_s * 1000
        room = [value for at, value in self._room if start <= at <= end]
        if len(room) * ROOM_EVERY_S * 1000 < end - start:
            return None
        piece = Piece(
            self._line.to_utc(round(start)),
            self._line.to_utc(round(end)),
            -line.slope * 3600.0,
            line.slope_error * 3600.0,
            line.value - sum(room) / len(room),
            stretch.rising,
        )
        heated = self.heat.heats(piece, self._hours.share(piece))
        return None if heated is None else replace(piece, heated=heated)

    def _take(self, piece: Piece, now: Moment) -> list[Finding]:
        """Decides on what has been seen of the present window, then learns from it."""
        self._pieces = [p for p in self._pieces if piece.end_ms - p.end_ms < KEPT_MS]
        self._pieces.append(piece)
        window = self._hours.window((piece.start_ms + piece.end_ms) // 2)
        name = LAMP_NOT_ON if window.lit else LAMP_NOT_OFF
        ratio = self._ratio(window) if self.heat.carries else 0.0
        out: list[Finding] = []
        if name not in self._since and ratio > SURE:
            self._since[name] = window.start_ms
            out = [self._standing(name, now)]
        elif name in self._since and ratio < WELL:
            out = [self._end(name, Over())]
        elif name in self._since and piece.end_ms - self._since[name] > TOLD_MS:
            out = [self._end(name, LampAsNow())]
            self.heat.forget_lamp()
        if out:
            self._pieces.clear()
        elif name not in self._since and ratio < OPEN:
            self.heat.learn(piece, self._hours.share(piece))
        return out

    def _end(self, name: str, facts: Facts) -> Finding:
        del self._since[name]
        return Finding(name, False, priority_of(name), facts)

    def _ratio(self, window: Window) -> float:
        inside: Sequence[Piece] = [
            p
            for p in self._pieces
            if window.start_ms <= (p.start_ms + p.end_ms) // 2 < window.end_ms
        ]
        return against(self.heat, self._hours, inside, lit_instead=not window.lit)

    def _standing(self, name: str, now: Moment) -> Finding:
        since_ms = self._since[name]
        ago_ms = max(0, now.utc_ms - since_ms)
        since = Moment(now.mono_ms - ago_ms, since_ms, now.epoch)
        hours = f"{self._plan.on:%H:%M} to {self._plan.off:%H:%M}"
        facts = LampOdd(self.heat.lamp[0], hours)
        return Finding(name, True, priority_of(name), facts, since)

    # -- across restarts -------------------------------------------------------------------------

    def state(self) -> str:
        """Returns a few kB of JSON, however long the history."""
        return _FORM.text(
            _Kept(
                self.heat,
                self._line,
                self._noise,
                self._pieces,
                self._since,
                self._heard_ms,
                self._lead,
                (self._minute, self._sum, self._count),
                self._room,
                form(),
                imprint(self._cut),
            )
        )

    def restore(self, state: str) -> None:
        """The inverse of `state`. Raises ValueError for what it can't use; the watch is then as
        new."""
        kept = _FORM.read(state)
        same = kept.noise.keys() == self._noise.keys()
        if same and kept.made_with == form():
            self._restore_cut(kept.cut)
            self._heard_ms, self._lead, self._room = kept.heard_ms, kept.lead, kept.room
            self._minute, self._sum, self._count = kept.minute
        self.heat, self._line, self._pieces = kept.heat, kept.line, kept.pieces
        self._since = {name: ms for name, ms in kept.since.items() if name in alarms()}
        self._noise |= {name: noise for name, noise in kept.noise.items() if name in self._noise}

    def _restore_cut(self, text: str) -> None:
        try:
            take_up(text, self._cut)
        except (ValueError, KeyError, TypeError, AttributeError) as damage:
            self._cut = LampPieces(self._next_edge)
            raise ValueError(f"what was kept can't be used: {damage!r}") from damage


def alarms() -> tuple[str, ...]:
    """Returns the names of the alarms of the lamp's watch."""
    return LAMP_NOT_ON, LAMP_NOT_OFF
