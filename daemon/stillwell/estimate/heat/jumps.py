"""Jumps of one probe's trace: measured where it was torn and across a gap, and looked for in
hindsight before a fault is believed. The thermostat is told of each: water was poured in, or it is
another probe and the switching points move along."""

from __future__ import annotations

from stillwell.estimate.heat.gaps import LEAST_S, LONGEST_S, TIMES, Gap
from stillwell.estimate.heat.relay_filter import RelayFilter
from stillwell.estimate.heat.steps import EXPLAINS, LIKELIER, NOT_UNLIKELY, Habit, Trail
from stillwell.estimate.heat.tears import JUMP_K, SETTLE_S, Tear
from stillwell.estimate.heat.thermostat import Thermostat
from stillwell.estimate.noise import Noise

BACK_SHARE = 0.3
"""Of a jump, what may be left of it when it only undoes an earlier one."""


class Jumps:
    """Of one probe. Times are seconds of the watch."""

    def __init__(self, thermostat: Thermostat, noise: Noise) -> None:
        self.thermostat, self.noise = thermostat, noise
        self.last: tuple[float, float] | None = None
        """The last jump for good, seconds and K; whoever has seen it sets it back."""
        self.tear = Tear()
        self.trail = Trail()
        self._gap: Gap | None = None
        """The last one, as long as readings after it are collected."""
        self._every_s = 0.0
        """How far the last two readings were apart."""
        self._lifted = 0.0
        """By how much a chamber whose pump rests is warmer by itself, K."""

    def clear(self) -> None:
        """The machine was off, nobody knows for how long."""
        self.tear = Tear()
        self.trail.clear()
        self._gap, self._lifted = None, 0.0

    def see_gap(self, before_s: float, t_s: float, value: float, watch: RelayFilter | None) -> bool:
        """Takes a reading, and when the one before it was; returns whether there was a gap with a
        jump across it."""
        passed, self._every_s, usual = t_s - before_s, t_s - before_s, self._every_s
        known = self.thermostat
        if watch is None or watch.best is None:
            return False
        if max(LEAST_S, TIMES * usual) < passed < LONGEST_S and usual > 0:
            story = watch.best
            slope = watch.known.gain * story.on - story.loss
            if watch.relay is not None and slope != 0 and (slope > 0) is watch.relay:
                self._gap = Gap(before_s, story.t, slope, watch.relay, t_s)
        if self._gap is None or not self._gap.add(t_s, value):
            return False
        jump = self._gap.jump(known.trough.level, known.peak.level, known.gain.mean)
        self._gap = None
        if abs(jump) <= JUMP_K or known.moved_k:
            return False
        self.last = (t_s, jump)
        self._jumped(jump, t_s)
        return True

    def mend(self, t_s: float, watch: RelayFilter, apart: bool) -> bool:
        """The trace is whole again; returns whether it has jumped for good. In a chamber whose pump
        may stand (`apart`) it has not: what is left of the heater's heat lifts that alone."""
        began = self.tear.began_s
        assert began is not None
        flipped = watch.began_s > began or watch.relay is None or watch.due
        # What only bent is no jump: a relay that is thought to be on all along may have come on.
        from_s = max(began - SETTLE_S, self.trail.settled_s)
        step = self._step_since(from_s, LIKELIER if flipped else NOT_UNLIKELY)
        jump = self.tear.mend(watch.known.gain if flipped else None, step)
        if apart:
            self._lifted += jump
            return False
        whole, self._lifted = jump + self._lifted, 0.0
        if min(abs(jump), abs(whole)) < max(JUMP_K, BACK_SHARE * abs(jump)):
            return False  # mixed again it only comes down by what it was lifted
        self.last = (t_s, jump)
        self._jumped(jump, t_s, self.tear.again)
        return True

    def explain(self, by_k: float) -> bool:
        """Whether it was not the dial that has moved both switching points by `by_k`: the trace has
        stepped as far, by another probe."""
        stepped = self._step_since(self.trail.usual_s, EXPLAINS, by_k)
        return bool(stepped) and abs(stepped - by_k) < max(JUMP_K, 0.5 * abs(by_k))

    def found_behind(self, t_s: float, way: float, watch: RelayFilter) -> bool:
        """Before a fault is believed: whether the trace has stepped that way since the relay was
        last seen where it always switches. Then it is first seen whether that has moved along."""
        known = self.thermostat
        assert watch.best is not None
        if known.moved_k * way > 0:
            return False
        step = self._step_since(self.trail.open_s, EXPLAINS, way)
        point = watch.known.peak if way > 0 else watch.known.trough
        if not step or step * way < (watch.best.t - point) * way:
            return False  # none, or one too small for how far the water is beyond the point
        known.stayed()
        self._jumped(step, t_s, alone=True)
        return True

    def _step_since(self, from_s: float, likelier: float = LIKELIER, way: float = 0.0) -> float:
        """By how much the trace has stepped since, K; 0 where that is not likely. See `steps`."""
        known, sigma = self.thermostat, 1.05 * self.noise.usual
        habit = Habit(known.trough.level, known.peak.level, known.gain.mean, sigma)
        step = self.trail.step_since(from_s, habit, likelier, JUMP_K, way)
        return 0.0 if step is None else step.by_k

    def _jumped(self, by_k: float, at_s: float, again: bool = False, alone: bool = False) -> None:
        """The trace has: see `Thermostat.jump`."""
        self.thermostat.jump(by_k, at_s, again, alone)
        if self.thermostat.moved_k:
            self.trail.settled_s = at_s
