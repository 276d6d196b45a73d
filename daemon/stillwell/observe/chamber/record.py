"""What the level watch knows: the model's state, and what is kept besides. The parts of the
watch share one record; a restart restores it from the store."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, field, replace

from stillwell.entry import Entry
from stillwell.estimate.level.evidence import (
    Evidence,
    Expect,
    Gauge,
    Pour,
    PumpStopped,
    WaterChange,
)
from stillwell.estimate.level.model import LevelModel
from stillwell.estimate.level.state import LevelState
from stillwell.estimate.timeline import Timeline
from stillwell.form import Form
from stillwell.observe.chamber import rules
from stillwell.observe.chamber.plan import LevelPlan
from stillwell.observe.chamber.total import Total, concerns, instrument, lag_ms, total_model

EXPANSION_PER_K = 2.97e-4
"""Thermal expansion of seawater at a salinity of 35 and 25 °C, 1/K: TEOS-10 (IOC Manual 56, 2010);
the density of EOS-80 gives the same within half a percent."""

_ANEW_AFTER_MS = 20 * 86_400_000
"""After a gap longer than this, which the model does not remember, only the tank's own ratio to
physics is still of use."""
_ENDS = 3
"""How many slices at either end of a window give its mean temperature: half an hour."""


@dataclass(slots=True)
class Debounce:
    """One alarm's debounce."""

    count: int = 0
    """How often in a row the condition was seen (while active: was not seen)."""
    active: bool = False
    since_ms: int = 0
    """When the condition was first seen, on the line."""

    def turn(self, seen: bool, now_ms: int, on: int, off: int) -> bool:
        """Takes the result of one look; returns whether the alarm changed."""
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
"""An instrument is silent when several of its readings are missing, but never sooner or later
than these times (our own choice)."""


@dataclass(slots=True)
class Climate:
    """The last value of one thermometer or hygrometer, and its usual value."""

    at_ms: int
    """When it last spoke, on the line."""
    value: float
    every_ms: int
    """The time between its last two readings."""
    usual: float
    """Its mean value over about a day."""
    heard_ms: int
    """How long that mean reaches back, at most a day."""

    @classmethod
    def first(cls, at_ms: int, value: float) -> Climate:
        """Starts with the first reading. How often it speaks is not known yet, so the reading
        counts for an hour."""
        return cls(at_ms, value, _MOST_SILENCE_MS, value, 0)

    def take(self, at_ms: int, value: float) -> None:
        """Takes the next reading."""
        passed = max(0, at_ms - self.at_ms)
        self.heard_ms = min(_USUAL_MS, self.heard_ms + min(passed, _MOST_SILENCE_MS))
        # a value after a silence counts for the one hour that it can speak for
        weight = min(passed, _MOST_SILENCE_MS) / max(1, self.heard_ms)
        self.usual += min(1.0, weight) * (value - self.usual)
        self.at_ms, self.value, self.every_ms = at_ms, value, passed

    def silent_ms(self, now_ms: int) -> int:
        """Returns how long it has been silent beyond its usual interval; 0 while it speaks."""
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
    """The end of the night that had ended at the last look, by the wall clock at that time; 0
    before the first."""
    night_first_utc: int = 0
    """The end of the last night before the watch began: nothing is published about it or earlier
    nights."""
    nights_told: list[int] = field(default_factory=list)
    """Ends (UTC) of the last nights whose numbers were published."""
    nights_open: list[int] = field(default_factory=list)
    """Those of the last nights that had no number."""
    again: list[int] = field(default_factory=list)
    """Ends (UTC) of nights whose numbers an entry has changed."""
    past: list[rules.PastWindow] = field(default_factory=list)
    dry: bool = False
    """Whether the water stood below the lowest safe level in the window that is under way."""
    temperatures: list[tuple[int, float]] = field(default_factory=list)
    """Pairs of slice number and mean temperature of the water in it, °C."""
    rooms: list[tuple[int, float]] = field(default_factory=list)
    """The same of the room."""
    shares: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    """By float: pairs of slice number and mean share closed in it."""
    alarms: dict[str, Debounce] = field(default_factory=dict)
    pending: list[Entry] = field(default_factory=list)
    """Entries about a time that has not come yet."""
    open_changes: list[tuple[int, int]] = field(default_factory=list)
    """Water changes that are not over: beginning and end, on the line."""
    stopped_ms: int | None = None
    """Since when the pump has stopped."""
    stands: list[tuple[int, int]] = field(default_factory=list)
    """When the pump had stopped for long: beginning and end, on the line."""
    inverted: tuple[str, ...] = ()
    """The floats that were taken to be upside down at the last look."""
    refused: list[tuple[int, str]] = field(default_factory=list)
    """Entries that can't be true: time on the line, and the reason."""
    climate: dict[str, Climate] = field(default_factory=dict)
    """Temperatures and humidity."""
    slice: int = 0
    """The number of the slice that is under way."""
    slice_sum: list[float] = field(default_factory=lambda: [0.0, 0.0])
    """The sum of the water's temperatures in that slice, and how many there are."""
    share_sums: dict[str, list[float]] = field(default_factory=dict)
    """By float: the sum of its shares in that slice, and how many there are."""
    total: Total = field(default_factory=Total)
    """With an automatic top-up: the water of chamber and reservoir together."""


@dataclass(frozen=True, slots=True)
class _Kept:
    level: LevelState | None
    memory: Memory


_FORM = Form(_Kept, 3)


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
        self.added_by = instrument(plan)
        self._total = total_model(plan)
        self._lag_ms = lag_ms(self.added_by)
        self._ahead: tuple[LevelState, LevelState] | None = None
        """The state of the total water, and the same at the present moment."""

    # --- the model ---------------------------------------------------------------------------

    def state(self, now_ms: int) -> LevelState:
        """Returns the model's state; a new one after a gap that leaves nothing of the old one."""
        if self.level is None or now_ms - self.level.now_ms > _ANEW_AFTER_MS:
            self.level = self.model.start(now_ms)
            memory = self.memory
            memory.looked_ms = now_ms - now_ms % rules.LOOK_EVERY_MS
            memory.windows_ms = now_ms - now_ms % rules.WINDOW_MS
            memory.shares, memory.temperatures, memory.rooms = {}, [], []
            memory.total.level = self._total.start(now_ms) if self._total else None
        return self.level

    def pass_to(self, now_ms: int) -> LevelState:
        """Lets the model's time pass."""
        self.level = self.model.tick(self.state(now_ms), now_ms)
        total = self.memory.total
        if self._total is not None and total.level is not None:
            total.level = self._total.tick(total.level, now_ms - self._lag_ms)
        return self.level

    def update(self, evidence: Evidence, now_ms: int) -> None:
        """Updates the models with evidence about the chamber, the air or the keeper."""
        by = self.added_by
        if by is None or not isinstance(evidence, Pour) or not evidence.fresh:
            self.level = self.model.update(self.state(now_ms), evidence, now_ms)
        if by is not None and concerns(evidence, by):
            self.update_total(evidence, now_ms)

    def update_total(self, evidence: Evidence, now_ms: int) -> None:
        """Updates the model of chamber and reservoir together."""
        total = self.memory.total
        if self._total is None or total.level is None:
            return
        if isinstance(evidence, Expect):
            evidence = replace(evidence, t_ms=evidence.t_ms - self._lag_ms)
        late = self._lag_ms if isinstance(evidence, Expect | Gauge) else 0
        total.level = self._total.update(total.level, evidence, now_ms - late)

    def retract(self, evidence: Pour | WaterChange | PumpStopped) -> None:
        """Takes back what was entered by mistake."""
        if self.level is not None:
            self.level = self.model.retract(self.level, evidence)
        total = self.memory.total
        if self._total is not None and total.level is not None:
            total.level = self._total.retract(total.level, evidence)

    @property
    def losing(self) -> tuple[LevelModel, LevelState] | None:
        """Returns the model that knows what leaves the tank, and its state: the chamber's, or with
        an automatic top-up that of all its water. None while nothing is known of that."""
        if self.added_by is None:
            return None if self.level is None else (self.model, self.level)
        total = self.memory.total.level
        if self._total is None or total is None or not total.slices or self.level is None:
            return None
        now_ms = self.level.now_ms
        if self._ahead is None or self._ahead[0] is not total or self._ahead[1].now_ms != now_ms:
            self._ahead = total, self._total.tick(total, now_ms)
        return self._total, self._ahead[1]

    # --- what the slices hold ----------------------------------------------------------------

    def expected(self, begin_ms: int, end_ms: int) -> float | None:
        """Returns the mean of what physics expected, mL/h; None where it was silent for half of
        the time."""
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
        """Returns how much the water's cooling between two times looks like a loss, mL; negative
        where it grew warmer."""
        warmer = self._change_k(self.memory.temperatures, begin_ms, end_ms)
        return -EXPANSION_PER_K * self.plan.volume_ml * (warmer or 0.0)

    def air_change_k(self, begin_ms: int, end_ms: int) -> float | None:
        """Returns by how much the room became warmer between two times, K; None where it was not
        measured."""
        return self._change_k(self.memory.rooms, begin_ms, end_ms)

    def _change_k(self, kept: list[tuple[int, float]], begin_ms: int, end_ms: int) -> float | None:
        first, last = self._slices(begin_ms, end_ms)
        known = [t for i, t in kept if first <= i <= last]
        if len(known) < 2 * _ENDS:
            return None
        return (sum(known[-_ENDS:]) - sum(known[:_ENDS])) / _ENDS

    def _slices(self, begin_ms: int, end_ms: int) -> tuple[int, int]:
        return begin_ms // self.model.slice_ms, (end_ms - 1) // self.model.slice_ms

    # --- keeping -----------------------------------------------------------------------------

    def text(self) -> str:
        """Returns the whole record as text."""
        return _FORM.text(_Kept(self.level, self.memory))

    def restore(self, text: str, alarms: Container[str]) -> None:
        """The inverse of `text`. Raises ValueError for text that is damaged, of another form, or
        made with other sensors; nothing is changed then.

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
