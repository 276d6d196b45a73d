"""Dense Gaussian algebra for small problems, in plain lists: at most a dozen dimensions, changed
in place, covariances kept symmetric."""

from __future__ import annotations

from collections.abc import Sequence

Row = Sequence[tuple[int, float]]
"""A sparse row of an observation matrix: (index, coefficient)."""


class Gaussian:
    """A mean and a covariance. Mutable: the filter owns its copy while it runs."""

    __slots__ = ("P", "x")

    def __init__(self, x: list[float], P: list[list[float]]) -> None:  # noqa: N803
        self.x = x
        self.P = P

    @classmethod
    def diagonal(cls, mean: Sequence[float], sd: Sequence[float]) -> Gaussian:
        n = len(mean)
        return cls(
            list(mean), [[sd[i] * sd[i] if i == j else 0.0 for j in range(n)] for i in range(n)]
        )

    def copy(self) -> Gaussian:
        return Gaussian(self.x.copy(), [row.copy() for row in self.P])

    def project(self, row: Row) -> tuple[float, float, list[float]]:
        """Returns mean and variance of ``row · x``, and the covariance of x with it."""
        x = self.x
        if len(row) == 1:
            i, a = row[0]
            gain = self.P[i].copy() if a == 1.0 else [a * p for p in self.P[i]]
            return a * x[i], a * gain[i], gain
        P = self.P  # noqa: N806
        i, a = row[0]
        mean = a * x[i]
        gain = [a * p for p in P[i]]
        for i, a in row[1:]:
            mean += a * x[i]
            gain = [g + a * p for g, p in zip(gain, P[i], strict=True)]
        variance = 0.0
        for i, a in row:
            variance += a * gain[i]
        return mean, variance, gain

    def revise(self, gain: list[float], variance: float, shift: float, kept: float) -> None:
        """Changes the distribution for new knowledge of a scalar with this prior `variance` and
        covariance `gain`: its mean moves by `shift` and its variance becomes `kept`.

        With ``kept = v r / (v + r)`` this is the Kalman update; with moments from a quadrature
        it is assumed-density filtering."""
        scale = shift / variance
        shrink = (variance - kept) / (variance * variance)
        P = self.P  # noqa: N806
        self.x = [a + g * scale for a, g in zip(self.x, gain, strict=True)]
        for i, g in enumerate(gain):
            if g != 0.0:
                gs = g * shrink
                P[i] = [p - gs * h for p, h in zip(P[i], gain, strict=True)]

    def mix(self, i: int, j: int, a: float) -> None:
        """Computes ``x[i] += a x[j]``, with its covariances."""
        P = self.P  # noqa: N806
        self.x[i] += a * self.x[j]
        target = [p + a * q for p, q in zip(P[i], P[j], strict=True)]
        target[i] += a * target[j]
        self._replace(i, target)

    def mix_in(self, i: int, row: Row) -> None:
        """Computes ``x[i] += row · x``, with its covariances; `i` is none of the row's."""
        mean, variance, gain = self.project(row)
        target = [p + g for p, g in zip(self.P[i], gain, strict=True)]
        target[i] += gain[i] + variance
        self.x[i] += mean
        self._replace(i, target)

    def turn(self, i: int, j: int, cosine: float, sine: float) -> None:
        """Turns ``(x[i], x[j])`` by the angle of this cosine and sine, with their covariances."""
        x, P = self.x, self.P  # noqa: N806
        x[i], x[j] = cosine * x[i] + sine * x[j], cosine * x[j] - sine * x[i]
        P[i], P[j] = (
            [cosine * p + sine * q for p, q in zip(P[i], P[j], strict=True)],
            [cosine * q - sine * p for p, q in zip(P[i], P[j], strict=True)],
        )
        for line in P:
            line[i], line[j] = cosine * line[i] + sine * line[j], cosine * line[j] - sine * line[i]

    def _replace(self, i: int, line: list[float]) -> None:
        """Sets row and column `i`."""
        P = self.P  # noqa: N806
        for other, value in zip(P, line, strict=True):
            other[i] = value
        P[i] = line

    def scale(self, i: int, a: float) -> None:
        """Computes ``x[i] *= a``, with its covariances."""
        self.x[i] *= a
        line = [a * p for p in self.P[i]]
        line[i] *= a
        self._replace(i, line)

    def widen(self, *variances: float) -> None:
        """Adds these variances to those of the first coordinates."""
        for i, variance in enumerate(variances):
            self.P[i][i] += variance

    def renew(self, i: int, mean: float, variance: float) -> None:
        """Forgets everything about ``x[i]``."""
        n = len(self.x)
        self.x[i] = mean
        self.P[i] = [0.0] * n
        for line in self.P:
            line[i] = 0.0
        self.P[i][i] = variance

    def extend(self) -> int:
        """Appends a coordinate that is exactly zero; returns its index."""
        for line in self.P:
            line.append(0.0)
        self.x.append(0.0)
        self.P.append([0.0] * len(self.x))
        return len(self.x) - 1


def merged(parts: Sequence[Gaussian], shares: Sequence[float]) -> Gaussian:
    """Returns the Gaussian with the mean and covariance of a mixture; `shares` sum to 1."""
    n = len(parts[0].x)
    x = [sum(w * g.x[i] for g, w in zip(parts, shares, strict=True)) for i in range(n)]
    P = [[0.0] * n for _ in range(n)]  # noqa: N806
    for g, w in zip(parts, shares, strict=True):
        off = [a - b for a, b in zip(g.x, x, strict=True)]
        for i in range(n):
            line, own, oi = P[i], g.P[i], off[i]
            for j in range(n):
                line[j] += w * (own[j] + oi * off[j])
    return Gaussian(x, P)
