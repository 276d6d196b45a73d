"""How level and rate change by themselves, accumulated over any time before it is applied.

Between two pieces of evidence only three or four coordinates change, in the same way for every
member of the bank except for the size of the noise. So the steps (each with its own shape) are
accumulated as a few numbers, and the members are moved once, when somebody looks at them."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

from stillwell.estimate.gaussian import Gaussian
from stillwell.estimate.level.physics import D, H, M

_MS_PER_H = 3_600_000.0


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


class Drift:
    """A motion of level H, long-run rate M and departure D::

        H += hm M + hd D,   D *= keep

    with noise of covariance wander² (qhh … qdd); that of M with D stays zero."""

    __slots__ = ("hd", "hm", "hours", "keep", "qdd", "qhd", "qhh", "qhm", "qmm")

    def __init__(self) -> None:
        self.hours = 0.0
        self.hm = self.hd = 0.0
        self.keep = 1.0
        self.qhh = self.qhm = self.qhd = self.qmm = self.qdd = 0.0

    def copy(self) -> Drift:
        other = Drift()
        other.hours, other.keep = self.hours, self.keep
        other.hm, other.hd = self.hm, self.hd
        other.qhh, other.qhm, other.qhd = self.qhh, self.qhm, self.qhd
        other.qmm, other.qdd = self.qmm, self.qdd
        return other

    def further(self, dt_ms: float, shape: float, tau_h: float, trend: float) -> None:
        """Adds a step of `dt_ms` at `shape` mm/h. Two halves give the same as the whole.

        `tau_h` is the time over which the departure forgets itself, `trend` the variance that the
        long-run rate gains in an hour, over that of the departure."""
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
        self.hours += t

    def carry(self, g: Gaussian, wander: float, *, counting: bool) -> None:
        """Moves a member whose departure strays by `wander`; its last coordinate counts what is
        lost where it is `counting`."""
        P, w2 = g.P, wander * wander  # noqa: N806
        qhh, qhm, qhd = w2 * self.qhh, w2 * self.qhm, w2 * self.qhd
        g.mix_two(H, M, self.hm, D, self.hd)
        if counting:
            a = len(g.x) - 1
            g.mix_two(a, M, -self.hm, D, -self.hd)
        g.scale(D, self.keep)
        if counting:
            P[a][a] += qhh
            _cross(P, a, H, -qhh)
            _cross(P, a, D, -qhd)
            _cross(P, a, M, -qhm)
        P[H][H] += qhh
        P[D][D] += w2 * self.qdd
        P[M][M] += w2 * self.qmm
        _cross(P, H, D, qhd)
        _cross(P, H, M, qhm)


def _cross(rows: list[list[float]], i: int, j: int, q: float) -> None:
    rows[i][j] += q
    rows[j][i] += q
