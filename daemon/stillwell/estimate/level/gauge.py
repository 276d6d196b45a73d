"""A slice of gauge readings as one observation: robust against outliers, honest about
quantisation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from stillwell.estimate.level.geometry import GaugeSpec

_FULL, _NONE = 2.5, 5.0
"""Residuals up to the first number of standard deviations count in full, those beyond the second
not at all: Hampel's redescending weights (Hampel 1974, JASA 69:383), over 98 % efficient at the
normal."""


@dataclass(frozen=True, slots=True)
class Located:
    """The level that the readings of one slice give."""

    mm: float
    at_ms: float
    """Mean time of the readings that counted."""
    variance: float
    """The variance of `mm` about the true level plus the gauge's offset."""
    count: int
    rejected: int


def quantisation_bias_variance(step_mm: float, noise_mm: float) -> float:
    """Returns the variance of the part of a quantiser's error that averaging cannot remove, when it
    is dithered by Gaussian noise.

    Fourier series of the rounding error (Widrow and Kollár, Quantization Noise, 2008; from memory):
    step²/12 without noise, nothing above half a step of noise.
    """
    if step_mm <= 0:
        return 0.0
    ratio = (2 * math.pi * noise_mm / step_mm) ** 2
    return sum(
        (step_mm / (math.pi * k)) ** 2 / 2 * math.exp(-min(700.0, k * k * ratio))
        for k in range(1, 30)
    )


def locate(readings: Sequence[tuple[int, float]], spec: GaugeSpec, slice_s: float) -> Located:
    """Returns the M-estimate (Hampel) of the level in one slice; `readings` are (ms, mm), at
    least one."""
    n = len(readings)
    values = [mm for _, mm in readings]
    middle = _median(values)
    own = 1.4826 * _median([abs(v - middle) for v in values])
    single = math.hypot(spec.noise_mm, spec.step_mm / math.sqrt(12.0))
    # A slice that scatters more than the gauge should is believed less; one that happens to scatter
    # less is not believed more.
    noise = max(single, own) if n >= 8 else single
    centre = middle
    weights = [1.0] * n
    for _ in range(10):
        weights = [_weight(abs(v - centre) / noise) for v in values]
        if math.fsum(weights) < 0.5:
            # two clusters with the median between them: a mixed slice
            weights = [1.0] * n
            break
        moved = math.fsum(w * v for w, v in zip(weights, values, strict=True)) / math.fsum(weights)
        if abs(moved - centre) < 1e-6:
            centre = moved
            break
        centre = moved
    counted = math.fsum(weights)
    at = math.fsum(w * t for w, (t, _) in zip(weights, readings, strict=True)) / counted
    spacing = slice_s / max(1, n)
    memory = 1.0
    if spec.noise_tau_s > 0:
        memory = 1.0 / math.tanh(spacing / (2.0 * spec.noise_tau_s))
    # own > single means a mixed or disturbed slice, which averaging does not improve by sqrt(n)
    variance = single * single * min(memory, n) / counted
    if noise > 1.5 * single:
        variance += noise * noise / min(n, 4)
    variance += quantisation_bias_variance(spec.step_mm, spec.noise_mm)
    rejected = sum(1 for w in weights if w < 0.5)
    return Located(centre, at, variance, n - rejected, rejected)


def _weight(residual: float) -> float:
    if residual <= _FULL:
        return 1.0
    if residual >= _NONE:
        return 0.0
    return _FULL / residual * (_NONE - residual) / (_NONE - _FULL)


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    n = len(ordered)
    return 0.5 * (ordered[(n - 1) // 2] + ordered[n // 2])
