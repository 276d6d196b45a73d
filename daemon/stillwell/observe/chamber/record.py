"""What the level watch knows: the model's state, and what it keeps besides. Its parts share one
record; a restart gives it back from the store."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, field

from stillwell.entry import Entry
from stillwell.estimate.level import Evidence, LevelModel, LevelState
from stillwell.estimate.timeline import Timeline
from stillwell.form import Form
from stillwell.observe.chamber import rules
from stillwell.observe.chamber.plan import LevelPlan

EXPANSION_PER_K = 2.97e-4
"""Thermal expansion of seawater at a salinity of 35 and 25 °C, 1/K: TEOS-10 (IOC Manual 56, 2010);
the density of EOS-80 gives the same within half a percent."""

_ANEW_AFTER_MS = 20 * 86_400_000
"""A gap longer than the model remembers: nothing of the past is of use but the tank's own ratio to
physics."""
_ENDS = 3
"""Slices at either end of a window whose mean temperature counts: half an hour."""


@dataclass(slots=True)
class Debounce:
    """One alarm's debounce."""

    count: int = 0
    """How often in a row the condition was seen (or, while active, was not)."""
    active: bool = False
    since_ms: int = 0
    """On the line: when the condition was first seen."""

    def turn(self, seen: bool, now_ms: int, on: int, off: int) -> bool:
        """Takes one look; returns whether the alarm changed."""
        if seen == self.active:
            self.count = 0
            return False
        if self.count == 0 and seen:
            self.since_ms = now_ms
        self.count += 1
        if self.count < (off if self.active else on):
            return False
        self.active = seen
        self.count = 0
        return True


_USUAL_MS = 86_400_000
_MISSED = 3.0
_LEAST_SILENCE_MS, _MOST_SILENCE_MS = 5 * 60_000, 3_600_000
"""An instrument is silent when so many of its readings are missing, no sooner and no later (our own
choice)."""


@dataclass(slots=True)
class Climate:
    """What one thermometer or hygrometer last said, and what it usually says."""

    at_ms: int
    """On the line."""
    value: float
    every_ms: int
    """How long before that it spoke the last time."""
    usual: float
    """Its mean over about a day."""
    heard_ms: int
    """How long that mean reaches back, a day at most."""

    @classmethod
    def first(cls, at_ms: int, value: float) -> Climate:
        """Of the first reading: how often it speaks is not known, so it counts for an hour."""
        return cls(at_ms, value, _MOST_SILENCE_MS, value, 0)

    def take(self, at_ms: int, value: float) -> None:
        """Takes the next reading."""
        passed = max(0, at_ms - self.at_ms)
        self.heard_ms = min(_USUAL_MS, self.heard_ms + min(passed, _MOST_SILENCE_MS))
        # what was seen after a silence counts for the hour that it can speak for
        weight = min(passed, _MOST_SILENCE_MS) / max(1, self.heard_ms)
        self.usual += min(1.0, weight) * (value - self.usual)
        self.at_ms, self.value, self.every_ms = at_ms, value, passed

    def silent_ms(self, now_ms: int) -> int:
        """Returns for how long it has been silent that should have spoken; 0 while it speaks."""
        may = min(_MOST_SILENCE_MS, max(_LEAST_SILENCE_MS, round(_MISSED * self.every_ms)))
        silent = now_ms - self.at_ms
        return silent if silent > may else 0


@dataclass(slots=True)
class Memory:
    """What the watch knows besides the model's state."""

    line: Timeline = field(default_factory=Timeline)
    looked_ms: int = 0
    """The newest boundary at which the rules were asked, on the line."""
    windows_ms: int = 0
    published_ms: int = 0
    told_expect_ms: int = 0
    night_ended_utc: int = 0
    """The end of the night that had ended at the last look, by the wall clock of then; 0 before the
    first."""
    night_first_utc: int = 0
    """The end of the last night before the watch began: nothing is said of it, nor before."""
    nights_told: list[int] = field(default_factory=list)
    """Ends (UTC) of the last nights whose numbers were published."""
    nights_open: list[int] = field(default_factory=list)
    """Those of them for which there was no number."""
    again: list[int] = field(default_factory=list)
    """Ends (UTC) of nights whose numbers an entry has changed."""
    past: list[rules.PastWindow] = field(default_factory=list)
    bound: rules.Usual | None = None
    """What was usual when the rules were asked last."""
    temperatures: list[tuple[int, float]] = field(default_factory=list)
    """(slice number, mean °C of the water in it)"""
    shares: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    """By float: (slice number, mean share closed in it)"""
    alarms: dict[str, Debounce] = field(default_factory=dict)
    pending: list[Entry] = field(default_factory=list)
    """Entries about a time that has not come."""
    open_changes: list[tuple[int, int]] = field(default_factory=list)
    """Water changes that are not over: beginning and end on the line."""
    stands: list[tuple[int, int]] = field(default_factory=list)
    """When the pump stood, by the level: beginning and end on the line."""
    inverted: tuple[str, ...] = ()
    """The floats that were taken to be upside down at the last look."""
    refused: list[tuple[int, str]] = field(default_factory=list)
    """Entries that can't be what they say: time on the line, why."""
    climate: dict[str, Climate] = field(default_factory=dict)
    """Temperatures and humidity."""
    slice: int = 0
    """The number of the slice that is going on, and its sums:"""
    slice_sum: list[float] = field(default_factory=lambda: [0.0, 0.0])
    """of the water's temperature, and how many;"""
    share_sums: dict[str, list[float]] = field(default_factory=dict)
    """of each float's shares, and how many."""


@dataclass(frozen=True, slots=True)
class _Kept:
    level: LevelState | None
    memory: Memory


_FORM = Form(_Kept, 2)


class LevelRecord:
    """The model's state and the memory of one tank's level watch."""

    def __init__(self, plan: LevelPlan) -> None:
        self.plan = plan
        self.model = LevelModel(
            plan.geometry,
            tuple(channel.spec for channel in plan.floats),
            plan.gauge.spec if plan.gauge else None,
        )
        self.level: LevelState | None = None
        self.memory = Memory()

    # --- the model ---------------------------------------------------------------------------

    def state(self, now_ms: int) -> LevelState:
        """The model's state; anew after a gap that leaves nothing of the old one."""
        if self.level is None or now_ms - self.level.now_ms > _ANEW_AFTER_MS:
            self.level = self.model.start(now_ms)
            memory = self.memory
            memory.looked_ms = now_ms - now_ms % rules.LOOK_EVERY_MS
            memory.windows_ms = now_ms - now_ms % rules.WINDOW_MS
            memory.shares, memory.temperatures = {}, []
        return self.level

    def pass_to(self, now_ms: int) -> LevelState:
        """Lets the model's time pass."""
        self.level = self.model.tick(self.state(now_ms), now_ms)
        return self.level

    def update(self, evidence: Evidence, now_ms: int) -> None:
        """Tells the model."""
        self.level = self.model.update(self.state(now_ms), evidence, now_ms)

    # --- what the slices hold ----------------------------------------------------------------

    def expected(self, begin_ms: int, end_ms: int) -> float | None:
        """Mean of what physics expected, mL/h; None where it was silent for half of the time."""
        if self.level is None:
            return None
        first, last = self._slices(begin_ms, end_ms)
        told = [
            s.expect_ml_per_h
            for s in self.level.slices
            if first <= s.index <= last and s.expect_ml_per_h is not None
        ]
        return sum(told) / len(told) if len(told) * 2 >= last - first + 1 else None

    def swelling_ml(self, begin_ms: int, end_ms: int) -> float:
        """What the level makes of the water's cooling between two times: mL that seem lost;
        negative where it grew warmer."""
        first, last = self._slices(begin_ms, end_ms)
        known = [(i, t) for i, t in self.memory.temperatures if first <= i <= last]
        if len(known) < 2 * _ENDS:
            return 0.0
        early = sum(t for _, t in known[:_ENDS]) / _ENDS
        late = sum(t for _, t in known[-_ENDS:]) / _ENDS
        return EXPANSION_PER_K * self.plan.volume_ml * (early - late)

    def _slices(self, begin_ms: int, end_ms: int) -> tuple[int, int]:
        return begin_ms // self.model.slice_ms, (end_ms - 1) // self.model.slice_ms

    # --- keeping -----------------------------------------------------------------------------

    def text(self) -> str:
        """All of it, as text."""
        return _FORM.text(_Kept(self.level, self.memory))

    def restore(self, text: str, alarms: Container[str]) -> None:
        """The inverse of `text`. Nothing is changed when it raises ValueError: for what is damaged,
        of another form, or of other sensors.

        Args:
            alarms: names of the alarms that there are; others are forgotten.
        """
        kept = _FORM.read(text)
        if kept.level is not None and not self._fits(kept.level):
            raise ValueError("the level's sensors have changed")
        self.level, self.memory = kept.level, kept.memory
        floats = {channel.spec.name for channel in self.plan.floats}
        memory = self.memory
        memory.shares = {name: rows for name, rows in memory.shares.items() if name in floats}
        memory.alarms = {name: seen for name, seen in memory.alarms.items() if name in alarms}

    def _fits(self, level: LevelState) -> bool:
        """Whether a state was made with as many sensors as there are now."""
        places = len(self.plan.floats)
        return all(len(one.bank.odds) == places + 1 for one in level.checkpoints)
