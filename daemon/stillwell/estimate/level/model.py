"""The level estimator's face: evidence in, answers with intervals out. Pure: values in, values
out."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from stillwell.estimate.estimate import Basis, Estimate, NotEnough
from stillwell.estimate.level.bank import Bank
from stillwell.estimate.level.evidence import (
    Evidence,
    Expect,
    Gauge,
    Pour,
    PumpStopped,
    Share,
    WaterChange,
)
from stillwell.estimate.level.gaussian import Gaussian
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry, Habits
from stillwell.estimate.level.ledger import OpenSlice, Pause, placed, state_before, turned
from stillwell.estimate.level.mark import Mark, first_mark
from stillwell.estimate.level.passage import (
    Oddity,
    Passage,
    Seen,
    counted_ml,
    moments,
    rate_ml,
)
from stillwell.estimate.level.physics import D, H, K, M, Physics
from stillwell.estimate.level.state import LevelState, Refused

_Z = 1.959964
_MARK_EVERY = 6
"""Slices from mark to mark: what a question about now has to run through, about."""
_KEPT_EVERY, _ALL_KEPT = 72, 144
"""Of marks older than the second number of slices only those on a multiple of the first are
kept."""
_SETTLED = 12
"""Slices after which what was worked out is fixed in a mark (until a late pour reopens it)."""
_REACH = 4
"""Slices around its noted time within which a pour is looked for."""
_MOST_POURS = 600
_MOST_REFUSALS = 20
_HORIZON_H = 60 * 24.0
_CHAMBERS = 3.0
"""A pour of more than so many chambers is a typing error."""
_WIDEST = 0.6
"""A half-width above this share of the value is no answer…"""
_COARSE_MM = 4.0
"""… unless it is also below this many mm of the chamber."""
_LEARNT = 0.6
"""Variance that must have gone, by the window's own evidence or later, for a loss to have a
basis."""


@dataclass(frozen=True, slots=True)
class RateView:
    """The rate now against what the tank did before and against the expected one: what a leak alarm
    needs.

    Ratios are to the expected rate (physics' while it is there, else the typical one)."""

    now: float
    now_sd: float
    long_run: float
    """Random walk over weeks: what the tank's own last nights make of the expected rate."""
    long_run_sd: float
    departure: float
    """now - long_run."""
    departure_sd: float
    expected_ml_per_h: float
    from_physics: bool


@dataclass(frozen=True, slots=True)
class CalibrationWorth:
    """What one carefully measured pour would do to the interval of a window's loss."""

    ml: float
    before: float
    """Half-width of the 95 % interval now, mL."""
    after: float
    """The same with the pour."""
    halves: bool


class LevelModel:
    """Everything fixed about a chamber; every method is a function of its arguments.

    Args:
        geometry: the chamber.
        floats: float switches, names unique.
        gauge: the gauge, if there is one.
        habits: assumptions about tanks and keepers.
    """

    def __init__(
        self,
        geometry: Geometry,
        floats: tuple[FloatSpec, ...] = (),
        gauge: GaugeSpec | None = None,
        habits: Habits | None = None,
    ) -> None:
        if len({f.name for f in floats}) != len(floats):
            raise ValueError("Two floats have the same name.")
        self.physics = Physics.of(geometry, floats, gauge, habits or Habits())
        self.geometry = geometry
        self.slice_ms = self.physics.habits.slice_min * 60_000
        self._latest: tuple[LevelState, tuple[int, int] | None, Passage] | None = None

    # --- taking in ---------------------------------------------------------------------------

    def start(self, now_ms: int) -> LevelState:
        """Nothing known yet."""
        begin = self._index(now_ms) * self.slice_ms
        return LevelState(now_ms, marks=(first_mark(self.physics, begin),))

    def update(self, state: LevelState, evidence: Evidence, now_ms: int) -> LevelState:
        """Takes in one piece of evidence.

        Readings come in the order of time; pours and pauses may come late, as far back as the
        estimator remembers. What can't be used lands in `state.refused` with a reason; nothing
        raises."""
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
            return self._close(replace(state, now_ms=now_ms))
        return replace(state, now_ms=now_ms)

    def _index(self, t_ms: int) -> int:
        """The slice that evidence at `t_ms` belongs to. What arrives at a slice's very end is its
        last, whichever sensor speaks first."""
        return (t_ms - 1) // self.slice_ms

    def retract(self, state: LevelState, evidence: Pour | WaterChange | PumpStopped) -> LevelState:
        """Takes a pour or a pause back that was entered by mistake; the same as entered."""
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
        return replace(
            state, open=opened, last=tuple((n, s, t) for n, (s, t) in sorted(last.items()))
        )

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
        return replace(state, open=opened.with_gauge(e.t_ms, e.mm))

    def _expect(self, state: LevelState, e: Expect) -> LevelState:
        if not (math.isfinite(e.ml_per_h) and 0 < e.rel_sd < math.inf):
            return self._refuse(state, e.t_ms, "Not an expected rate.")
        ready = self._ready(state, e.t_ms)
        if isinstance(ready, str):
            return self._refuse(state, e.t_ms, f"expected rate: {ready}")
        state, opened = ready
        return replace(state, open=opened.with_expect(e.ml_per_h, e.rel_sd))

    def _ready(self, state: LevelState, t_ms: int) -> tuple[LevelState, OpenSlice] | str:
        """The state and the open slice that `t_ms` belongs to, or why there is none."""
        index = self._index(t_ms)
        if t_ms > state.now_ms + self.slice_ms:
            return "it comes from the future: was a clock stepped?"
        newest = (
            state.open.index if state.open else state.slices[-1].index if state.slices else None
        )
        begin = state.marks[-1].t_ms // self.slice_ms
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
        if e.t_ms < state.marks[0].t_ms:
            return "A pour from before what the estimator remembers changes no number any more."
        if len(state.pours) >= _MOST_POURS:
            return "Too many pours in too few days."
        return ""

    def _pause(self, state: LevelState, e: WaterChange | PumpStopped) -> LevelState:
        if e.t1_ms is not None and e.t1_ms < e.t0_ms:
            return self._refuse(state, e.t0_ms, "It ends before it begins.")
        if e.t0_ms > state.now_ms + self.slice_ms:
            return self._refuse(state, e.t0_ms, "It lies in the future.")
        if e.t0_ms < state.marks[0].t_ms:
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
        """Drops the marks that a change at `t_ms` makes wrong; the first always stays."""
        limit = t_ms - (_REACH + 2) * self.slice_ms
        kept = tuple(m for i, m in enumerate(state.marks) if i == 0 or m.t_ms <= limit)
        return self._settle(self._look_for_turned(replace(state, marks=kept)))

    def _look_for_turned(self, state: LevelState) -> LevelState:
        if not self.physics.floats or not state.pours:
            return state
        by_index = {piece.index: piece for piece in state.slices}
        found = turned(state.pours, by_index, self.slice_ms, state.inverted)
        if found == state.inverted:
            return state
        # everything since the first mark was worked out with the float the wrong way round
        return replace(state, inverted=found, marks=state.marks[:1])

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
        return self._evict(self._settle(state))

    def _settle(self, state: LevelState) -> LevelState:
        """Adds the marks that have come due. Where they lie depends on the slices' numbers only."""
        if not state.slices:
            return state
        end = state.slices[-1].index - _SETTLED
        marks = state.marks
        due = (marks[-1].t_ms // self.slice_ms // _MARK_EVERY + 1) * _MARK_EVERY
        if due > end:
            return state
        # after a long gap one mark at its end is enough
        gap_ends = {
            b.index // _MARK_EVERY * _MARK_EVERY
            for a, b in zip(state.slices, state.slices[1:], strict=False)
            if b.index - a.index > 2 * _MARK_EVERY
        }
        occupied = {s.index // _MARK_EVERY for s in state.slices}
        while due <= end:
            if due // _MARK_EVERY - 1 in occupied or due in gap_ends:
                until = due * self.slice_ms
                passage = self._passage(state, marks[-1], None)
                passage.run(until)
                marks = (*marks, passage.mark())
            due += _MARK_EVERY
        old = (end - _ALL_KEPT) * self.slice_ms
        coarse = _KEPT_EVERY * self.slice_ms
        thinned = tuple(
            m for i, m in enumerate(marks) if i == 0 or m.t_ms >= old or m.t_ms % coarse == 0
        )
        return replace(state, marks=thinned)

    def _evict(self, state: LevelState) -> LevelState:
        horizon = state.now_ms - round(self.physics.habits.remember_days * 86_400_000)
        marks = state.marks
        if len(marks) < 2 or marks[1].t_ms > horizon:
            return state
        while len(marks) > 1 and marks[1].t_ms <= horizon:
            marks = marks[1:]
        first = marks[0].t_ms
        limit = first - (_REACH + 2) * self.slice_ms
        return replace(
            state,
            marks=marks,
            slices=tuple(s for s in state.slices if s.index * self.slice_ms >= limit),
            pours=tuple(p for p in state.pours if p.t_ms >= limit),
            pauses=tuple(
                p for p in state.pauses if p.t1_ms is None or p.t1_ms >= limit - 3_600_000
            ),
        )

    def _passage(self, state: LevelState, start: Mark, window: tuple[int, int] | None) -> Passage:
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

    def _now(self, state: LevelState, window: tuple[int, int] | None = None) -> Passage:
        """A passage up to now, from the mark before `window` or the newest. The last one is
        remembered: several questions about one state cost one passage. Not to be changed."""
        if self._latest is not None:
            of, about, known = self._latest
            if of is state and about == window:
                return known
        start = state.marks[-1]
        if window is not None:
            start = next(m for m in reversed(state.marks) if m.t_ms <= window[0])
        passage = self._passage(state, start, window)
        passage.run(max(state.now_ms, passage.t_ms))
        self._latest = (state, window, passage)
        return passage

    # --- answers -------------------------------------------------------------------------------

    def loss(self, state: LevelState, t0_ms: int, t1_ms: int) -> Estimate | NotEnough:
        """mL that evaporated (or leaked) within the window, with everything known up to now."""
        window = (t0_ms, t1_ms)
        why = self._window_refusal(state, t0_ms, t1_ms)
        if why:
            return NotEnough(why, window)
        passage = self._now(state, window)
        mean, variance = moments(passage.bank, counted_ml(self.physics))
        assert passage.deaf is not None
        _, alone = moments(passage.deaf, counted_ml(self.physics))
        basis = self._basis(passage.seen)
        half = _Z * math.sqrt(variance)
        if mean + half < 0:
            return NotEnough(
                "By the evidence the water rose without a pour: a float mounted upside down, a pour"
                " with a wrong volume, or water from elsewhere?",
                window,
                basis,
            )
        wide = half > max(_WIDEST * abs(mean), _COARSE_MM / self.geometry.mm_per_ml)
        sharp = half <= 0.1 * abs(mean)
        if wide or (variance > _LEARNT * alone and not sharp):
            return NotEnough(self._why_not(passage), window, basis)
        return Estimate(mean, mean - half, mean + half, "mL", basis, window)

    def expected_loss(self, state: LevelState, t0_ms: int, t1_ms: int) -> tuple[float, float]:
        """Mean and standard deviation in mL of a window's loss, whether or not that is a basis for
        a number: for sums over windows and for rules that weigh thin evidence. The window must lie
        within what is remembered; raises ValueError otherwise."""
        why = self._window_refusal(state, t0_ms, t1_ms)
        if why:
            raise ValueError(why)
        passage = self._now(state, (t0_ms, t1_ms))
        mean, variance = moments(passage.bank, counted_ml(self.physics))
        return mean, math.sqrt(variance)

    def rate(self, state: LevelState, t0_ms: int, t1_ms: int) -> Estimate | NotEnough:
        """Mean rate over a window in mL/h; ``.scaled(0.024, "L/d")`` for litres a day."""
        loss = self.loss(state, t0_ms, t1_ms)
        if isinstance(loss, NotEnough):
            return loss
        return loss.scaled(3_600_000.0 / (t1_ms - t0_ms), "mL/h")

    def rate_now(self, state: LevelState, *, brief: bool = False) -> Estimate | NotEnough:
        """The rate at this moment in mL/h. `brief`: see `level_now`."""
        passage = self._now(state, None if brief else self._recent(state))
        mean, variance = moments(passage.bank, rate_ml(self.physics, passage.shape))
        half = _Z * math.sqrt(variance)
        at = (state.now_ms, state.now_ms)
        basis = self._basis(passage.seen)
        if half > _WIDEST * abs(mean):
            return NotEnough(self._why_not(passage), at, basis)
        return Estimate(mean, mean - half, mean + half, "mL/h", basis, at)

    def level_now(self, state: LevelState, *, brief: bool = False) -> Estimate | NotEnough:
        """mm relative to the fill mark. `brief`: without a basis, and several times faster."""
        passage = self._now(state, None if brief else self._recent(state))
        mean, variance = moments(passage.bank, lambda g: (g.x[H], g.P[H][H]))
        half = _Z * math.sqrt(variance)
        at = (state.now_ms, state.now_ms)
        basis = self._basis(passage.seen)
        if half > 10.0:
            return NotEnough(self._why_not(passage), at, basis)
        return Estimate(mean, mean - half, mean + half, "mm", basis, at)

    def to_fill_mark(self, state: LevelState, *, brief: bool = False) -> Estimate | NotEnough:
        """mL of water to the fill mark now; negative when it stands above. `brief` as above."""
        passage = self._now(state, None if brief else self._recent(state))
        per = self.geometry.mm_per_ml
        _level, v_level = moments(passage.bank, lambda g: (g.x[H], g.P[H][H]))
        mean, variance = moments(passage.bank, lambda g: _volume(g, per))
        half = _Z * math.sqrt(variance)
        at = (state.now_ms, state.now_ms)
        basis = self._basis(passage.seen)
        if _Z * math.sqrt(v_level) > 10.0:
            return NotEnough(self._why_not(passage), at, basis)
        return Estimate(-mean, -mean - half, -mean + half, "mL", basis, at)

    def hours_to(
        self, state: LevelState, level_mm: float, *, brief: bool = False
    ) -> Estimate | NotEnough:
        """Hours until the level has fallen to `level_mm` if nobody pours. The interval spans the
        times at which it will have done so with 2.5 % and 97.5 % probability, at most 60 days.
        `brief` as above."""
        passage = self._now(state, None if brief else self._recent(state))
        at = (state.now_ms, state.now_ms)
        basis = self._basis(passage.seen)
        _, v_level = moments(passage.bank, lambda g: (g.x[H], g.P[H][H]))
        rate, v_rate = moments(passage.bank, rate_ml(self.physics, passage.shape))
        if _Z * math.sqrt(v_level) > 10.0 or _Z * math.sqrt(v_rate) > abs(rate):
            return NotEnough(self._why_not(passage), at, basis)

        def below(hours: float) -> float:
            bank = passage.bank.copy()
            bank.stop_counting()
            bank.predict(hours * 3_600_000.0, passage.shape)
            total = 0.0
            for g, w in zip(bank.members, bank.weights, strict=True):
                z = (level_mm - g.x[H]) / math.sqrt(max(g.P[H][H], 1e-12))
                total += math.exp(w) * 0.5 * math.erfc(-z / math.sqrt(2))
            return total

        def when(probability: float) -> float:
            if below(0.0) >= probability:
                return 0.0
            low, high = 0.0, 1.0
            while below(high) < probability:
                low, high = high, 2 * high
                if high > _HORIZON_H:
                    return _HORIZON_H
            for _ in range(12):
                middle = 0.5 * (low + high)
                if below(middle) < probability:
                    low = middle
                else:
                    high = middle
            return 0.5 * (low + high)

        return Estimate(when(0.5), when(0.025), when(0.975), "h", basis, at)

    def rate_view(self, state: LevelState) -> RateView:
        """The posterior of the rate against what physics and the tank's own past allow."""
        passage = self._now(state)
        now, v_now = moments(passage.bank, lambda g: g.project(((M, 1.0), (D, 1.0)))[:2])
        run, v_run = moments(passage.bank, lambda g: (g.x[M], g.P[M][M]))
        off, v_off = moments(passage.bank, lambda g: (g.x[D], g.P[D][D]))
        return RateView(
            now,
            math.sqrt(v_now),
            run,
            math.sqrt(v_run),
            off,
            math.sqrt(v_off),
            passage.shape / self.geometry.mm_per_ml,
            passage.shape_ms is not None,
        )

    def oddities(self, state: LevelState, t0_ms: int, t1_ms: int) -> tuple[Oddity, ...]:
        """Unnoted pours, drains, noted pours that the level did not see, breaks of the rate."""
        t0_ms = max(t0_ms, state.marks[0].t_ms)
        passage = self._now(state, (t0_ms, max(t0_ms, min(t1_ms, state.now_ms))))
        return tuple(o for o in passage.oddities if t0_ms <= o.t_ms < t1_ms)

    def distrusted(self, state: LevelState) -> tuple[str, ...]:
        """Sensors that contradict the rest now: ``gauge`` or float names."""
        bank: Bank = self._now(state).bank
        names = [f.name for f in self.physics.floats] + ["gauge"]
        return tuple(
            name
            for name, odds in zip(names, bank.odds, strict=True)
            if odds > 0 or name in state.inverted
        )

    def calibration_worth(
        self, state: LevelState, t0_ms: int, t1_ms: int, ml: float = 1000.0, sd_ml: float = 5.0
    ) -> CalibrationWorth | NotEnough:
        """What pouring `ml`, measured to `sd_ml`, in the view of the gauge or of two floats would
        do to the window's interval. Exact for the linear part (pre-posterior analysis): the gain of
        an observation does not hang on what it will say."""
        window = (t0_ms, t1_ms)
        why = self._window_refusal(state, t0_ms, t1_ms)
        if why:
            return NotEnough(why, window)
        seen_by = self._rise_variance()
        if seen_by is None:
            return NotEnough(
                "One float alone can't see how far a pour lifts the water: a calibration pour"
                " needs a gauge or two floats. Noted pours between two closings of the float"
                " need none.",
                window,
            )
        passage = self._now(state, window)
        mean, before = moments(passage.bank, counted_ml(self.physics))
        lift = ml * self.geometry.mm_per_ml
        about_k = (seen_by + (sd_ml * self.geometry.mm_per_ml) ** 2) / lift**2
        # the spread between the members stays; only each member's own variance shrinks
        _, after = moments(passage.bank, counted_ml(self.physics, about_k))
        if _Z * math.sqrt(before) > max(_WIDEST * abs(mean), _COARSE_MM / self.geometry.mm_per_ml):
            return NotEnough(self._why_not(passage), window, self._basis(passage.seen))
        return CalibrationWorth(
            ml, _Z * math.sqrt(before), _Z * math.sqrt(after), after < 0.25 * before
        )

    def _rise_variance(self) -> float | None:
        """Variance in mm² of a rise of the level as the sensors see it."""
        gauge = self.physics.gauge
        sway = 2 * self.physics.habits.sway_mm**2
        if gauge is not None:
            n = self.physics.habits.slice_min
            return 2 * gauge.noise_mm**2 / n + sway
        if len(self.physics.floats) >= 2:
            return 2 * max(f.height_sd_mm for f in self.physics.floats) ** 2 + sway
        return None

    def recent_basis(self, state: LevelState) -> tuple[Basis, ...]:
        """What evidence of the level the last day held: the basis of brief answers."""
        since, _ = self._recent(state)
        seen = Seen()
        for piece in state.slices:
            if piece.index * self.slice_ms < since:
                continue
            if piece.gauge is not None:
                seen.gauge += piece.gauge.count
            seen.expected += piece.expect_ml_per_h is not None
            for told in piece.floats:
                for counted, n in ((seen.intervals, told.intervals), (seen.partly, told.partly)):
                    counted[told.name] = counted.get(told.name, 0) + n
        seen.pours = sum(p.t_ms >= since for p in state.pours)
        return self._basis(seen)

    # --- words ---------------------------------------------------------------------------------

    def _recent(self, state: LevelState) -> tuple[int, int]:
        """The last day, as far as it is remembered: what answers about now rest on."""
        return max(state.marks[0].t_ms, state.now_ms - 86_400_000), state.now_ms

    def _window_refusal(self, state: LevelState, t0_ms: int, t1_ms: int) -> str:
        if t1_ms <= t0_ms:
            return "The window ends before it begins."
        if t0_ms < state.marks[0].t_ms:
            return "The window begins before the first evidence that is remembered."
        if t1_ms > state.now_ms:
            return "The window ends in the future."
        return ""

    def _basis(self, seen: Seen) -> tuple[Basis, ...]:
        out: list[Basis] = []
        if seen.gauge:
            out.append(Basis("gauge readings", seen.gauge))
        for name, count in sorted(seen.partly.items()):
            if count:
                out.append(Basis(f"partly closed intervals of {name}", count))
        for name, count in sorted(seen.intervals.items()):
            if not seen.partly.get(name):
                out.append(Basis(f"intervals of {name} without a change", count))
        if seen.pours:
            out.append(Basis("noted pours", seen.pours))
        if seen.inferred:
            out.append(Basis("inferred pours", seen.inferred))
        if seen.expected:
            out.append(Basis("slices shaped by expected evaporation", seen.expected))
        return tuple(out)

    def _why_not(self, passage: Passage) -> str:
        seen = passage.seen
        if not self.physics.floats and self.physics.gauge is None:
            return "There is no float and no gauge."
        if seen.distrusted:
            names = " and ".join(sorted(seen.distrusted))
            return (
                f"{names} contradicts the pours or the other sensors: stuck, or mounted upside"
                " down?"
            )
        if not seen.gauge and not seen.intervals:
            if seen.paused:
                return (
                    "A water change or a stopped pump took up the time that there was evidence of."
                )
            return "No level sensor was heard."
        if not seen.gauge and not any(seen.partly.values()):
            return (
                "No float changed, so that the level may have been anywhere between the nearest"
                " ones that did."
            )
        return "The evidence leaves too wide a range."


def _volume(g: Gaussian, per: float) -> tuple[float, float]:
    """Mean and variance of H / (mm per mL (1 + K))."""
    scale = 1.0 + g.x[K]
    v = g.x[H] / scale
    variance = (g.P[H][H] - 2 * v * g.P[H][K] + v * v * g.P[K][K]) / scale**2
    return v / per, max(0.0, variance) / per**2


def _same(a: Pour, b: Pour) -> bool:
    return a.t_ms == b.t_ms and a.ml == b.ml and a.to_mark == b.to_mark
