"""How level and rate change by themselves, accumulated over any time before it is applied.

Between two pieces of evidence only three or four coordinates change, in the same way for every
member of the bank except for the size of the noise. So the steps (each with its own shape) are
accumulated as a few numbers, and the members are moved once, when somebody looks at them."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

from stillwell.estimate.gaussian import Gaussian, Row
from stillwell.estimate.level.physics import C, D, H, M, S

_MS_PER_H = 3_600_000.0
_TURN = 2.0 * math.pi / 24.0
"""By how much the day's course turns in an hour, rad."""


class _Step(NamedTuple):
    """One step of a rate that strays, per unit of its variance and of mm/h."""

    hours: float
    keep: float
    """The share of the departure that is left."""
    reach: float
    """The departure's integral over its value at the start, h."""
    vii: float
    vdi: float
    vdd: float
    """Variance of the departure's integral (h²), its covariance with the departure (h), and the
    departure's own."""


@lru_cache(maxsize=4096)
def _step(dt_ms: float, tau_h: float) -> _Step:
    """Returns the moments of an Ornstein–Uhlenbeck process and its integral (Gillespie, Phys.
    Rev. E 54 (1996) 2084; from memory)."""
    t = dt_ms / _MS_PER_H
    e = math.exp(-t / tau_h)
    reach = tau_h * -math.expm1(-t / tau_h)
    if t / tau_h < 0.02:
        vii = 2.0 / 3.0 * t**3 / tau_h * (1.0 - 0.75 * t / tau_h)
    else:
        vii = tau_h * tau_h * (2 * t / tau_h - 3 + 4 * e - e * e)
    return _Step(t, e, reach, vii, reach * reach / tau_h, -math.expm1(-2 * t / tau_h))


_NOISE = ("qcc", "qdd", "qhc", "qhd", "qhh", "qhm", "qhs", "qmm")


class Drift:
    """A motion of level H, long-run rate M, departure D and the day's course, the first coordinate
    of a pair (C, S) that turns once a day (a stochastic cycle: Harvey, Forecasting, Structural Time
    Series Models, 1989; from memory)::

        H += hm M + hd D + hc C + hs S,   D *= keep,   (C, S) turned by `hours`

    with noise of covariance wander² (qhh … qdd; qcc is that of C and of S); what is not named stays
    zero."""

    __slots__ = ("hc", "hd", "hm", "hours", "hs", "keep", *_NOISE)

    def __init__(self) -> None:
        self.hours = 0.0
        self.hm = self.hd = self.hc = self.hs = 0.0
        self.keep = 1.0
        self.qhh = self.qhm = self.qhd = self.qhc = self.qhs = 0.0
        self.qmm = self.qdd = self.qcc = 0.0

    def copy(self) -> Drift:
        other = Drift()
        for name in self.__slots__:
            setattr(other, name, getattr(self, name))
        return other

    def further(
        self, dt_ms: float, shape: float, tau_h: float, trend: float, course: float
    ) -> None:
        """Adds a step of `dt_ms` at `shape` mm/h. Two halves give the same as the whole.

        `tau_h` is the time over which the departure forgets itself, `trend` and `course`
        the variances that the long-run rate, and each of the pair, gain in an hour, over that of
        the departure."""
        t, e, reach, vii, vdi, vdd = _step(dt_ms, tau_h)
        a, b = -shape * t, -shape * reach
        hm, hd = self.qhm + a * self.qmm, self.qhd + b * self.qdd
        self.qhh += (
            a * (self.qhm + hm)
            + b * (self.qhd + hd)
            + shape * shape * (vii + trend * t * t * t / 3.0)
        )
        self.qhm = hm - 0.5 * shape * trend * t * t
        self.qhd = e * hd - shape * vdi
        self.qmm += trend * t
        self.qdd = e * e * self.qdd + vdd
        self.hm += a
        self.hd += b * self.keep
        self.keep *= e
        self._turn(t, shape, course)
        self.hours += t

    def _turn(self, t: float, shape: float, course: float) -> None:
        """Adds what the day's course does in `t` hours."""
        before, by = _TURN * self.hours, shape / _TURN
        c, s = math.cos(_TURN * t), math.sin(_TURN * t)
        rest = t - s / _TURN
        a, b = -by * s, -by * (1.0 - c)
        self.hc += a * math.cos(before) - b * math.sin(before)
        self.hs += a * math.sin(before) + b * math.cos(before)
        hc, hs = self.qhc + a * self.qcc, self.qhs + b * self.qcc
        self.qhh += a * (self.qhc + hc) + b * (self.qhs + hs) + 2.0 * course * by * by * rest
        self.qhc = c * hc + s * hs + course * b / _TURN
        self.qhs = c * hs - s * hc + course * by * rest
        self.qcc += course * t

    @property
    def fall(self) -> Row:
        """Returns what the level has moved by, as a row over the state before."""
        return ((M, self.hm), (D, self.hd), (C, self.hc), (S, self.hs))

    def carry(self, g: Gaussian, wander: float, *, counting: bool) -> None:
        """Moves a member whose departure strays by `wander`; its last coordinate counts what is
        lost where it is `counting`."""
        P, w2 = g.P, wander * wander  # noqa: N806
        noise = ((M, self.qhm), (D, self.qhd), (C, self.qhc), (S, self.qhs))
        fall = self.fall
        g.mix_in(H, fall)
        if counting:
            a = len(g.x) - 1
            g.mix_in(a, [(i, -by) for i, by in fall])
        g.scale(D, self.keep)
        angle = _TURN * self.hours
        g.turn(C, S, math.cos(angle), math.sin(angle))
        if counting:
            P[a][a] += w2 * self.qhh
            _cross(P, a, H, -w2 * self.qhh)
            for i, q in noise:
                _cross(P, a, i, -w2 * q)
        for i, q in ((H, self.qhh), (D, self.qdd), (M, self.qmm), (C, self.qcc), (S, self.qcc)):
            P[i][i] += w2 * q
        for i, q in noise:
            _cross(P, H, i, w2 * q)


def _cross(rows: list[list[float]], i: int, j: int, q: float) -> None:
    rows[i][j] += q
    rows[j][i] += q
