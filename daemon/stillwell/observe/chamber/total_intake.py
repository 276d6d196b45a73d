"""Turns readings of the chamber, the reservoir and the top-up's pump into readings of the total
water, and knows what is left in the reservoir."""

from __future__ import annotations

import math
from collections.abc import Iterator
from statistics import median

from stillwell.estimate.level.doses import Doses
from stillwell.estimate.level.evidence import Evidence, Gauge, Pour, WaterChange
from stillwell.estimate.level.geometry import GaugeSpec, Habits
from stillwell.observe.chamber.plan import AddedBy, TopUpPlan
from stillwell.observe.chamber.record import LevelRecord
from stillwell.observe.chamber.total import REACH_MM, Run, Total

_SMOOTH_MS = 600_000
_SIDE_MS = 600_000
"""The chamber's level before and after a run of the pump is the mean of so long."""
_RUNS_KNOWN, _RUNS_KEPT = 12, 60


class TotalIntake:
    """Turns readings of the chamber, the reservoir and the pump into those of the total water."""

    def __init__(self, record: LevelRecord) -> None:
        self._record = record
        self._plan = plan = record.plan
        self._by = record.added_by
        self._said: TopUpPlan = plan.top_up or TopUpPlan()
        self._per = plan.geometry.mm_per_ml
        self._gauge = plan.gauge.name if plan.gauge else ""
        self._reservoir = self._said.gauge.name if self._said.gauge else ""
        self.channels = frozenset(
            filter(None, (self._gauge, self._reservoir, self._said.pump, self._said.low_float))
        )

    @property
    def _total(self) -> Total:
        return self._record.memory.total

    def take(self, channel: str, value: float, now_ms: int) -> Iterator[Evidence]:
        """Takes a reading; yields what it says of the total water."""
        total = self._total
        if channel == self._said.low_float:
            total.low = value < 0.5
        elif channel == self._said.pump:
            yield from self._ran(value, now_ms)
        elif channel == self._reservoir:
            yield from self._in_reservoir(value, now_ms)
        elif channel == self._gauge:
            yield from self._in_chamber(value, now_ms)

    def _in_chamber(self, mm: float, now_ms: int) -> Iterator[Evidence]:
        total = self._total
        total.chamber_mm = _smoothed(total.chamber_mm, mm, now_ms - total.chamber_ms)
        total.chamber_ms = now_ms
        if total.held_mm is None:
            total.held_mm = mm
        # the height that is exceeded for half of the time, by small steps: a median over days
        total.held_mm += 0.002 * (1.0 if mm > total.held_mm else -1.0)
        if self._by is AddedBy.PUMP:
            total.recent = [r for r in total.recent if r[0] > now_ms - 4 * _SIDE_MS]
            total.recent.append((now_ms, mm))
            self._learn(now_ms)
            if self.mm_per_s is not None:
                yield from self._read(now_ms, mm - total.brought_mm)
        elif self._by is AddedBy.DOSES:
            if total.doses is None:
                spec = self._plan.gauge.spec if self._plan.gauge else GaugeSpec()
                noise = math.hypot(spec.noise_mm, spec.step_mm / math.sqrt(12.0))
                total.doses = Doses(noise, Habits().typical_ml_per_h * self._per)
            for at_ms, decided in total.doses.see(now_ms, mm):
                if total.doses.seen:
                    yield from self._read(at_ms, decided)

    def _in_reservoir(self, mm: float, now_ms: int) -> Iterator[Evidence]:
        total, ratio = self._total, self._plan.geometry.area_mm2 / (self._said.area_mm2 or 1.0)
        total.reservoir_mm = _smoothed(total.reservoir_mm, mm, now_ms - total.reservoir_ms)
        total.reservoir_ms = now_ms
        if not total.falls or now_ms - total.falls[-1][0] >= _SIDE_MS // 2:
            total.falls = [f for f in total.falls if f[0] > now_ms - 6 * _SIDE_MS]
            total.falls.append((now_ms, total.reservoir_mm))
        chamber = 0.0
        if self._gauge:
            if total.chamber_mm is None or now_ms - total.chamber_ms > 2 * _SMOOTH_MS:
                return
            chamber = total.chamber_mm
        yield from self._read(now_ms, mm + chamber * ratio)

    def _read(self, at_ms: int, mm: float) -> Iterator[Evidence]:
        """Yields a reading of the total water; sets a counter back where it has come far."""
        total = self._total
        if self._by is not AddedBy.RESERVOIR and mm + total.base_mm < -REACH_MM:
            total.base_mm = -mm
            yield WaterChange(at_ms, at_ms)
        yield Gauge(at_ms, mm + total.base_mm)

    # --- the pump ------------------------------------------------------------------------------

    @property
    def mm_per_s(self) -> float | None:
        """Returns how fast the pump lifts the chamber, mm/s; None before it is known."""
        if self._said.ml_per_h is not None:
            return self._said.ml_per_h / 3600.0 * self._per
        seen = [run for run in self._total.runs if run.rise_mm is not None]
        if len(seen) < _RUNS_KNOWN:
            return None
        return median((run.rise_mm or 0.0) / run.seconds for run in seen)

    def _ran(self, share: float, now_ms: int) -> Iterator[Evidence]:
        total = self._total
        every_ms = round(self._said.pump_every_s * 1000)
        if share > 0.0:
            seconds = min(1.0, share) * self._said.pump_every_s
            if total.running_since_ms is None:
                total.running_since_ms = now_ms - every_ms
                total.runs = [*total.runs, Run(now_ms - every_ms, now_ms, 0.0)][-_RUNS_KEPT:]
            run = total.runs[-1]
            run.seconds += seconds
            run.end_ms = now_ms
            total.brought_mm += seconds * (self.mm_per_s or 0.0)
            return
        if total.running_since_ms is not None:
            total.running_since_ms = None
            if not self._gauge and self.mm_per_s is not None:
                # the controller has brought the chamber back to where it holds it
                yield from self._read(now_ms, -total.brought_mm)

    def _learn(self, now_ms: int) -> None:
        """Measures by how much the chamber rose over the last run."""
        runs = self._total.runs
        if not runs or runs[-1].rise_mm is not None or self._total.running_since_ms is not None:
            return
        run = runs[-1]
        if not run.end_ms + _SIDE_MS <= now_ms < run.end_ms + 2 * _SIDE_MS or not run.seconds:
            return
        before = [v for t, v in self._total.recent if run.begin_ms - _SIDE_MS <= t <= run.begin_ms]
        after = [v for t, v in self._total.recent if run.end_ms < t <= run.end_ms + _SIDE_MS]
        if len(before) < 4 or len(after) < 4:
            return
        rise = sum(after) / len(after) - sum(before) / len(before)
        # what evaporated from the middle of the one to the middle of the other
        between = run.end_ms - run.begin_ms + _SIDE_MS
        cycle = run.begin_ms - runs[-2].begin_ms if len(runs) > 1 else 0
        if cycle > 2 * between:
            run.rise_mm = rise / (1.0 - between / cycle)

    def usual_run_s(self) -> float | None:
        """Returns how long the pump usually runs; None before it is known."""
        done = [run.seconds for run in self._total.runs[:-1]]
        return median(done) if len(done) >= 4 else None

    # --- the reservoir -------------------------------------------------------------------------

    def poured(self, pour: Pour) -> None:
        """Takes fresh water that the keeper has noted: it went into the reservoir."""
        full, total = self._said.reservoir_ml, self._total
        if full is None:
            return
        had = self.left_ml() or 0.0
        filled = full if pour.ml is None or pour.to_mark else min(full, had + pour.ml)
        total.left_ml, total.counted_mm = filled, self._counted()

    def _counted(self) -> float:
        total = self._total
        if self._by is AddedBy.DOSES and total.doses is not None and total.doses.sequences:
            return total.doses.sequences[0].x[2]
        return total.brought_mm

    def left_ml(self) -> float | None:
        """Returns what is left in the reservoir, mL; None where nothing shows it."""
        total, said = self._total, self._said
        if self._by is AddedBy.RESERVOIR and total.reservoir_mm is not None:
            full = said.reservoir_ml or 0.0
            return max(0.0, full + total.reservoir_mm * (said.area_mm2 or 0.0) / 1000.0)
        if total.left_ml is None:
            return None
        return max(0.0, total.left_ml - (self._counted() - total.counted_mm) / self._per)

    def fallen_ml(self, now_ms: int) -> float:
        """Returns how much has left the reservoir in the last half hour by its gauge, mL."""
        total = self._total
        lately = [mm for t, mm in total.falls if t >= now_ms - 3 * _SIDE_MS]
        if not lately or total.reservoir_mm is None:
            return 0.0
        return (lately[0] - total.reservoir_mm) * (self._said.area_mm2 or 0.0) / 1000.0

    def why_not(self) -> str:
        """Returns why the loss is not known yet, and what the keeper can do; empty where it is."""
        total = self._total
        if self._by is AddedBy.NOTHING:
            return (
                "An automatic top-up holds the level, and nothing shows how much it adds: put a "
                "gauge into its reservoir, or show its pump by a switch, and name it in "
                "[tank.top_up]."
            )
        if self._by is AddedBy.PUMP and self.mm_per_s is None:
            return (
                "How much the top-up's pump moves is still being learned; or let it run into a jug "
                "for a minute and write rate in [tank.top_up]."
            )
        if self._by is AddedBy.DOSES and (total.doses is None or not total.doses.seen):
            return (
                "The top-up's doses are too small or too few for the gauge in the chamber to see: "
                "put a gauge into its reservoir, or show its pump by a switch, and name it in "
                "[tank.top_up]."
            )
        return ""


def _smoothed(old: float | None, value: float, passed_ms: int) -> float:
    if old is None or passed_ms > 3 * _SMOOTH_MS:
        return value
    return old + (1.0 - math.exp(-passed_ms / _SMOOTH_MS)) * (value - old)
