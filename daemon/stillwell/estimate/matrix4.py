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
    """Returns F P F'. A month of a journal asks for it thousands of times, so the sums are written
    out."""
    p, q, r, s = spread
    half = [[a * p[j] + b * q[j] + c * r[j] + d * s[j] for j in range(4)] for a, b, c, d in by]
    return rows([[a * w + b * x + c * y + d * z for w, x, y, z in by] for a, b, c, d in half])


def widened(spread: Matrix, *variances: float) -> Matrix:
    """Returns P with these variances added."""
    a, b, c, d = variances
    p, q, r, s = spread
    return (
        (p[0] + a, p[1], p[2], p[3]),
        (q[0], q[1] + b, q[2], q[3]),
        (r[0], r[1], r[2] + c, r[3]),
        (s[0], s[1], s[2], s[3] + d),
    )


def quadratic(h: Vector, spread: Matrix) -> float:
    """Returns h P h'."""
    return dot(h, times(spread, h))


def times(matrix: Matrix, by: Vector) -> Vector:
    """Returns P h."""
    a, b, c, d = (dot(row, by) for row in matrix)
    return a, b, c, d


def dot(one: Vector, other: Vector) -> float:
    """Returns h' k."""
    a, b, c, d = one
    w, x, y, z = other
    return a * w + b * x + c * y + d * z
