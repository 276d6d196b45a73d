"""Recursive least squares with forgetting: coefficients that are learned from one value at a time
(Plackett, Biometrika 37 (1950) 149; from memory).

Forgetting widens a coefficient's uncertainty at most to what it was before anything was seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

Rows = list[list[float]]


def diagonal(variances: Sequence[float]) -> Rows:
    """Returns the covariance of coefficients of which only these variances are known."""
    every = range(len(variances))
    return [[variances[i] if i == j else 0.0 for j in every] for i in every]


def predict(mean: Sequence[float], x: Sequence[float]) -> float:
    """Returns the expected value at the factors `x`."""
    return sum(m * f for m, f in zip(mean, x, strict=True))


def variance(cov: Rows, x: Sequence[float]) -> float:
    """Returns the variance of `predict` that comes from the coefficients' own uncertainty."""
    every = range(len(x))
    return sum(x[i] * x[j] * cov[i][j] for i in every for j in every)


def update(
    mean: Sequence[float], cov: Rows, x: Sequence[float], off: float, noise: float
) -> tuple[list[float], Rows]:
    """Returns mean and covariance after a value at `x` that is `off` above the prediction and
    has the noise variance `noise`."""
    every = range(len(x))
    gain = [sum(row[j] * x[j] for j in every) for row in cov]
    total = sum(gain[i] * x[i] for i in every) + noise
    kept = [[cov[i][j] - gain[i] * gain[j] / total for j in every] for i in every]
    return [m + g / total * off for m, g in zip(mean, gain, strict=True)], kept


def discount(cov: Rows, prior: Sequence[float], share: float) -> Rows:
    """Returns the covariance when only a `share` of what was learned is still valid, given the
    variances `prior` before anything was learned. This is a scaling, so that the matrix stays a
    covariance."""
    every = range(len(prior))
    by = [math.sqrt(min(1.0 / share, prior[i] / max(cov[i][i], 1e-12))) for i in every]
    return [[cov[i][j] * by[i] * by[j] for j in every] for i in every]
