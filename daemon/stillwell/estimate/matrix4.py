"""Matrices of four by four, for filters with four state variables."""

from __future__ import annotations

from collections.abc import Sequence

Vector = tuple[float, float, float, float]
Matrix = tuple[Vector, Vector, Vector, Vector]


def rows(of: Sequence[Sequence[float]]) -> Matrix:
    """Returns four rows of four as a matrix."""
    a, b, c, d = ((r[0], r[1], r[2], r[3]) for r in of)
    return a, b, c, d


def diagonal(a: float, b: float, c: float, d: float) -> Matrix:
    """Returns the matrix with these on its diagonal and zeros elsewhere."""
    return (a, 0.0, 0.0, 0.0), (0.0, b, 0.0, 0.0), (0.0, 0.0, c, 0.0), (0.0, 0.0, 0.0, d)


def moved(spread: Matrix, by: Matrix) -> Matrix:
    """Returns F P F'."""
    half = [[sum(by[i][k] * spread[k][j] for k in range(4)) for j in range(4)] for i in range(4)]
    return rows(
        [[sum(half[i][k] * by[j][k] for k in range(4)) for j in range(4)] for i in range(4)]
    )


def widened(spread: Matrix, *variances: float) -> Matrix:
    """Returns P with these variances added."""
    return rows(
        [[spread[i][j] + (variances[i] if i == j else 0.0) for j in range(4)] for i in range(4)]
    )


def quadratic(h: Vector, spread: Matrix) -> float:
    """Returns h P h'."""
    return sum(h[i] * h[j] * spread[i][j] for i in range(4) for j in range(4))
