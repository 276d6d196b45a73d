"""Lower bounds for the level benches, from the worlds' own laws; no code of the estimator.

All in mm; multiply by mL per mm.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from level_world import FloatTruth

Array = npt.NDArray[np.float64]


def line_loss_sd(n: int, every_s: float, span_s: float, noise_mm: float) -> float:
    """Cramér–Rao bound of slope times span for a straight line in white noise, both ends unknown:
    12 sigma² / (d² N (N² - 1)) (Kay, Estimation Theory, 1993, ex. 3.7)."""
    return float(np.sqrt(12 * noise_mm**2 / (every_s**2 * n * (n * n - 1.0))) * span_s)


def wandering_loss_sd(
    hours: float,
    window: tuple[float, float],
    noise_mm: float,
    wander: float,
    tau_h: float,
    per_h: float,
) -> float:
    """Returns the van Trees bound for a gauge read once a minute in white noise; see
    `_regression_sd`."""
    t = np.arange(0, hours + 1e-9, 1 / 60)
    return _regression_sd(t, np.full_like(t, noise_mm**2), window, wander * per_h, tau_h)


def _regression_sd(
    t: Array, noise: Array, window: tuple[float, float], stray: float, tau_h: float
) -> float:
    """Posterior standard deviation of the window's fall when the level is a straight line, both
    ends unknown, plus the integral of an Ornstein–Uhlenbeck rate (`stray` mm/h, `tau_h`), seen at
    `t` hours with these noise variances: exact for Gaussian noise, generalised least squares at all
    readings."""

    def cov(a: Array, b: Array) -> Array:
        """Returns the covariance of the rate's integrals from 0 to a and from 0 to b."""
        ends = np.exp(-a / tau_h) + np.exp(-b / tau_h) - np.exp(-np.abs(a - b) / tau_h) - 1
        return np.asarray(stray**2 * tau_h * (2 * np.minimum(a, b) + tau_h * ends))

    k = cov(t[:, None], t[None, :]) + np.diag(noise)
    basis = np.stack([np.ones_like(t), t], axis=1)
    a, b = (np.array([edge]) for edge in window)
    cross = cov(t, np.full_like(t, b)) - cov(t, np.full_like(t, a))
    own = float((cov(b, b) + cov(a, a) - 2 * cov(a, b))[0])
    ki_cross = np.linalg.solve(k, cross)
    ki_basis = np.linalg.solve(k, basis)
    left = np.array([0.0, float((b - a)[0])]) - basis.T @ ki_cross
    trend = left @ np.linalg.solve(basis.T @ ki_basis, left)
    return float(np.sqrt(own - cross @ ki_cross + trend))


def seen_loss_sd(
    t_h: Array, noise: Array, window: tuple[float, float], stray: float, tau_h: float
) -> float:
    """Returns the van Trees bound of a window's loss where what is lost so far is seen at times
    `t_h` with these noise variances (in the square of the loss's unit): readings of a gauge, or the
    ends of doses after which the level is the same again; see `_regression_sd`."""
    return _regression_sd(t_h, noise, window, stray, tau_h)


def ladder_loss_sd(
    level: Array,
    heights: Sequence[float],
    ripple_mm: float,
    tau_s: float,
    window: tuple[int, int],
    stray_mm_h: float = 0.0,
    wander_tau_h: float = 3.0,
) -> float:
    """Bound of the window's fall seen through the looks of floats without differential, looked at
    once a second while the ripple is an AR(1) process: Cramér–Rao for a straight line, van Trees
    when the rate strays.

    A float's looks carry the information of their share: slope² over the variance that the looks'
    sum gains each second, correlation included."""
    from scipy.stats import norm  # takes a second, and tests import this module

    t = np.arange(150, len(level), 300)
    h = level[t]
    info = np.zeros(len(t))
    for height in heights:
        w = (h - height) / ripple_mm
        near = np.abs(w) < 5
        slope = norm.pdf(w[near]) / ripple_mm
        info[near] += 300 * slope**2 / _variance_rate(w[near], tau_s)
    used = info > 1e-9
    edges = (window[0] / 3600.0, window[1] / 3600.0)
    return _regression_sd(t[used] / 3600.0, 1 / info[used], edges, stray_mm_h, wander_tau_h)


def _variance_rate(w: Array, tau_s: float) -> Array:
    """Returns the variance of the sum of one-second looks per second: sum over lags of
    Cov(look_0, look_k), by the Hermite (tetrachoric) series phi(w)² sum_n He_{n-1}(w)² r^n / n!."""
    from scipy.stats import norm

    p = norm.cdf(w)
    r = np.exp(-np.arange(1, int(30 * tau_s)) / tau_s)
    total = p * (1 - p)
    he_prev, he = np.zeros_like(w), np.ones_like(w)
    fact = 1.0
    for n in range(1, 60):
        fact *= n
        total = total + 2 * norm.pdf(w) ** 2 * he**2 / fact * np.sum(r**n)
        he_prev, he = he, w * he - (n - 1) * he_prev if n > 1 else w * he
        # scaled growth stays finite: He_n² / n! is bounded by exp(w²/2)
    return np.asarray(total)


def edges_loss_mm(
    shares: dict[str, Array], floats: Sequence[FloatTruth], window: tuple[int, int]
) -> float:
    """Returns the bound from edges alone: each float's crossing is the middle between its first
    opening and its last closing, and the fall is the line through these points."""
    times, heights = [], []
    for f in floats:
        s = shares[f.name]
        opened = np.flatnonzero(s < 1)
        closed = np.flatnonzero(s > 0)
        if not len(opened) or not len(closed):
            continue
        times.append(15.0 * (opened[0] + closed[-1] + 1))
        heights.append(f.true_mm - f.differential_mm / 2)
    slope = np.polyfit(times, heights, 1)[0]
    return float(-slope * (window[1] - window[0]))


def falling_crossings(share: Array) -> list[int]:
    """Returns the seconds at which the share falls through one half, smoothed over ten minutes."""
    smooth = np.convolve(share, np.ones(20) / 20, mode="same")
    down = np.flatnonzero((smooth[:-1] >= 0.5) & (smooth[1:] < 0.5))
    out: list[int] = []
    for k in down:
        if not out or (k + 1) * 30 - out[-1] > 3 * 3600:
            out.append(int((k + 1) * 30))
    return out


def crossing_sd_mm(level: Array, a_s: int, b_s: int) -> float:
    """Returns how far the level really differed between two crossings: known to the world, not
    to the keeper."""
    return float(abs(level[b_s] - level[a_s]))
