"""The value of one number by a bank: mean and variance over its members."""

from __future__ import annotations

import math
from collections.abc import Callable

from stillwell.estimate.gaussian import Gaussian
from stillwell.estimate.level.bank import Bank
from stillwell.estimate.level.physics import C, D, H, K, M, Physics

Moments = Callable[[Gaussian], tuple[float, float]]
"""Returns a number's mean and variance in one member."""


def moments(bank: Bank, of: Moments) -> tuple[float, float]:
    """Returns mean and variance over the members of a scalar whose (mean, variance) in each `of`
    gives."""
    mean = 0.0
    second = 0.0
    for g, log_w in zip(bank.members, bank.weights, strict=True):
        w = math.exp(log_w)
        m, v = of(g)
        mean += w * m
        second += w * (v + m * m)
    return mean, max(0.0, second - mean * mean)


def level(bank: Bank) -> float:
    return moments(bank, lambda g: (g.x[H], 0.0))[0]


def counted_ml(physics: Physics, shrunk_area: float | None = None) -> Moments:
    """Returns a function for the loss in mL from the counted mm (last coordinate): A / (mm per mL ·
    (1 + K)), its mean to second order in A and K and its variance to first.

    `shrunk_area` is the variance (of relative area) of one more observation of K; with it the
    result is what a calibration pour would leave."""
    per = physics.geometry.mm_per_ml

    def of(g: Gaussian) -> tuple[float, float]:
        a = len(g.x) - 1
        scale = 1.0 + g.x[K]
        loss = g.x[a] / scale
        vaa, vak, vkk = g.P[a][a], g.P[a][K], g.P[K][K]
        mean = loss * (1.0 + vkk / scale**2) - vak / scale**2
        variance = (vaa - 2 * loss * vak + loss * loss * vkk) / scale**2
        if shrunk_area is not None:
            with_k = (vak - loss * vkk) / scale
            variance -= with_k**2 / (vkk + shrunk_area)
        return mean / per, max(0.0, variance) / per**2

    return of


def rate_ml(physics: Physics, shape: float) -> Moments:
    """Returns a function for the rate now in mL/h."""
    per = physics.geometry.mm_per_ml

    def of(g: Gaussian) -> tuple[float, float]:
        m, v, gain = g.project(((M, 1.0), (D, 1.0), (C, 1.0)))
        scale = 1.0 + g.x[K]
        r = m / scale
        variance = (v - 2 * r * gain[K] + r * r * g.P[K][K]) / scale**2
        factor = shape / per
        return r * factor, max(0.0, variance) * factor * factor

    return of


def volume(g: Gaussian, per: float) -> tuple[float, float]:
    """Returns mean and variance of H / (mm per mL (1 + K))."""
    scale = 1.0 + g.x[K]
    v = g.x[H] / scale
    variance = (g.P[H][H] - 2 * v * g.P[H][K] + v * v * g.P[K][K]) / scale**2
    return v / per, max(0.0, variance) / per**2
