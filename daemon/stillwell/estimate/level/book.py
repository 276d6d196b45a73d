"""Takes evidence in: it goes into the ledger, and checkpoints are set along it. Pure: a state
in, a state out."""

from __future__ import annotations

import math
from dataclasses import replace

from stillwell.estimate.level.checkpoint import Checkpoint, first_checkpoint
from stillwell.estimate.level.evidence import (
    Evidence,
    Expect,
    Gauge,
    Pour,
    PumpStopped,
    Share,
    WaterChange,
)
from stillwell.estimate.level.ledger import OpenSlice, Pause, placed, state_before, turned
from stillwell.estimate.level.passage import Passage
from stillwell.estimate.level.physics import Physics
from stillwell.estimate.level.state import LevelState, Refused

_CHECKPOINT_EVERY = 6
"""Slices from checkpoint to checkpoint; about as many as a question about now has to run
through."""
_KEPT_EVERY, _ALL_KEPT = 72, 144
"""Of checkpoints older than the second number of slices, only those on a multiple of the first
are kept."""
_SETTLED = 12
"""The number of slices after which a result is fixed in a checkpoint, until a late pour comes."""
_REACH = 4
"""A pour is looked for within this many slices of its noted time."""
_MOST_POURS = 600
_MOST_REFUSALS = 20
_CHAMBERS = 3.0
"""A pour of more than this many chambers is a typing error."""


class Book:
    """Everything fixed about one chamber that decides how evidence is taken in."""

    def __init__(self, physics: Physics) -> None:
        self.physics = physics
        self.geometry = physics.geometry
        self.slice_ms = physics.habits.slice_min * 60_000

    def start(self, now_ms: int) -> LevelState:
        """Returns a state that knows nothing yet."""
        begin = self._index(now_ms) * self.slice_ms
        return LevelState(now_ms, checkpoints=(first_checkpoint(self.physics, begin),))

    def update(self, state: LevelState, evidence: Evidence, now_ms: int) -> LevelState:
        """Takes in one piece of evidence.

        Readings come in the order of time; pours and pauses may come late, as far back as the
        estimator remembers. Evidence that can't be used goes into `state.refused` with a reason;
        nothing raises."""
        state = self.tick(state, now_ms)
        if isinstance(evidence, Share):
            return self._share(state, evidence)
        if isinstance(evidence, Gauge):
            return self._gauge(state, evidence)
        if isinstance(evidence, Expect):
            return self._expect(state, evidence)
        if isinstance(evidence, Pour):
            return self._pour(state, evidence)
        return self._pause(state, evidence)

    def tick(self, state: LevelState, now_ms: int) -> LevelState:
        """Lets time pass without evidence. A `now_ms` before the state's own is ignored."""
        if now_ms <= state.now_ms:
            return state
        opened = state.open
        if opened is not None and self._index(now_ms) > opened.index:
            return self._close(state.onward(now_ms, opened))
        return state.onward(now_ms, opened)

    def _index(self, t_ms: int) -> int:
        """Returns the slice that evidence at `t_ms` belongs to. What arrives at a slice's very
        end is its last, whichever sensor comes first."""
        return (t_ms - 1) // self.slice_ms

    def retract(self, state: LevelState, evidence: Pour | WaterChange | PumpStopped) -> LevelState:
        """Takes back a pour or a pause that was entered by mistake; it must equal the one
        entered."""
        if isinstance(evidence, Pour):
            pours = tuple(p for p in state.pours if not _same(p, evidence))
            if len(pours) == len(state.pours):
                return self._refuse(state, evidence.t_ms, "No such pour is remembered.")
            return self._reopen(replace(state, pours=pours), evidence.t_ms)
        resets = isinstance(evidence, WaterChange)
        pauses = tuple(
            p for p in state.pauses if not (p.t0_ms == evidence.t0_ms and p.resets == resets)
        )
        if len(pauses) == len(state.pauses):
            return self._refuse(state, evidence.t0_ms, "No such pause is remembered.")
        return self._reopen(replace(state, pauses=pauses), evidence.t0_ms)

    def _share(self, state: LevelState, e: Share) -> LevelState:
        if e.float_name not in self.physics.places:
            return self._refuse(state, e.t1_ms, f"There is no float {e.float_name}.")
        if not (0.0 <= e.share <= 1.0) or e.looks < 1 or e.t1_ms <= e.t0_ms:
            return self._refuse(state, e.t1_ms, f"{e.float_name}: not a share of looks.")
        ready = self._ready(state, e.t1_ms)
        if isinstance(ready, str):
            return self._refuse(state, e.t1_ms, f"{e.float_name}: {ready}")
        state, opened = ready
        last = {name: (share, t) for name, share, t in state.last}
        if e.float_name in last and e.t0_ms < last[e.float_name][1]:
            return self._refuse(state, e.t1_ms, f"{e.float_name}: this time was told before.")
        before = state_before(last.get(e.float_name), e.t0_ms)
        seconds = (e.t1_ms - e.t0_ms) / 1000.0
        opened = opened.with_share(e.float_name, e.share, e.looks, seconds, before)
        last[e.float_name] = (e.share, e.t1_ms)
        kept = tuple((name, share, t) for name, (share, t) in sorted(last.items()))
        return state.onward(state.now_ms, opened, kept)

    def _gauge(self, state: LevelState, e: Gauge) -> LevelState:
        if self.physics.gauge is None:
            return self._refuse(state, e.t_ms, "There is no gauge.")
        low = self.geometry.lowest_safe_mm - 200.0
        high = self.geometry.highest_safe_mm + 200.0
        if not low <= e.mm <= high:
            return self._refuse(state, e.t_ms, f"gauge: {e.mm:g} mm lies outside the chamber.")
        ready = self._ready(state, e.t_ms)
        if isinstance(ready, str):
            return self._refuse(state, e.t_ms, f"gauge: {ready}")
        state, opened = ready
        if opened.gauge and e.t_ms <= opened.gauge[-1][0]:
            return self._refuse(state, e.t_ms, "gauge: this time was told before.")
        return state.onward(state.now_ms, opened.with_gauge(e.t_ms, e.mm))

    def _expect(self, state: LevelState, e: Expect) -> LevelState:
        if not (math.isfinite(e.ml_per_h) and 0 < e.rel_sd < math.inf):
            return self._refuse(state, e.t_ms, "Not an expected rate.")
        ready = self._ready(state, e.t_ms)
        if isinstance(ready, str):
            return self._refuse(state, e.t_ms, f"expected rate: {ready}")
        state, opened = ready
        return state.onward(state.now_ms, opened.with_expect(e.ml_per_h, e.rel_sd))

    def _ready(self, state: LevelState, t_ms: int) -> tuple[LevelState, OpenSlice] | str:
        """Returns the state and the open slice that `t_ms` belongs to, or why there is none."""
        index = self._index(t_ms)
        if t_ms > state.now_ms + self.slice_ms:
            return "it comes from the future: was a clock stepped?"
        newest = (
            state.open.index if state.open else state.slices[-1].index if state.slices else None
        )
        begin = state.checkpoints[-1].t_ms // self.slice_ms
        if index < begin or (newest is not None and index < newest):
            return "it comes too late: was a clock stepped?"
        if state.open is None:
            if newest is not None and index == newest:
                return "it comes too late."
            return state, OpenSlice(index)
        if state.open.index == index:
            return state, state.open
        return self._close(state), OpenSlice(index)

    def _pour(self, state: LevelState, e: Pour) -> LevelState:
        why = self._pour_refusal(state, e)
        if why:
            return self._refuse(state, e.t_ms, why)
        if e.ml is not None and not 0 < e.sd_ml < math.inf:
            # nobody pours exactly
            e = replace(e, sd_ml=0.01 * e.ml)
        if any(_same(p, e) for p in state.pours):
            return state
        pours = tuple(sorted((*state.pours, e), key=lambda p: (p.t_ms, p.ml or 0.0)))
        return self._reopen(replace(state, pours=pours), e.t_ms)

    def _pour_refusal(self, state: LevelState, e: Pour) -> str:
        if e.ml is None and not e.to_mark:
            return "A pour needs its volume, or that it filled up to the mark."
        span = self.geometry.highest_safe_mm - self.geometry.lowest_safe_mm
        if e.ml is not None:
            if not e.ml > 0:
                return (
                    f"A pour of {e.ml:g} mL: a pour adds water. Enter it again without the minus."
                )
            if e.ml * self.geometry.mm_per_ml > _CHAMBERS * span:
                return (
                    f"A pour of {e.ml:g} mL would fill the chamber {_CHAMBERS:.0f} times over:"
                    " check the unit and enter it again."
                )
        if e.t_ms > state.now_ms + self.slice_ms:
            return "A pour in the future: check its time."
        if e.t_ms < state.checkpoints[0].t_ms:
            return "A pour from before what the estimator remembers changes no number any more."
        if len(state.pours) >= _MOST_POURS:
            return "Too many pours in too few days."
        return ""

    def _pause(self, state: LevelState, e: WaterChange | PumpStopped) -> LevelState:
        if e.t1_ms is not None and e.t1_ms < e.t0_ms:
            return self._refuse(state, e.t0_ms, "It ends before it begins.")
        if e.t0_ms > state.now_ms + self.slice_ms:
            return self._refuse(state, e.t0_ms, "It lies in the future.")
        if e.t0_ms < state.checkpoints[0].t_ms:
            return self._refuse(state, e.t0_ms, "It lies before what the estimator remembers.")
        pause = Pause(e.t0_ms, e.t1_ms, isinstance(e, WaterChange))
        if pause in state.pauses:
            return state
        others = tuple(
            p for p in state.pauses if not (p.t0_ms == e.t0_ms and p.resets == pause.resets)
        )
        if len(others) >= _MOST_POURS:
            return self._refuse(state, e.t0_ms, "Too many pauses in too few days.")
        pauses = tuple(sorted((*others, pause), key=lambda p: p.t0_ms))
        return self._reopen(replace(state, pauses=pauses), e.t0_ms)

    def _refuse(self, state: LevelState, t_ms: int, reason: str) -> LevelState:
        kept = (*state.refused, Refused(t_ms, reason))[-_MOST_REFUSALS:]
        return replace(state, refused=kept)

    # --- the ledger over time ------------------------------------------------------------------

    def _reopen(self, state: LevelState, t_ms: int) -> LevelState:
        """Drops the checkpoints that a change at `t_ms` makes wrong; the first always stays."""
        limit = t_ms - (_REACH + 2) * self.slice_ms
        kept = tuple(m for i, m in enumerate(state.checkpoints) if i == 0 or m.t_ms <= limit)
        return self.settle(self._look_for_turned(replace(state, checkpoints=kept)))

    def _look_for_turned(self, state: LevelState) -> LevelState:
        if not self.physics.floats or not state.pours:
            return state
        by_index = {piece.index: piece for piece in state.slices}
        found = turned(state.pours, by_index, self.slice_ms, state.inverted)
        if found == state.inverted:
            return state
        # everything since the first mark was worked out with the float the wrong way round
        return replace(state, inverted=found, checkpoints=state.checkpoints[:1])

    def _close(self, state: LevelState) -> LevelState:
        opened = state.open
        if opened is None:
            return state
        slices = state.slices
        if not opened.empty():
            slices = (
                *slices,
                opened.closed(self.physics.gauge, self.slice_ms, state.splitting),
            )
        splitting = opened.still_splitting(state.splitting)
        state = replace(state, open=None, slices=slices, splitting=splitting)
        recent = (opened.index - 6) * self.slice_ms
        if state.pours and state.pours[-1].t_ms >= recent:
            state = self._look_for_turned(state)
        return self._evict(self.settle(state))

    def settle(self, state: LevelState) -> LevelState:
        """Adds the checkpoints that have come due. Where they lie depends on the slices' numbers
        only."""
        if not state.slices:
            return state
        end = state.slices[-1].index - _SETTLED
        checkpoints = state.checkpoints
        due = (checkpoints[-1].t_ms // self.slice_ms // _CHECKPOINT_EVERY + 1) * _CHECKPOINT_EVERY
        if due > end:
            return state
        # after a long gap one checkpoint at its end is enough
        gap_ends = {
            b.index // _CHECKPOINT_EVERY * _CHECKPOINT_EVERY
            for a, b in zip(state.slices, state.slices[1:], strict=False)
            if b.index - a.index > 2 * _CHECKPOINT_EVERY
        }
        occupied = {s.index // _CHECKPOINT_EVERY for s in state.slices}
        while due <= end:
            if due // _CHECKPOINT_EVERY - 1 in occupied or due in gap_ends:
                until = due * self.slice_ms
                passage = self.passage(state, checkpoints[-1], None)
                passage.run(until)
                checkpoints = (*checkpoints, passage.checkpoint())
            due += _CHECKPOINT_EVERY
        old = (end - _ALL_KEPT) * self.slice_ms
        coarse = _KEPT_EVERY * self.slice_ms
        thinned = tuple(
            m for i, m in enumerate(checkpoints) if i == 0 or m.t_ms >= old or m.t_ms % coarse == 0
        )
        return replace(state, checkpoints=thinned)

    def _evict(self, state: LevelState) -> LevelState:
        horizon = state.now_ms - round(self.physics.habits.remember_days * 86_400_000)
        checkpoints = state.checkpoints
        if len(checkpoints) < 2 or checkpoints[1].t_ms > horizon:
            return state
        while len(checkpoints) > 1 and checkpoints[1].t_ms <= horizon:
            checkpoints = checkpoints[1:]
        first = checkpoints[0].t_ms
        limit = first - (_REACH + 2) * self.slice_ms
        return replace(
            state,
            checkpoints=checkpoints,
            slices=tuple(s for s in state.slices if s.index * self.slice_ms >= limit),
            pours=tuple(p for p in state.pours if p.t_ms >= limit),
            pauses=tuple(
                p for p in state.pauses if p.t1_ms is None or p.t1_ms >= limit - 3_600_000
            ),
        )

    def passage(
        self, state: LevelState, start: Checkpoint, window: tuple[int, int] | None
    ) -> Passage:
        first = start.t_ms // self.slice_ms - 2 * _REACH
        near = [s for s in state.slices if s.index >= first]
        if state.open is not None and not state.open.empty():
            near.append(state.open.closed(self.physics.gauge, self.slice_ms, state.splitting))
        if state.inverted:
            near = [
                replace(s, floats=tuple(f for f in s.floats if f.name not in state.inverted))
                for s in near
            ]
        by_index = {s.index: s for s in near}
        pours = placed(
            tuple(p for p in state.pours if p.t_ms >= first * self.slice_ms),
            by_index,
            self.slice_ms,
            self.geometry.mm_per_ml,
            _REACH,
        )
        passage = Passage(self.physics, start, near, pours, state.pauses, window)
        passage.seen.distrusted.update(state.inverted)
        return passage


def _same(a: Pour, b: Pour) -> bool:
    return a.t_ms == b.t_ms and a.ml == b.ml and a.to_mark == b.to_mark
