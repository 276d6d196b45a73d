"""What is wrong with an automatic top-up: its reservoir runs empty, it does not stop, it does not
come. Limits that name no source are our own choice, checked on simulated top-ups."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from stillwell.notice import Facts
from stillwell.observe.chamber import rules
from stillwell.observe.chamber.found import ReservoirLow, TopUpMissing, TopUpRuns
from stillwell.observe.chamber.gathered import Gathered
from stillwell.observe.chamber.plan import AddedBy
from stillwell.observe.chamber.record import LevelRecord
from stillwell.observe.chamber.total_intake import TotalIntake

RESERVOIR_LOW, STUCK_ON, MISSING = "reservoir.low", "top-up.stuck-on", "top-up.missing"
TOP_UP_ALARMS = (RESERVOIR_LOW, STUCK_ON, MISSING)

_LEAST_H = 24.0
"""How long before the reservoir is empty somebody is asked to fill it…"""
_FRIDAY, _NOON, _MONDAY = 4, 12, 7
"""… from Friday noon on before it would be empty by Monday noon: at a weekend nobody may come."""
_CLEAR_H = 12.0
_LONGEST_RUN_S, _RUNS = 600.0, 5.0
_FLOOD_MM = 10.0
_HALF_HOURS = 8.0
"""What leaves the reservoir in half an hour is no dose when it is as much as this many usual half
hours and would lift the chamber by `_FLOOD_MM`."""
_UP_MM, _DOWN_MM = 4.0, 4.0
"""How far from where it is held the chamber stands when too much or nothing is added."""
_BELOW_MARK_MM, _DRY = -6.0, 6
"""Where no gauge shows where it is held: floats so far down hang in the held water, and for so many
slices of ten minutes they have hung dry."""
_QUIET_H, _GAPS = 8.0, 6.0
_FASTER = 1.2
"""The next days may be drier than the last."""
_HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class Supply:
    """How much fresh water is left, and how long it lasts."""

    left_ml: float | None
    lasts_h: tuple[float, float, float] | None
    """Value, low, high."""


def supply(total: TotalIntake, facts: Gathered, uncertainty: float) -> Supply:
    """Returns what is left in the reservoir by the rate at which the tank loses water."""
    left, rate, bound = total.left_ml(), facts.rate, facts.bound
    if left is None or rate is None or bound is None:
        return Supply(left, None)
    per_h = bound.middle if bound.windows else rate.ml_per_h
    if per_h <= 0.5:
        return Supply(left, None)
    low = left * max(0.0, 1.0 - 2.0 * uncertainty) / (per_h * _FASTER)
    return Supply(left, (left / per_h, low, left * (1.0 + 2.0 * uncertainty) * _FASTER / per_h))


def must_last_h(utc_ms: int, zone: ZoneInfo) -> float:
    """Returns for how long the reservoir must last at a time of the week, hours."""
    now = dt.datetime.fromtimestamp(utc_ms / 1000, zone)
    day = now.weekday()
    if day < _FRIDAY or (day == _FRIDAY and now.hour < _NOON):
        return _LEAST_H
    monday = dt.datetime.combine(
        now.date() + dt.timedelta(days=_MONDAY - day), dt.time(_NOON), zone
    )
    return max(_LEAST_H, (monday - now) / dt.timedelta(hours=1))


class TopUpRules:
    """Judges an automatic top-up by what the record knows of it."""

    def __init__(self, record: LevelRecord, total: TotalIntake) -> None:
        self._record = record
        self._intake = total
        self._zone = ZoneInfo(record.plan.zone)
        top_up = record.plan.top_up
        self._uncertainty = top_up.uncertainty if top_up else 0.0
        self._by = record.added_by

    def supply(self, facts: Gathered) -> Supply:
        """Returns what is left, and how long it lasts."""
        return supply(self._intake, facts, self._uncertainty)

    def runs_on(self, facts: Gathered, now_ms: int) -> bool:
        """Whether it adds far more than it should, and does not stop. Cheap: asked at every
        reading."""
        total = self._record.memory.total
        if self._by is AddedBy.PUMP or total.running_since_ms is not None:
            if total.running_since_ms is None:
                return False
            # looks are minutes apart, and a short dose may fall into each of several
            return total.runs[-1].seconds > max(
                _LONGEST_RUN_S, _RUNS * (self._intake.usual_run_s() or 0.0)
            )
        if self._by is not AddedBy.RESERVOIR:
            return False
        room_ml = _FLOOD_MM / self._record.plan.geometry.mm_per_ml
        usual = 0.5 * facts.bound.middle if facts.bound else 0.0
        if self._intake.fallen_ml(now_ms) < max(room_ml, _HALF_HOURS * usual):
            return False
        # a reservoir that was taken away to be filled lifts no chamber
        held, chamber = total.held_mm, total.chamber_mm
        return held is None or chamber is None or chamber > held + _UP_MM

    def runs_low(self, facts: Gathered, now_ms: int, *, already: bool) -> bool:
        """Whether the reservoir must be filled before the next person comes."""
        total = self._record.memory.total
        if total.low:
            return True
        lasts = self.supply(facts).lasts_h
        if lasts is None:
            return already and total.low is None
        utc_ms = self._record.memory.line.to_utc(now_ms)
        must = must_last_h(utc_ms, self._zone)
        return lasts[1] < must + (_CLEAR_H if already else 0.0)

    def misses(self, facts: Gathered, now_ms: int, *, already: bool) -> bool:
        """Whether the water is lower than where it is held, or nothing was added for long."""
        total = self._record.memory.total
        fresh = now_ms - total.chamber_ms < _HOUR_MS
        if total.held_mm is not None and total.chamber_mm is not None and fresh:
            if total.chamber_mm < total.held_mm - _DOWN_MM:
                return True
        elif self._fell_dry(already):
            return True
        if self._by is AddedBy.PUMP and total.runs and total.running_since_ms is None:
            gaps = [
                b.begin_ms - a.begin_ms for a, b in zip(total.runs, total.runs[1:], strict=False)
            ]
            usual = sorted(gaps)[len(gaps) // 2] if len(gaps) >= 4 else 0
            return now_ms - total.runs[-1].end_ms > max(_QUIET_H * _HOUR_MS, _GAPS * usual)
        if self._by is AddedBy.RESERVOIR and facts.idle is not None and facts.bound is not None:
            return rules.stands_still(facts.idle, facts.bound)
        return False

    def _fell_dry(self, already: bool) -> bool:
        """Whether a float that the held water reaches has hung dry for an hour. Where no gauge
        shows the chamber, nothing else is known of its water between two doses."""
        for channel in self._record.plan.floats:
            shares = [share for _, share in self._record.memory.shares.get(channel.spec.name, [])]
            dry = len(shares) > _DRY and max(shares[-_DRY:]) == 0.0
            reached = already or max(shares, default=0.0) == 1.0
            if dry and reached and channel.spec.height_mm < _BELOW_MARK_MM:
                return True
        return False

    def found(self, name: str, facts: Gathered, now_ms: int) -> Facts:
        """Returns what is wrong, as facts."""
        total = self._record.memory.total
        if name == RESERVOIR_LOW:
            supply = self.supply(facts)
            hours = None if supply.lasts_h is None else supply.lasts_h[0]
            return ReservoirLow(supply.left_ml, hours)
        if name == STUCK_ON:
            ran_s = total.runs[-1].seconds if total.running_since_ms is not None else None
            added = self._intake.fallen_ml(now_ms) if self._by is AddedBy.RESERVOIR else None
            return TopUpRuns(ran_s, added, self._intake.left_ml())
        held, chamber = total.held_mm, total.chamber_mm
        below = None if held is None or chamber is None else max(0.0, held - chamber)
        return TopUpMissing(below, self._intake.left_ml())
