"""The gauge's watch: an observer that finds out when a level gauge has been moved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.rules.missing import Worth, worth
from stillwell.entry import Entry
from stillwell.estimate.timeline import Timeline
from stillwell.finding import Finding
from stillwell.form import Form
from stillwell.observe.chamber.gauge_datum import GaugeDatum
from stillwell.observe.facts import GaugeMoved, GaugeWell
from stillwell.observe.known import Known
from stillwell.ports import Published
from stillwell.reading import Moment, Reading

MOVED = "{gauge}.moved"
"""The name of its row in the catalogue."""


@dataclass(frozen=True, slots=True)
class GaugePlan:
    """The tank's data for the gauge's watch."""

    channel: str
    label: str = ""

    @property
    def alarm(self) -> str:
        """The name of its alarm."""
        return f"{self.channel}.moved"


@dataclass(frozen=True, slots=True)
class _Kept:
    datum: GaugeDatum
    line: Timeline


_FORM = Form(_Kept, 2)


class GaugeWatch:
    """An `Observer`. Deterministic; all that it knows is in `state`."""

    name = "gauge"

    def __init__(self, plan: GaugePlan) -> None:
        self._plan = plan
        self.datum = GaugeDatum()
        self._line = Timeline()
        self._began = False
        self._risen = False

    def hear(self, known: Known) -> None:
        """Takes whether the chamber is up because the pump has stopped: no jump of the gauge."""
        self._risen = known.no_flow

    def see(self, reading: Reading) -> Iterable[Finding]:
        """Takes a reading; returns the findings that it changes."""
        if self._risen:
            return ()
        if reading.channel != self._plan.channel or reading.value is None:
            return ()
        if worth(reading) is not Worth.GOOD:
            return ()
        now_ms = self._line.at(reading.moment)
        changed = self.datum.see(now_ms / 1000, reading.value)
        return (self._standing(reading.moment),) if changed else ()

    def moved(self, by: Mapping[str, float]) -> None:
        """Learns the gauge anew when its offset changes: see `observing.TakesOffsets`."""
        if self._plan.channel in by:
            self.datum = GaugeDatum()

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        """Ignores the journal: the end of a pour is seen whether it was noted or not."""
        return ()

    def tick(self, now: Moment) -> Iterable[Finding]:
        """Returns once after a start how its alarm stands."""
        if self._began:
            return ()
        self._began = True
        self._line.at(now)
        return (self._standing(now),)

    def estimates(self, now: Moment) -> Iterable[Published]:
        """Publishes nothing: none of its figures is worth a series."""
        return ()

    def _standing(self, now: Moment) -> Finding:
        plan, moved = self._plan, self.datum.moved
        called = plan.label or plan.channel
        if moved is None:
            return Finding(plan.alarm, False, priority_of(MOVED), GaugeWell(called))
        jumped, ended = (
            self._line.moment(round(jump.at_s * 1000), now) for jump in (moved.jump, moved.end)
        )
        facts = GaugeMoved(called, moved.by_mm, jumped.utc_ms, ended.utc_ms)
        return Finding(plan.alarm, True, priority_of(MOVED), facts, jumped)

    def state(self) -> str:
        """Returns about a kB of JSON."""
        return _FORM.text(_Kept(self.datum, self._line))

    def restore(self, state: str) -> None:
        """The inverse of `state`. Raises ValueError for what it can't use; the watch is then as
        new."""
        kept = _FORM.read(state)
        self.datum, self._line = kept.datum, kept.line
