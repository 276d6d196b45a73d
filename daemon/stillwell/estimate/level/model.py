"""The interface of the level estimator: evidence in, answers with intervals out. Pure: values
in, values out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from stillwell.estimate.answer import Basis, Estimate, NotEnough
from stillwell.estimate.level.bank import Bank
from stillwell.estimate.level.book import Book
from stillwell.estimate.level.evidence import (
    Evidence,
    Pour,
    PumpStopped,
    WaterChange,
)
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry, Habits
from stillwell.estimate.level.passage import Passage
from stillwell.estimate.level.physics import C, D, H, M, Physics
from stillwell.estimate.level.readout import counted_ml, moments, rate_ml, volume
from stillwell.estimate.level.seen import Oddity, Seen
from stillwell.estimate.level.state import LevelState

_Z = 1.959964
"""The 97.5 % point of the standard normal distribution."""
_HORIZON_H = 60 * 24.0
_WIDEST = 0.6
"""An interval with a half-width above this share of the value is no answer…"""
_COARSE_MM = 4.0
"""… unless the half-width is also below this many mm of the chamber."""
_LEARNT = 0.6
"""The share of a loss's variance that evidence in the window or later must have taken away."""

_DRY = """The water stood below the lowest safe level: where the pump draws air, the chamber no \
longer shows what goes. Pour before it is reached."""
_ROSE = """By the evidence the water rose without a pour: a float mounted upside down, a pour with \
a wrong volume, or water from elsewhere?"""


@dataclass(frozen=True, slots=True)
class RateView:
    """The rate now compared with the tank's own past and with the expected rate, as a leak alarm
    needs it.

    Ratios are to the expected rate (physics' while it is there, else the typical one)."""

    now: float
    now_sd: float
    long_run: float
    """A random walk over weeks: how the tank's own last nights compare with the expected rate."""
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
        self._book = Book(self.physics)
        self.slice_ms = self._book.slice_ms
        self._latest: dict[bool, tuple[LevelState, tuple[int, int] | None, Passage]] = {}
        """The last passage without a window, and the last with one."""

    # --- taking in ---------------------------------------------------------------------------

    def start(self, now_ms: int) -> LevelState:
        """Returns a state that knows nothing yet."""
        return self._book.start(now_ms)

    def update(self, state: LevelState, evidence: Evidence, now_ms: int) -> LevelState:
        """Takes in one piece of evidence.

        Readings come in the order of time; pours and pauses may come late, as far back as the
        estimator remembers. Evidence that can't be used goes into `state.refused` with a reason;
        nothing raises."""
        return self._book.update(state, evidence, now_ms)

    def tick(self, state: LevelState, now_ms: int) -> LevelState:
        """Lets time pass without evidence. A `now_ms` before the state's own is ignored."""
        return self._book.tick(state, now_ms)

    def retract(self, state: LevelState, evidence: Pour | WaterChange | PumpStopped) -> LevelState:
        """Takes back a pour or a pause entered by mistake; it must equal the one entered."""
        return self._book.retract(state, evidence)

    def _now(self, state: LevelState, window: tuple[int, int] | None = None) -> Passage:
        """Returns a passage up to now, from the checkpoint before `window` or the newest; not to
        be changed. The last ones are remembered, so that several questions about one state cost
        one passage."""
        latest = self._latest.get(window is None)
        if latest is not None and latest[0] is state and latest[1] == window:
            return latest[2]
        start = state.checkpoints[-1]
        if window is not None:
            start = next(m for m in reversed(state.checkpoints) if m.t_ms <= window[0])
        passage = self._book.passage(state, start, window)
        passage.run(max(state.now_ms, passage.t_ms))
        self._latest[window is None] = state, window, passage
        return passage

    # --- answers -------------------------------------------------------------------------------

    def loss(self, state: LevelState, t0_ms: int, t1_ms: int) -> Estimate | NotEnough:
        """Returns the mL that evaporated (or leaked) in the window, by all that is known now."""
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
        if mean + half < 0 and not passage.seen.dry:
            return NotEnough(_ROSE, window, basis)
        wide = half > max(_WIDEST * abs(mean), _COARSE_MM / self.geometry.mm_per_ml)
        sharp = half <= 0.1 * abs(mean)
        if wide or passage.seen.dry or (variance > _LEARNT * alone and not sharp):
            return NotEnough(self._why_not(passage), window, basis)
        return Estimate(mean, mean - half, mean + half, "mL", basis, window)

    def expected_loss(self, state: LevelState, t0_ms: int, t1_ms: int) -> tuple[float, float]:
        """Returns mean and standard deviation in mL of a window's loss, even where that is no
        basis for a number: for sums over windows and for rules that weigh thin evidence. Raises
        ValueError where the window does not lie within what is remembered."""
        why = self._window_refusal(state, t0_ms, t1_ms)
        if why:
            raise ValueError(why)
        passage = self._now(state, (t0_ms, t1_ms))
        mean, variance = moments(passage.bank, counted_ml(self.physics))
        return mean, math.sqrt(variance)

    def rate(self, state: LevelState, t0_ms: int, t1_ms: int) -> Estimate | NotEnough:
        """The mean rate over a window in mL/h; ``.scaled(0.024, "L/d")`` for litres a day."""
        loss = self.loss(state, t0_ms, t1_ms)
        if isinstance(loss, NotEnough):
            return loss
        return loss.scaled(3_600_000.0 / (t1_ms - t0_ms), "mL/h")

    def rate_now(self, state: LevelState, *, brief: bool = False) -> Estimate | NotEnough:
        """Returns the rate at this moment in mL/h. `brief`: see `level_now`."""
        passage = self._now(state, None if brief else self._recent(state))
        mean, variance = moments(passage.bank, rate_ml(self.physics, passage.shape))
        half = _Z * math.sqrt(variance)
        at = (state.now_ms, state.now_ms)
        basis = self._basis(passage.seen)
        if half > _WIDEST * abs(mean):
            return NotEnough(self._why_not(passage), at, basis)
        return Estimate(mean, mean - half, mean + half, "mL/h", basis, at)

    def level_now(self, state: LevelState, *, brief: bool = False) -> Estimate | NotEnough:
        """The level in mm from the fill mark. `brief`: without a basis, and much faster."""
        passage = self._now(state, None if brief else self._recent(state))
        mean, variance = moments(passage.bank, lambda g: (g.x[H], g.P[H][H]))
        half = _Z * math.sqrt(variance)
        at = (state.now_ms, state.now_ms)
        basis = self._basis(passage.seen)
        if half > 10.0:
            return NotEnough(self._why_not(passage), at, basis)
        return Estimate(mean, mean - half, mean + half, "mm", basis, at)

    def to_fill_mark(self, state: LevelState, *, brief: bool = False) -> Estimate | NotEnough:
        """The mL to the fill mark now; negative above it. `brief`: see `level_now`."""
        passage = self._now(state, None if brief else self._recent(state))
        per = self.geometry.mm_per_ml
        _level, v_level = moments(passage.bank, lambda g: (g.x[H], g.P[H][H]))
        mean, variance = moments(passage.bank, lambda g: volume(g, per))
        half = _Z * math.sqrt(variance)
        at = (state.now_ms, state.now_ms)
        basis = self._basis(passage.seen)
        if _Z * math.sqrt(v_level) > 10.0:
            return NotEnough(self._why_not(passage), at, basis)
        return Estimate(-mean, -mean - half, -mean + half, "mL", basis, at)

    def hours_to(
        self, state: LevelState, level_mm: float, *, brief: bool = False
    ) -> Estimate | NotEnough:
        """Returns the hours until the level has fallen to `level_mm` if nobody pours. The
        interval spans the times at which it will have done so with 2.5 % and 97.5 % probability,
        at most 60 days. `brief`: see `level_now`."""
        passage = self._now(state, None if brief else self._recent(state))
        at = (state.now_ms, state.now_ms)
        basis = self._basis(passage.seen)
        _, v_level = moments(passage.bank, lambda g: (g.x[H], g.P[H][H]))
        rate, v_rate = moments(passage.bank, rate_ml(self.physics, passage.shape))
        if _Z * math.sqrt(v_level) > 10.0 or _Z * math.sqrt(v_rate) > abs(rate):
            return NotEnough(self._why_not(passage), at, basis)

        @cache
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
        """Returns the posterior of the rate beside what physics and the tank's own past allow."""
        passage = self._now(state)
        now, v_now = moments(passage.bank, lambda g: g.project(((M, 1.0), (D, 1.0), (C, 1.0)))[:2])
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
        t0_ms = max(t0_ms, state.checkpoints[0].t_ms)
        passage = self._now(state, (t0_ms, max(t0_ms, min(t1_ms, state.now_ms))))
        return tuple(o for o in passage.oddities if t0_ms <= o.t_ms < t1_ms)

    def distrusted(self, state: LevelState) -> tuple[str, ...]:
        """Returns the sensors that contradict the rest now: ``gauge`` or float names."""
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
        """Returns what pouring `ml`, measured to `sd_ml`, in the view of the gauge or of two
        floats would do to the window's interval. Exact for the linear part (pre-posterior
        analysis): the gain of an observation does not depend on its result."""
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
        """Returns the variance in mm² of a rise of the level as the sensors see it."""
        gauge = self.physics.gauge
        sway = 2 * self.physics.habits.sway_mm**2
        if gauge is not None:
            n = self.physics.habits.slice_min
            return 2 * gauge.noise_mm**2 / n + sway
        if len(self.physics.floats) >= 2:
            return 2 * max(f.height_sd_mm for f in self.physics.floats) ** 2 + sway
        return None

    def recent_basis(self, state: LevelState) -> tuple[Basis, ...]:
        """Returns the evidence of the level in the last day: the basis of brief answers."""
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
        """Returns the last day, as far as it is remembered: what answers about now rest on."""
        return max(state.checkpoints[0].t_ms, state.now_ms - 86_400_000), state.now_ms

    def _window_refusal(self, state: LevelState, t0_ms: int, t1_ms: int) -> str:
        if t1_ms <= t0_ms:
            return "The window ends before it begins."
        if t0_ms < state.checkpoints[0].t_ms:
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
        if seen.dry:
            return _DRY
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
