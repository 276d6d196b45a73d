"""Finds the doses of an automatic top-up in a gauge's readings: small rises, all about alike, that
hold the level against evaporation.

Each hypothesis is a sequence of doses so far. It runs a Kalman filter over the water without the
doses, its fall, and the water that the doses have brought; a dose may come at every step, as often
as the fall asks for. The few most probable sequences are kept (a beam over multiple hypotheses:
Reid, IEEE Trans. Autom. Control 24 (1979) 843; from memory). A dose counts once it has been seen
from both sides for `LAG_MS`. Heights are mm, rates mm/h."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

LAG_MS = 60 * 60_000
"""How long after a reading the doses up to it are decided: enough readings on either side."""
STEP_MS = 300_000
"""Readings of so long are taken together."""
_BEAM, _ALIKE_MOST = 16, 6
"""How many sequences are kept, and how many of them may have as many doses: they differ only in
when these came."""
_FIRST_MM, _FIRST_SD_MM = 3.0, 2.5
"""A dose before any was seen: a few mm, the hysteresis of a float or an optical eye (common
practice)."""
_KEPT, _KNOWN = 40, 6
_ALIKE = 0.15
"""The least relative spread of the doses."""
_WAITS = 0.3
"""The spread of the fall that the controller waits for, as a share of a dose: it has a
hysteresis, and the water ripples."""
_RESTLESS = 0.4
_TAU_H = 6.0
"""The fall strays by this share of itself, and forgets that in this time."""
_LONGEST_MS = 3_600_000
"""After a longer silence nothing is known of the doses in between."""
_CLEAR = 5.0
"""A dose must be this many times the noise of what is read in half the time to the next, to be
counted."""
_LONG, _MISSED = 1.7, 0.12
"""Of the gaps between doses at most this share may be so much longer than usual: then some were
not seen."""


@dataclass(slots=True)
class Sequence:
    """One sequence of doses: its probability, and the filter that goes with it."""

    log: float
    x: list[float]
    """The water without the doses, its fall, the water that the doses brought."""
    P: list[float]
    """Their covariance: ww, wr, wc, rr, rc, cc."""
    count: int = 0
    since: float | None = None
    """The water without the doses when the last dose came."""
    trail: tuple[tuple[int, float], ...] = ()
    """The latest doses: when, and how much the doses before it had brought."""

    def onward(self, hours: float, typical: float) -> None:
        x, P = self.x, self.P  # noqa: N806
        ww, wr, wc, rr, rc, cc = P
        x[0] -= x[1] * hours
        keep = 1.0 - hours / _TAU_H
        spread = (_RESTLESS * typical) ** 2 * 2.0 * hours / _TAU_H
        x[1] = typical + keep * (x[1] - typical)
        self.P = [
            ww - 2 * hours * wr + hours * hours * rr + 1e-4,
            keep * (wr - hours * rr),
            wc - hours * rc,
            keep * keep * rr + spread,
            keep * rc,
            cc,
        ]

    def dosed(self, at_ms: int, log: float, size: tuple[float, float]) -> Sequence:
        """Returns the sequence with one more dose of `size` (mean, spread)."""
        x, P = self.x.copy(), self.P.copy()  # noqa: N806
        trail = tuple(t for t in self.trail if at_ms - t[0] < 2 * LAG_MS)
        before = x[2]
        x[2] += size[0]
        P[5] += size[1] ** 2
        return Sequence(self.log + log, x, P, self.count + 1, x[0], (*trail, (at_ms, before)))

    def often(self, hours: float, size: float, least: float) -> float:
        """Returns how probable a dose of about `size` is in the next hours."""
        fall = max(self.x[1], least) * hours / size
        if self.since is None:
            return min(0.5, max(1e-4, fall))
        z = ((self.since - self.x[0]) / size - 1.0) / _WAITS
        if z > 6.0:
            return 0.5
        density = math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi) / _WAITS
        return min(0.5, max(1e-4, fall * density / (0.5 * math.erfc(z / math.sqrt(2)))))

    def see(self, mm: float, variance: float) -> None:
        ww, wr, wc, rr, rc, cc = self.P
        s = ww + 2 * wc + cc + variance
        off = mm - self.x[0] - self.x[2]
        a, b, c = ww + wc, wr + rc, wc + cc
        # a tail: one wild reading must not end a sequence
        self.log += max(-0.5 * off * off / s, -8.0) - 0.5 * math.log(s)
        if off * off > 16.0 * s:
            return
        self.x = [self.x[0] + a * off / s, self.x[1] + b * off / s, self.x[2] + c * off / s]
        self.P = [
            ww - a * a / s,
            wr - a * b / s,
            wc - a * c / s,
            rr - b * b / s,
            rc - b * c / s,
            cc - c * c / s,
        ]

    def brought(self, at_ms: int) -> float:
        """Returns how much the doses up to `at_ms` have brought."""
        return next((before for t, before in self.trail if t > at_ms), self.x[2])


@dataclass(slots=True)
class Doses:
    """One gauge under an automatic top-up."""

    noise_mm: float
    typical_mm_h: float
    """How fast the level usually falls."""
    sequences: list[Sequence] = field(default_factory=list)
    sizes: list[float] = field(default_factory=list)
    """The latest doses that were decided, mm."""
    times: list[int] = field(default_factory=list)
    """When they came, ms."""
    waiting: list[tuple[int, float]] = field(default_factory=list)
    """Steps that are not decided yet."""
    block: list[float] = field(default_factory=list)
    block_ms: int = 0
    every_ms: float = 60_000.0
    """The usual time between readings."""
    last_ms: int | None = None

    @property
    def size(self) -> tuple[float, float]:
        """Returns the size of a dose and its spread, mm."""
        if len(self.sizes) < _KNOWN:
            return _FIRST_MM, _FIRST_SD_MM
        middle = median(self.sizes)
        spread = 1.4826 * median(abs(size - middle) for size in self.sizes)
        return middle, max(spread, _ALIKE * middle)

    @property
    def fall(self) -> float:
        """Returns how fast the level falls, mm/h: by the doses, once there are enough."""
        if len(self.times) < 2 * _KNOWN:
            return self.typical_mm_h
        hours = (self.times[-1] - self.times[0]) / 3_600_000
        own = sum(self.sizes[1:]) / max(hours, 1.0)
        return min(3.0 * self.typical_mm_h, max(0.3 * self.typical_mm_h, own))

    @property
    def seen(self) -> bool:
        """Whether doses have been seen, and are large enough for this gauge to be counted."""
        if len(self.sizes) < _KNOWN:
            return False
        gaps = [b - a for a, b in pairwise(self.times)]
        usual = median(gaps)
        half = max(1.0, 0.5 * usual / self.every_ms)
        clear = self.size[0] > _CLEAR * self.noise_mm * math.sqrt(2.0 / half)
        return clear and sum(gap > _LONG * usual for gap in gaps) <= 1 + _MISSED * len(gaps)

    def see(self, t_ms: int, mm: float) -> Iterator[tuple[int, float]]:
        """Takes a reading; yields (ms, mm) of the water without the doses, as it was decided to
        have been `LAG_MS` before."""
        index = t_ms // STEP_MS
        if self.block and index != self.block_ms // STEP_MS:
            yield from self._step(self.block_ms, median(self.block), len(self.block))
            self.every_ms += 0.05 * (STEP_MS / len(self.block) - self.every_ms)
            self.block = []
        self.block_ms = t_ms
        self.block.append(mm)

    def _step(self, t_ms: int, mm: float, n: int) -> Iterator[tuple[int, float]]:
        variance = self.noise_mm**2 / n + 0.02
        gap = None if self.last_ms is None else t_ms - self.last_ms
        if gap is None or gap > _LONGEST_MS or not self.sequences:
            brought = self.sequences[0].x[2] if self.sequences else 0.0
            typical = self.fall
            first = [mm - brought, typical, brought]
            P = [variance, 0.0, 0.0, (0.7 * typical) ** 2, 0.0, 0.0]  # noqa: N806
            self.sequences, self.waiting = [Sequence(0.0, first, P)], []
        else:
            self._branch(t_ms, gap / 3_600_000, mm, variance)
        self.last_ms = t_ms
        self.waiting.append((t_ms, mm))
        best = self.sequences[0]
        while self.waiting and self.waiting[0][0] <= t_ms - LAG_MS:
            at, value = self.waiting.pop(0)
            self._decide(best, at)
            yield at, value - best.brought(at)

    def _decide(self, best: Sequence, at_ms: int) -> None:
        for place, (t, before) in enumerate(best.trail):
            if t <= at_ms and (not self.times or t > self.times[-1]):
                after = best.trail[place + 1][1] if place + 1 < len(best.trail) else best.x[2]
                self.sizes = [*self.sizes, after - before][-_KEPT:]
                self.times = [*self.times, t][-_KEPT:]

    def _branch(self, t_ms: int, hours: float, mm: float, variance: float) -> None:
        size, fall = self.size, self.fall
        out: list[Sequence] = []
        for one in self.sequences:
            one.onward(hours, fall)
            often = one.often(hours, size[0], 0.2 * fall)
            other = one.dosed(t_ms, math.log(often), size)
            # the dose came somewhere within the step
            other.see(mm + 0.5 * size[0], variance + size[0] ** 2 / 12.0)
            one.log += math.log(1.0 - often)
            one.see(mm, variance)
            out += (other, one)
        out.sort(key=lambda one: -one.log)
        top = out[0].log
        alike: dict[int, int] = {}
        kept = []
        for one in out:
            alike[one.count] = alike.get(one.count, 0) + 1
            if one.log > top - 14.0 and alike[one.count] <= _ALIKE_MOST:
                kept.append(one)
        self.sequences = kept[:_BEAM]
        for one in self.sequences:
            one.log -= top
