"""Recursive least squares against the solution of all equations at once (numpy)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.estimate.least_squares import diagonal, discount, predict, update, variance

PRIOR = (4.0, 1.0, 9.0)
NOISE = 0.25
FACTOR = st.floats(-3.0, 3.0)
ROW = st.tuples(FACTOR, FACTOR, FACTOR, FACTOR)


def learned(rows: list[tuple[float, ...]]) -> tuple[list[float], list[list[float]]]:
    mean, cov = [0.0, 0.0, 0.0], diagonal(PRIOR)
    for *x, y in rows:
        mean, cov = update(mean, cov, x, y - predict(mean, x), NOISE)
    return mean, cov


@given(st.lists(ROW, min_size=1, max_size=12))
def test_one_by_one_gives_what_all_at_once_give(rows: list[tuple[float, ...]]) -> None:
    mean, cov = learned(rows)
    x, y = np.array([row[:3] for row in rows]), np.array([row[3] for row in rows])
    known = np.linalg.inv(np.diag(1 / np.array(PRIOR)) + x.T @ x / NOISE)
    assert np.array(cov) == pytest.approx(known, abs=1e-8)
    assert np.array(mean) == pytest.approx(known @ x.T @ y / NOISE, abs=1e-7)
    assert variance(cov, rows[0][:3]) == pytest.approx(x[0] @ known @ x[0], abs=1e-7)


@given(st.lists(ROW, min_size=1, max_size=12), st.floats(0.01, 1.0))
def test_what_is_forgotten_is_as_wide_as_before_at_most_and_still_a_covariance(
    rows: list[tuple[float, ...]], share: float
) -> None:
    _, cov = learned(rows)
    after = np.array(discount(cov, PRIOR, share))
    assert np.linalg.eigvalsh(after).min() > -1e-9
    for i in range(3):
        assert after[i, i] == pytest.approx(min(cov[i][i] / share, PRIOR[i]))
