"""The observer of the level: readings and the journal become evidence, the model's answers become
alarms, estimates and the night's numbers."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field, replace
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

from stillwell.calendar import Night, last_nights
from stillwell.entry import Entry
from stillwell.estimate import level_rules as rules
from stillwell.estimate.estimate import Basis, Estimate, NotEnough
from stillwell.estimate.level import (
    CalibrationWorth,
    Expect,
    Gauge,
    LevelModel,
    LevelState,
    Oddity,
    Pour,
    Share,
    WaterChange,
)
from stillwell.estimate.level_journal import KINDS, WATER_CHANGE, change_of, pour_of
from stillwell.estimate.level_keeping import Keeping, revived
from stillwell.estimate.level_plan import FloatChannel, LevelPlan
from stillwell.estimate.level_words import LevelWords
from stillwell.estimate.timeline import Timeline
from stillwell.finding import Finding
from stillwell.notice import Message, Priority
from stillwell.ports import Published
from stillwell.reading import Flag, Moment, Reading
from stillwell.water.evaporation import Air, Water, expected

FORM = 1
"""Counts up when the stored form changes."""

EXPANSION_PER_K = 2.97e-4
"""Thermal expansion of seawater of 35 g/kg at 25 °C, 1/K (TEOS-10; from memory)."""

_EXPECT_EVERY_MS = 60_000
_CLIMATE_STALE_MS = 3_600_000
_NO_HUMIDITY = 50.0
_NO_HUMIDITY_REL_SD = 0.4
"""Without a hygrometer half is assumed: rooms run from 30 to 65 %RH (common practice)."""
_HOUR_MS = 3_600_000
_AFTER_NIGHT_MS = 3 * 60_000
"""A night's numbers wait so long for the last readings of it, and come before the review."""
_SHARES_KEPT = 80
_PENDING_MOST = 5_000
_ANEW_AFTER_MS = 20 * 86_400_000
"""A gap longer than the model remembers: nothing of the past is of use but the tank's own ratio to
physics."""
_CHANGED_MS = 7 * 86_400_000
_FLAG_OF_LEVEL = (Flag.PASS, Flag.NOT_EVALUATED)
_Z = 1.959964


@dataclass(slots=True)
class Alarm:
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


@dataclass(slots=True)
class Memory:
    """What the watch knows besides the model's state."""

    line: Timeline = field(default_factory=Timeline)
    looked_ms: int = 0
    """The newest boundary at which the rules were asked, on the line."""
    windows_ms: int = 0
    published_ms: int = 0
    told_expect_ms: int = 0
    night_done_utc: int = 0
    """The end of the last night that was published."""
    night_first_utc: int = 0
    """The end of the last night before the watch began: nothing is said of it, nor before."""
    past: list[rules.PastWindow] = field(default_factory=list)
    temperatures: list[tuple[int, float]] = field(default_factory=list)
    """(slice number, mean °C of the water in it)"""
    shares: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    alarms: dict[str, Alarm] = field(default_factory=dict)
    pending: list[Entry] = field(default_factory=list)
    """Entries about a time that has not come."""
    open_changes: list[tuple[int, int]] = field(default_factory=list)
    """Water changes that are not over: beginning and end on the line."""
    again: list[int] = field(default_factory=list)
    """Ends (UTC) of nights whose numbers an entry has changed."""


class LevelWatch:
    """An `Observer`. Deterministic; everything that it knows is in `state`."""

    name = "level"

    def __init__(self, plan: LevelPlan) -> None:
        self._plan = plan
        self._words = LevelWords(plan)
        self._zone = ZoneInfo(plan.zone)
        self.model = LevelModel(
            plan.geometry,
            tuple(channel.spec for channel in plan.floats),
            plan.gauge.spec if plan.gauge else None,
        )
        self._floats = {channel.spec.name: channel for channel in plan.floats}
        self._wanted = {
            *self._floats,
            *plan.water,
            *(name for name in (plan.room, plan.humidity) if name),
            *((plan.gauge.name,) if plan.gauge else ()),
        }
        self._keeping = Keeping()
        self._anew()

    def _anew(self) -> None:
        self.level: LevelState | None = None
        self.memory = Memory()
        self._latest: dict[str, tuple[int, float]] = {}
        self._slice_sum: list[float] = [0.0, 0.0]
        self._slice = 0
        self._share_sums: dict[str, list[float]] = {}
        self._announced = False
        self._found: list[Finding] = []
        self._minute = -1
        self._facts = _Facts()

    # --- taking in ---------------------------------------------------------------------------

    def see(self, reading: Reading) -> Iterable[Finding]:
        """Takes one judged reading."""
        if reading.channel not in self._wanted:
            return ()
        now_ms = self._advance(reading.moment)
        self._take(reading, now_ms)
        return self._drained()

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        """Takes a journal entry; `struck` is the earlier one that it strikes out."""
        if struck is not None:
            self._strike(struck)
        if entry.kind in KINDS:
            self.memory.pending.append(entry)
            del self.memory.pending[:-_PENDING_MOST]
            self._take_entries()
        return self._drained()

    def tick(self, now: Moment) -> Iterable[Finding]:
        """Lets time pass; the first tick after a start says how every alarm stands."""
        self._advance(now)
        self._take_entries()
        if not self._announced:
            self._announced = True
            if self.level is not None and self.level.slices:
                self._facts = self._gather(self.level, self.level.now_ms)
            self._found = [self._standing(name, now) for name in self._alarm_names()]
        return self._drained()

    def _drained(self) -> list[Finding]:
        found, self._found = self._found, []
        return found

    def _state(self, now_ms: int) -> LevelState:
        """The model's state; anew after a gap that leaves nothing of the old one."""
        if self.level is None or now_ms - self.level.now_ms > _ANEW_AFTER_MS:
            self.level = self.model.start(now_ms)
            memory = self.memory
            memory.looked_ms = now_ms - now_ms % rules.LOOK_EVERY_MS
            memory.windows_ms = now_ms - now_ms % rules.WINDOW_MS
            memory.shares, memory.temperatures = {}, []
        return self.level

    def _advance(self, now: Moment) -> int:
        """Moves on to a moment: closes slices and asks the rules at each boundary that was
        passed."""
        memory = self.memory
        now_ms = memory.line.at(now)
        state = self._state(now_ms)
        if now_ms <= state.now_ms:
            return now_ms
        due_ms = memory.looked_ms + rules.LOOK_EVERY_MS
        if now_ms > due_ms:
            # after a gap the rules are asked about its end only: nothing was seen in between
            boundary = (now_ms - 1) // rules.LOOK_EVERY_MS * rules.LOOK_EVERY_MS
            self.level = self.model.tick(state, boundary)
            self._close_slice(boundary // self.model.slice_ms)
            memory.looked_ms = boundary
            if boundary >= memory.windows_ms + rules.WINDOW_MS:
                self._keep_window(boundary // rules.WINDOW_MS * rules.WINDOW_MS)
            self._judge(boundary, now)
        self.level = self.model.tick(self.level or state, now_ms)
        self._close_slice(now_ms // self.model.slice_ms)
        return now_ms

    def _close_slice(self, index: int) -> None:
        """Keeps the means of the slice that has ended."""
        if index <= self._slice:
            return
        if self._slice_sum[1]:
            self.memory.temperatures.append((self._slice, self._slice_sum[0] / self._slice_sum[1]))
            del self.memory.temperatures[:-300]
        for name, (total, count) in self._share_sums.items():
            kept = self.memory.shares.setdefault(name, [])
            kept.append((self._slice, total / count))
            del kept[:-_SHARES_KEPT]
        self._slice_sum = [0.0, 0.0]
        self._share_sums = {}
        self._slice = index

    def _take(self, reading: Reading, now_ms: int) -> None:
        value = reading.value
        if value is None or reading.flag in (Flag.FAIL, Flag.MISSING):
            return
        name = reading.channel
        if name in self._floats:
            self._take_share(self._floats[name], reading, value, now_ms)
        elif self._plan.gauge is not None and name == self._plan.gauge.name:
            # the model weighs outliers itself; a line that does not move is no measurement
            if reading.flag in _FLAG_OF_LEVEL or "flat" not in reading.tests:
                self._update(Gauge(now_ms, value), now_ms)
        else:
            self._latest[name] = (now_ms, value)
            if name in self._plan.water:
                self._slice_sum[0] += value
                self._slice_sum[1] += 1.0
                self._take_climate(now_ms)

    def _take_share(
        self, channel: FloatChannel, reading: Reading, share: float, now_ms: int
    ) -> None:
        looks = _looks(reading.raw) or channel.looks
        told = self.level.last if self.level else ()
        last = next((t for name, _, t in told if name == reading.channel), None)
        begin = now_ms - round(channel.every_s * 1000)
        if last is not None:
            begin = max(begin, min(last, now_ms - 1))
        share = min(1.0, max(0.0, share))
        self._update(Share(reading.channel, begin, now_ms, share, looks), now_ms)
        sums = self._share_sums.setdefault(reading.channel, [0.0, 0.0])
        sums[0] += share
        sums[1] += 1.0

    def _take_climate(self, now_ms: int) -> None:
        if now_ms - self.memory.told_expect_ms < _EXPECT_EVERY_MS:
            return
        water = self._water_now(now_ms)
        room = self._fresh(self._plan.room, now_ms)
        if water is None or room is None:
            return
        self.memory.told_expect_ms = now_ms
        humidity = self._fresh(self._plan.humidity, now_ms)
        rel_sd = self._plan.physics_rel_sd
        if humidity is None:
            humidity, rel_sd = _NO_HUMIDITY, math.hypot(rel_sd, _NO_HUMIDITY_REL_SD)
        foretold = expected(
            Water(water, self._plan.salinity_g_kg),
            Air(room, min(100.0, max(0.0, humidity))),
            self._plan.area_mm2,
        )
        self._update(Expect(now_ms, foretold.ml_per_h, rel_sd), now_ms)

    def _water_now(self, now_ms: int) -> float | None:
        values = [v for n in self._plan.water if (v := self._fresh(n, now_ms)) is not None]
        return median(values) if values else None

    def _fresh(self, name: str | None, now_ms: int) -> float | None:
        at_ms, value = self._latest.get(name or "", (0, math.nan))
        return value if name and 0 <= now_ms - at_ms <= _CLIMATE_STALE_MS and at_ms else None

    def _update(self, evidence: Share | Gauge | Expect | Pour | WaterChange, now_ms: int) -> None:
        self.level = self.model.update(self._state(now_ms), evidence, now_ms)

    # --- the journal -------------------------------------------------------------------------

    def _take_entries(self) -> None:
        """Takes the entries whose time has come."""
        memory = self.memory
        if self.level is None:
            return
        now_ms = self.level.now_ms
        for ended in [c for c in memory.open_changes if c[1] <= now_ms]:
            memory.open_changes.remove(ended)
            self._update(WaterChange(*ended), now_ms)
        if not memory.pending:
            return
        due = [e for e in memory.pending if memory.line.of_utc(e.at_ms) <= now_ms]
        if not due:
            return
        memory.pending = [e for e in memory.pending if memory.line.of_utc(e.at_ms) > now_ms]
        for entry in sorted(due, key=lambda e: (e.at_ms, e.id)):
            at_ms = memory.line.of_utc(entry.at_ms)
            if entry.kind == WATER_CHANGE:
                change = change_of(entry, at_ms)
                if change.t1_ms is not None and change.t1_ms > now_ms:
                    memory.open_changes.append((change.t0_ms, change.t1_ms))
                    change = WaterChange(change.t0_ms, None)
                self._update(change, now_ms)
            else:
                pour = pour_of(entry, at_ms)
                if isinstance(pour, str):
                    continue
                self._update(pour, now_ms)
            self._nights_again(entry.at_ms)

    def _strike(self, struck: Entry) -> None:
        memory = self.memory
        waiting = [e for e in memory.pending if e.id != struck.id]
        if len(waiting) < len(memory.pending):
            memory.pending = waiting
            return
        if self.level is None:
            return
        at_ms = memory.line.of_utc(struck.at_ms)
        if struck.kind == WATER_CHANGE:
            change = change_of(struck, at_ms)
            memory.open_changes = [c for c in memory.open_changes if c[0] != change.t0_ms]
            self.level = self.model.retract(self.level, change)
            self._nights_again(struck.at_ms)
        elif struck.kind in KINDS:
            pour = pour_of(struck, at_ms)
            if isinstance(pour, Pour):
                # the line may have moved a little against the wall clock since it was taken
                near = min(
                    (p for p in self.level.pours if p.ml == pour.ml),
                    key=lambda p: abs(p.t_ms - pour.t_ms),
                    default=None,
                )
                if near is not None and abs(near.t_ms - pour.t_ms) < _HOUR_MS:
                    self.level = self.model.retract(self.level, near)
                    self._nights_again(struck.at_ms)

    def _nights_again(self, at_utc: int) -> None:
        """Nights that have been published and reach to or past a changed time are worked out
        anew: the last two at most."""
        done = self.memory.night_done_utc
        if not done:
            return
        for night in last_nights(done, 2, self._zone, self._plan.night_from, self._plan.night_to):
            if night.end_utc_ms <= self.memory.night_first_utc:
                continue
            if night.end_utc_ms >= at_utc >= night.start_utc_ms - 12 * _HOUR_MS:
                self.memory.again.append(night.end_utc_ms)

    # --- the rules ---------------------------------------------------------------------------

    def _keep_window(self, end_ms: int) -> None:
        memory = self.memory
        assert self.level is not None
        memory.windows_ms = end_ms
        begin = end_ms - rules.WINDOW_MS
        try:
            ml, sd = self.model.expected_loss(self.level, begin, end_ms)
        except ValueError:
            return
        hours = rules.WINDOW_MS / _HOUR_MS
        ml -= self._swelling_ml(begin, end_ms)
        newest = memory.past[-1].end_ms if memory.past else 0
        bound = self._facts.bound
        if bound is not None and rules.unlike(ml / hours, bound) and end_ms - newest < _CHANGED_MS:
            return  # a leak must not become the usual; what stays for a week does
        memory.past.append(
            rules.PastWindow(end_ms, ml / hours, sd / hours, self._expected(begin, end_ms))
        )
        del memory.past[: -rules.MOST_WINDOWS]

    def _expected(self, begin_ms: int, end_ms: int) -> float | None:
        """Mean of what physics expected, mL/h; None where it was silent for half of the time."""
        assert self.level is not None
        first, last = begin_ms // self.model.slice_ms, (end_ms - 1) // self.model.slice_ms
        told = [
            s.expect_ml_per_h
            for s in self.level.slices
            if first <= s.index <= last and s.expect_ml_per_h is not None
        ]
        return sum(told) / len(told) if len(told) * 2 >= last - first + 1 else None

    def _swelling_ml(self, begin_ms: int, end_ms: int) -> float:
        """What the level makes of the water's cooling between two times: mL that seem lost;
        negative where it grew warmer."""
        first, last = begin_ms // self.model.slice_ms, (end_ms - 1) // self.model.slice_ms
        known = [(i, t) for i, t in self.memory.temperatures if first <= i <= last]
        if len(known) < 6:
            return 0.0
        early = sum(t for _, t in known[:3]) / 3
        late = sum(t for _, t in known[-3:]) / 3
        return EXPANSION_PER_K * self._plan.volume_ml * (early - late)

    def _judge(self, now_ms: int, at: Moment) -> None:
        """Asks every rule."""
        state = self.level
        assert state is not None
        if not state.slices or now_ms - state.marks[0].t_ms < 2 * _HOUR_MS:
            return
        blind = now_ms - (state.slices[-1].index + 1) * self.model.slice_ms > _HOUR_MS
        self._facts = facts = self._gather(state, now_ms)
        rate, bound, level, odd = facts.rate, facts.bound, facts.level, facts.odd
        assert rate is not None
        assert bound is not None
        alarms = self._alarm
        leak = alarms("level.leak")
        if not blind:
            racing = facts.leaking is not None or (
                leak.active and not rules.leaks_no_more(rate, bound)
            )
            seeping = rules.seeps(facts.steady, self.memory.past)
            self._turn("level.leak", racing or seeping, now_ms, at, on=2, off=4)
            still = facts.idle is not None and rules.stands_still(facts.idle, bound)
            self._turn("level.standstill", still, now_ms, at, on=4, off=4)
            geometry = self._plan.geometry
            low = rules.wants_water(
                facts.reserve, level, geometry.lowest_safe_mm, alarms("level.top-up").active
            )
            self._turn("level.top-up", low, now_ms, at, on=2, off=1)
            high = rules.too_high(level, geometry.highest_safe_mm, alarms("level.too-high").active)
            self._turn("level.too-high", high, now_ms, at, on=2, off=1)
        if now_ms - state.marks[0].t_ms < rules.ACQUAINTED_MS:
            return
        both = self._plan.gauge is not None and bool(self._floats)
        self._turn(
            "level.disagree", bool(odd) and (both or bool(state.inverted)), now_ms, at, on=4, off=2
        )
        for name, channel in self._floats.items():
            self._judge_float(name, channel, name in odd and name not in state.inverted, now_ms, at)

    def _gather(self, state: LevelState, now_ms: int) -> _Facts:
        """What the rules look at, in one passage through the ledger."""
        thermal = self._swelling_ml(now_ms - 3 * _HOUR_MS, now_ms) / 3.0
        rate = rules.RateNow.of(self.model.rate_view(state), thermal)
        bound = rules.usual(rate, self.memory.past, self._plan.physics_rel_sd)
        lowest = self._plan.geometry.lowest_safe_mm
        return _Facts(
            rate,
            bound,
            rules.steady_part(self.memory.past),
            self.model.level_now(state, brief=True),
            self.model.to_fill_mark(state, brief=True),
            self.model.hours_to(state, lowest, brief=True),
            self.model.rate_now(state, brief=True),
            self.model.distrusted(state),
            self._leaking(state, now_ms, rate, bound),
            self._over(state, now_ms, rules.STILL_WINDOW_H, rate)
            if rate.ml_per_h < 0.5 * bound.middle
            else None,
        )

    def _leaking(
        self, state: LevelState, now_ms: int, rate: rules.RateNow, bound: rules.Usual
    ) -> rules.RateNow | None:
        """The mean rate over the shortest window in which it is a leak's."""
        if not rules.suspicious(rate, bound):
            return None
        for hours in rules.LEAK_WINDOWS_H:
            over = self._over(state, now_ms, hours, rate)
            if over is not None and rules.leaks(over, bound):
                return over
        return None

    def _over(
        self, state: LevelState, now_ms: int, hours: int, rate: rules.RateNow
    ) -> rules.RateNow | None:
        """The mean rate over the last hours; None where they were not all seen."""
        begin = now_ms - hours * _HOUR_MS
        if begin < state.marks[0].t_ms:
            return None
        ml, sd = self.model.expected_loss(state, begin, now_ms)
        thermal = self._swelling_ml(begin, now_ms) / hours
        return replace(rate, ml_per_h=ml / hours - thermal, sd=sd / hours, thermal=thermal)

    def _judge_float(
        self, name: str, channel: FloatChannel, odd: bool, now_ms: int, at: Moment
    ) -> None:
        shares = self.memory.shares.get(name, [])
        hour = [share for _, share in shares[-6:]]
        mean = sum(hour) / len(hour) if hour else 0.5
        height = channel.spec.height_mm - 0.5 * channel.spec.differential_mm
        chatters = bool(shares) and (
            rules.chatters(shares, self.model.slice_ms, height, self._facts.level)
            or (odd and rules.mostly_partly(hour))
        )
        for kind, seen in (
            ("stuck-up", odd and mean >= rules.STUCK_UP),
            ("stuck-down", odd and mean <= rules.STUCK_DOWN),
            ("chattering", chatters),
        ):
            self._turn(f"{name}.{kind}", seen, now_ms, at, on=4, off=2)

    def _alarm_names(self) -> tuple[str, ...]:
        return (*LEVEL_ALARMS, *self._plan.alarms())

    def _alarm(self, name: str) -> Alarm:
        return self.memory.alarms.setdefault(name, Alarm())

    def _turn(self, name: str, seen: bool, now_ms: int, at: Moment, *, on: int, off: int) -> None:
        if self._alarm(name).turn(seen, now_ms, on, off):
            self._found.append(self._standing(name, at))

    def _standing(self, name: str, now: Moment) -> Finding:
        """How an alarm stands, in words."""
        alarm = self._alarm(name)
        since = None
        if alarm.active:
            ago = max(0, self.memory.line.at(now) - alarm.since_ms)
            since = Moment(now.mono_ms - ago, now.utc_ms - ago, now.epoch)
        return Finding(
            name, alarm.active, self._priority(name), self._message(name, alarm, since, now), since
        )

    def _priority(self, name: str) -> Priority:
        if name == "level.leak":
            return Priority.HIGH
        if name == "level.top-up":
            level = self._facts.level
            below = level is not None and level.value <= self._plan.geometry.lowest_safe_mm
            return Priority.HIGH if below else Priority.MEDIUM
        return Priority.LOW if name == "level.standstill" else Priority.MEDIUM

    def _message(self, name: str, alarm: Alarm, since: Moment | None, now: Moment) -> Message:
        words, facts, on = self._words, self._facts, alarm.active
        since = since or now
        if name == "level.leak":
            if not on or facts.rate is None or facts.bound is None:
                return words.no_leak(facts.rate)
            if facts.leaking is not None or facts.steady is None:
                return words.leak(facts.leaking or facts.rate, facts.bound, since, now)
            return words.seep(facts.steady, since, now)
        if name == "level.standstill":
            if not on or facts.rate is None or facts.bound is None:
                return words.evaporates()
            return words.standstill(facts.idle or facts.rate, facts.bound, since, now)
        if name == "level.top-up":
            if not on:
                return words.topped_up(facts.level)
            return words.top_up(facts.level, facts.missing, facts.reserve)
        if name == "level.too-high":
            return words.too_high(facts.level, facts.missing) if on else words.not_too_high()
        if name == "level.disagree":
            inverted = self.level.inverted if self.level else ()
            return words.disagree(facts.odd or inverted, inverted) if on else words.agree()
        channel, _, kind = name.rpartition(".")
        of = self._floats[channel]
        return words.float_fault(kind, of) if on else words.float_well(of)

    # --- answers -----------------------------------------------------------------------------

    def estimates(self, now: Moment) -> Iterable[Published]:
        """Level, rate, water to the fill mark and reserve once an hour; a night's numbers once it
        has ended, and again when an entry has changed them."""
        state, memory = self.level, self.memory
        if state is None:
            return ()
        out: list[Published] = []
        if memory.looked_ms - memory.published_ms >= _HOUR_MS and self._facts.rate is not None:
            memory.published_ms = memory.looked_ms - memory.looked_ms % _HOUR_MS
            out += self._hourly(state, memory.line.to_utc(memory.looked_ms))
        minute = now.utc_ms // 60_000
        if minute != self._minute:
            self._minute = minute
            night = self._ended(now.utc_ms - _AFTER_NIGHT_MS)
            if memory.night_done_utc and night.end_utc_ms > memory.night_done_utc:
                out += self.of_night(night, state)
            if not memory.night_done_utc:
                memory.night_first_utc = night.end_utc_ms
            memory.night_done_utc = max(night.end_utc_ms, memory.night_done_utc)
        if memory.again:
            for end_utc in sorted(set(memory.again)):
                out += self.of_night(self._ended(end_utc), state)
            memory.again = []
        return out

    def _ended(self, utc_ms: int) -> Night:
        """The last night that has ended by a time."""
        plan = self._plan
        return last_nights(utc_ms, 1, self._zone, plan.night_from, plan.night_to)[0]

    def _hourly(self, state: LevelState, at_utc: int) -> list[Published]:
        """What the rules last saw."""
        basis = self.model.recent_basis(state)
        facts = self._facts
        return [
            _published(name, at_utc, unit, replace(answer, basis=basis))
            for name, unit, answer in (
                ("level.now", "mm", facts.level_said),
                ("level.rate", "mL/h", facts.rate_said),
                ("level.to-mark", "mL", facts.missing_said),
                ("level.reserve", "h", facts.reserve_said),
            )
            if answer is not None
        ]

    def of_night(self, night: Night, state: LevelState) -> list[Published]:
        """The numbers of one night: loss, rate, what physics expected, what was odd."""
        begin = self.memory.line.of_utc(night.start_utc_ms)
        end = self.memory.line.of_utc(night.end_utc_ms)
        at = night.end_utc_ms
        loss = self.model.loss(state, begin, end)
        if isinstance(loss, Estimate):
            shift = self._swelling_ml(begin, end)
            loss = Estimate(
                loss.value - shift,
                max(0.0, loss.low - shift),
                max(0.0, loss.high - shift),
                loss.unit,
                loss.basis,
                loss.window,
            )
            rate: Estimate | NotEnough = loss.scaled(_HOUR_MS / (end - begin), "mL/h")
        else:
            rate = loss
        foretold = self._expected(begin, end)
        hours = (end - begin) / _HOUR_MS
        spread = _Z * self._plan.physics_rel_sd
        odd = self._oddities(state, begin, end)
        return [
            _published("night.loss", at, "mL", loss),
            _published("night.rate", at, "mL/h", rate),
            Published(
                "night.expected",
                at,
                "mL",
                foretold and foretold * hours,
                foretold and foretold * hours * max(0.0, 1 - spread),
                foretold and foretold * hours * (1 + spread),
                "physics, from water, room and humidity"
                if foretold
                else "Water and room temperature were not seen together.",
            ),
            Published("night.odd", at, "1", float(len(odd)), None, None, "\n".join(odd)),
        ]

    def _oddities(self, state: LevelState, begin: int, end: int) -> list[str]:
        said = [
            _odd_in_words(odd, self._clock(odd.t_ms), self._words)
            for odd in _told(self.model.oddities(state, begin, end))
        ]
        said += [
            refused.reason
            for refused in state.refused
            if begin - 12 * _HOUR_MS <= refused.t_ms < end and "pour" in refused.reason.lower()
        ]
        return list(dict.fromkeys(said))

    def _clock(self, line_ms: int) -> str:
        utc_ms = self.memory.line.to_utc(line_ms)
        return f"{dt.datetime.fromtimestamp(utc_ms / 1000, self._zone):%H:%M}"

    def calibration(self, window_ms: int, sd_ml: float) -> CalibrationWorth | NotEnough | None:
        """What one pour up to the mark, measured to `sd_ml`, would do to the interval of the loss
        in the last `window_ms`; None before there is anything to say."""
        state = self.level
        if state is None or not state.slices:
            return None
        geometry = self._plan.geometry
        # from the middle of what is safe below the mark, in a round number
        ml = max(1.0, round(-0.6 * geometry.lowest_safe_mm / geometry.mm_per_ml / 50.0)) * 50.0
        end = state.now_ms
        return self.model.calibration_worth(state, end - window_ms, end, ml, sd_ml)

    def missing_to_mark(self) -> Estimate | None:
        """How much fresh water is missing to the fill mark, mL, as last looked at; None when there
        is not enough evidence."""
        return self._facts.missing

    # --- keeping -----------------------------------------------------------------------------

    def state(self) -> str:
        """All that it knows, as JSON."""
        memory = self.memory
        return json.dumps(
            {
                "form": FORM,
                "level": None if self.level is None else self._keeping.text(self.level),
                "line": memory.line.kept(),
                "times": [
                    memory.looked_ms,
                    memory.windows_ms,
                    memory.published_ms,
                    memory.told_expect_ms,
                    memory.night_done_utc,
                    memory.night_first_utc,
                ],
                "past": [asdict(window) for window in memory.past],
                "temperatures": memory.temperatures,
                "shares": memory.shares,
                "alarms": {name: asdict(alarm) for name, alarm in memory.alarms.items()},
                "pending": [asdict(entry) for entry in memory.pending],
                "open changes": memory.open_changes,
                "again": memory.again,
                "latest": self._latest,
                "slice": [self._slice, self._slice_sum, self._share_sums],
            }
        )

    def restore(self, state: str) -> None:
        """The inverse of `state`. Raises ValueError for what it can't use."""
        try:
            self._restore(json.loads(state))
        except (KeyError, TypeError, AttributeError) as damage:
            self._anew()
            raise ValueError(f"A damaged state of the level watch ({damage!r}).") from damage
        except ValueError:
            self._anew()
            raise

    def _restore(self, body: dict[str, Any]) -> None:
        if body["form"] != FORM:
            raise ValueError(f"A level watch of form {body['form']}, not {FORM}.")
        self._anew()
        level = None if body["level"] is None else revived(body["level"])
        memory = Memory(line=Timeline.revived(body["line"]))
        (
            memory.looked_ms,
            memory.windows_ms,
            memory.published_ms,
            memory.told_expect_ms,
            memory.night_done_utc,
            memory.night_first_utc,
        ) = body["times"]
        memory.past = [rules.PastWindow(**window) for window in body["past"]]
        memory.temperatures = [(int(i), float(t)) for i, t in body["temperatures"]]
        memory.shares = {
            name: [(int(i), float(s)) for i, s in kept]
            for name, kept in body["shares"].items()
            if name in self._floats
        }
        known = set(self._alarm_names())
        memory.alarms = {n: Alarm(**a) for n, a in body["alarms"].items() if n in known}
        memory.pending = [Entry(**entry) for entry in body["pending"]]
        memory.open_changes = [(int(a), int(b)) for a, b in body["open changes"]]
        memory.again = [int(end) for end in body["again"]]
        if level is not None and not self._fits(level):
            raise ValueError("The level's sensors have changed.")
        self.level, self.memory = level, memory
        self._latest = {n: (int(t), float(v)) for n, (t, v) in body["latest"].items()}
        self._slice, self._slice_sum, self._share_sums = body["slice"]

    def _fits(self, level: LevelState) -> bool:
        """Whether a state was made with as many sensors as there are now."""
        places = len(self._plan.floats)
        return all(len(mark.bank.odds) == places + 1 for mark in level.marks)


Answer = Estimate | NotEnough

LEVEL_ALARMS = (
    "level.leak",
    "level.standstill",
    "level.disagree",
    "level.top-up",
    "level.too-high",
)


@dataclass(frozen=True, slots=True)
class _Facts:
    """What the rules last saw."""

    rate: rules.RateNow | None = None
    bound: rules.Usual | None = None
    steady: rules.Constant | None = None
    level_said: Answer | None = None
    missing_said: Answer | None = None
    reserve_said: Answer | None = None
    rate_said: Answer | None = None
    odd: tuple[str, ...] = ()
    """Sensors that contradict the rest."""
    leaking: rules.RateNow | None = None
    idle: rules.RateNow | None = None
    """The mean over hours, where the rate is low."""

    @property
    def level(self) -> Estimate | None:
        return _number(self.level_said)

    @property
    def missing(self) -> Estimate | None:
        return _number(self.missing_said)

    @property
    def reserve(self) -> Estimate | None:
        return _number(self.reserve_said)


def _number(answer: Answer | None) -> Estimate | None:
    return answer if isinstance(answer, Estimate) else None


def _looks(raw: str) -> int | None:
    """The number of looks in ``closed 12/60, 5 changes``."""
    if not raw.startswith("closed "):
        return None
    _, _, rest = raw.partition("/")
    digits = rest.split(",")[0]
    return int(digits) if digits.isdigit() and int(digits) > 0 else None


def _published(name: str, at_ms: int, unit: str, answer: Estimate | NotEnough) -> Published:
    if isinstance(answer, NotEnough):
        return Published(name, at_ms, unit, None, None, None, answer.reason)
    return Published(name, at_ms, unit, answer.value, answer.low, answer.high, _rests(answer.basis))


def _rests(basis: tuple[Basis, ...]) -> str:
    return ", ".join(str(part) for part in basis) or "the nights before and physics"


def _told(oddities: tuple[Oddity, ...]) -> list[Oddity]:
    """Oddities worth telling: a step that is lost in its own uncertainty is none, and a rise with a
    fall of the same size after it is a pump that stood."""
    out: list[Oddity] = []
    sized = [o for o in oddities if o.kind == "rate break" or abs(o.ml) > 2.0 * o.sd_ml]
    for odd in sized:
        before = out[-1] if out else None
        if (
            before is not None
            and before.ml * odd.ml < 0
            and before.ml > 0
            and abs(before.ml + odd.ml) < 2.0 * math.hypot(before.sd_ml, odd.sd_ml)
            and odd.t_ms - before.t_ms < 24 * _HOUR_MS
        ):
            out[-1] = Oddity(before.t_ms, "pump stood", before.ml, before.sd_ml)
            continue
        out.append(odd)
    return out


def _odd_in_words(odd: Oddity, at: str, words: LevelWords) -> str:
    about = words.volume(abs(odd.ml))
    if odd.kind == "pump stood":
        return f"{at}: the level rose by {about} and fell again, as when the pump stands."
    if odd.kind == "pour not seen":
        return f"{at}: a pour of {about} was noted, and the level did not see it."
    if odd.kind == "rate break":
        return f"{at}: the rate changed suddenly."
    if odd.ml > 0:
        return f"{at}: about {about} seem to have been poured in and not noted."
    return f"{at}: about {about} went at once."
