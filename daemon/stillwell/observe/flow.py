"""The observer of the return pump: it sees all that sees the chamber, and says that the pump has
stopped. Everybody else learns of it from here."""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.rules.missing import Worth, worth
from stillwell.entry import Entry
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec
from stillwell.estimate.pump import SILENT_MS, Pump
from stillwell.estimate.timeline import Timeline
from stillwell.finding import Finding, Over
from stillwell.form import Form
from stillwell.observe.chamber.intake import worth_seeing
from stillwell.observe.chamber.journal import KINDS
from stillwell.observe.facts import PUMP_STOPPED, PumpStopped
from stillwell.observe.known import Flow, Known
from stillwell.ports import Published
from stillwell.reading import Moment, Reading

PUMP_RESTS = "pump.resting"
_BLIND_MS = 900_000
"""A gauge that is silent for so long while the water is up hides nothing."""


@dataclass(frozen=True, slots=True)
class FlowPlan:
    """What sees the chamber of one tank."""

    gauge: str = ""
    """The channel of its gauge; empty where there is none."""
    spec: GaugeSpec = field(default_factory=GaugeSpec)
    floats: tuple[FloatSpec, ...] = ()
    """By the names of their channels."""
    labels: Mapping[str, str] | None = None
    probes: tuple[str, ...] = ()
    """Channels in the water, the one behind the heater first."""
    by_hand: bool = True
    """Whether water is poured into the chamber by hand."""


@dataclass(frozen=True, slots=True)
class _Kept:
    pump: Pump
    line: Timeline
    values: dict[str, tuple[int, float]]


_FORM = Form(_Kept)


class FlowWatch:
    """An `Observer`. Deterministic; all that it knows is in `state`."""

    name = "flow"

    def __init__(self, plan: FlowPlan) -> None:
        self._plan = plan
        self.pump = Pump()
        self._line = Timeline()
        self._noise = math.hypot(plan.spec.noise_mm, plan.spec.step_mm)
        self._floats = {spec.name: spec for spec in plan.floats}
        self._wanted = frozenset({plan.gauge, *self._floats, *plan.probes[:2]})
        self._values: dict[str, tuple[int, float]] = {}
        """What the probes read last, and when."""
        self._doubted: Container[str] = ()
        self._told = self._rests = self._began = False
        self._now = Moment(0, 0, 0)

    def hear(self, known: Known) -> None:
        """Takes which probes are doubted, and whether the mains are lost: then a chamber that is
        up has not been filled."""
        self._doubted = known.doubted
        if known.mains_lost and not self.pump.stands:
            self.pump.prove()

    def tell(self, known: Known) -> Known:
        """Adds what is known of the pump."""
        pump = self.pump
        ended, pump.ended = pump.ended, None
        moments = None if ended is None else (self._moment(ended[0]), self._moment(ended[1]))
        up_ms = pump.up_ms
        flow = Flow(
            since=None if up_ms is None or self._blind else self._moment(up_ms),
            rests=self._rests,
            usual=up_ms is None and pump.low_ms is None,
            stopped=pump.stands,
            ended=moments,
        )
        return replace(known, flow=flow, no_flow=pump.stands)

    def see(self, reading: Reading) -> Iterable[Finding]:
        """Takes one judged reading."""
        name, value = reading.channel, reading.value
        if name not in self._wanted or value is None:
            return ()
        seen = worth_seeing(reading) if name == self._plan.gauge else worth(reading) is Worth.GOOD
        if not seen:
            return ()
        now_ms, plan, pump = self._pass_to(reading.moment), self._plan, self.pump
        if name == plan.gauge:
            pump.see_level(now_ms, value, self._noise, by_hand=plan.by_hand)
        elif name in self._floats:
            pump.see_float(now_ms, name, value, plan.floats, by_hand=plan.by_hand)
        elif name not in self._doubted:
            self._values[name] = now_ms, value
            self._see_gap(name, now_ms)
        return self._found()

    def _see_gap(self, name: str, now_ms: int) -> None:
        pair = self._plan.probes[:2]
        if len(pair) < 2 or name != pair[1] or pair[0] in self._doubted:
            return
        heard_ms, value = self._values.get(pair[0], (-math.inf, 0.0))
        if now_ms - heard_ms <= SILENT_MS:
            self.pump.see_gap(now_ms, value - self._values[name][1])

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        """Takes from the journal what made the chamber rise."""
        if struck is None and entry.kind in KINDS:
            self.pump.poured(self._line.of_utc(entry.at_ms))
        return self._found() if self._began else ()

    def tick(self, now: Moment) -> Iterable[Finding]:
        """Lets time pass; the first tick after a start returns how the alarm stands."""
        self._pass_to(now)
        if self._began:
            return self._found()
        self._began = True
        self._told, self._rests = not self.pump.stands, not self.pump.rests(self._line.at(now))
        return self._found()

    def estimates(self, now: Moment) -> Iterable[Published]:
        """Publishes nothing: whether the pump runs is no figure."""
        return ()

    def _pass_to(self, now: Moment) -> int:
        self._now = now
        return self._line.at(now)

    def _moment(self, at_ms: int) -> Moment:
        return self._line.moment(at_ms, self._now)

    @property
    def _blind(self) -> bool:
        """Whether a gauge that has died says of a rise what nobody can confirm."""
        pump = self.pump
        if pump.stands or pump.risen or not pump.recent:
            return False
        return self._line.at(self._now) - pump.recent[-1][0] > _BLIND_MS

    def _found(self) -> list[Finding]:
        return list(self._changes())

    def _changes(self) -> Iterator[Finding]:
        pump = self.pump
        rests = pump.rests(self._line.at(self._now)) and not self._blind
        if rests is not self._rests:
            self._rests = rests
            yield Finding(PUMP_RESTS, rests, priority_of(PUMP_RESTS), Over())
        if pump.stands is self._told:
            return
        self._told = pump.stands
        if not pump.stands or pump.since_ms is None:
            yield Finding(PUMP_STOPPED, False, priority_of(PUMP_STOPPED), Over())
            return
        labels = self._plan.labels or {}
        floats = tuple(labels.get(name) or name for name in pump.risen)
        usual = pump.back_mm[0] if pump.backs else None
        facts = PumpStopped(pump.rise_mm, usual, floats, pump.parted_k)
        since = self._moment(pump.since_ms)
        yield Finding(PUMP_STOPPED, True, priority_of(PUMP_STOPPED), facts, since)

    def moved(self, by: Mapping[str, float]) -> None:
        """Learns the chamber anew when the gauge's offset changes: see
        `observing.TakesOffsets`."""
        if by.keys() & {self._plan.gauge, *self._plan.probes}:
            self.pump = Pump()

    def state(self) -> str:
        """Returns a few kB of JSON."""
        return _FORM.text(_Kept(self.pump, self._line, self._values))

    def restore(self, state: str) -> None:
        """The inverse of `state`. Raises ValueError for what it can't use; the watch is then as
        new."""
        kept = _FORM.read(state)
        self.pump, self._line, self._values = kept.pump, kept.line, kept.values
        self._told = self.pump.stands
        self.pump.floats = {n: c for n, c in self.pump.floats.items() if n in self._floats}
        self.pump.risen = [name for name in self.pump.risen if name in self._floats]
