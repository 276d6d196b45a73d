"""A point on the way to which a passage can return: everything that it needs to continue from
there, in plain numbers that JSON keeps exactly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stillwell.estimate.gaussian import Gaussian
from stillwell.estimate.level.bank import Bank
from stillwell.estimate.level.physics import Physics


@dataclass(frozen=True, slots=True)
class Kept:
    """A bank as plain numbers."""

    members: tuple[tuple[tuple[float, ...], tuple[float, ...]], ...]
    """Mean of each member, and its covariance's lower triangle row by row."""
    kinds: tuple[float, ...]
    weights: tuple[float, ...]
    odds: tuple[float, ...]

    @classmethod
    def of(cls, bank: Bank) -> Kept:
        return cls(
            tuple(
                (tuple(g.x), tuple(p for i, row in enumerate(g.P) for p in row[: i + 1]))
                for g in bank.members
            ),
            tuple(bank.kinds),
            tuple(bank.weights),
            tuple(bank.odds),
        )

    def revived(self, physics: Physics) -> Bank:
        return Bank(
            physics,
            [Gaussian(list(x), _square(triangle, len(x))) for x, triangle in self.members],
            list(self.kinds),
            list(self.weights),
            list(self.odds),
        )


@dataclass(frozen=True, slots=True)
class KeptDoubt:
    """A doubt about a noted pour, and the bank as it would be had the pour not happened."""

    log_odds: float
    pour_ms: int
    pour_ml: float
    bank: Kept


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """Everything that a passage needs to continue from here; plain numbers, exact through JSON."""

    t_ms: int
    bank: Kept
    shape: float
    shape_ms: int | None
    physics_told: bool
    doubts: tuple[KeptDoubt, ...] = ()


def _square(triangle: Sequence[float], n: int) -> list[list[float]]:
    out = [[0.0] * n for _ in range(n)]
    at = iter(triangle)
    for i in range(n):
        for j in range(i + 1):
            out[i][j] = out[j][i] = next(at)
    return out


def first_checkpoint(physics: Physics, t_ms: int) -> Checkpoint:
    bank = Bank.prior(physics)
    shape = physics.habits.typical_ml_per_h * physics.geometry.mm_per_ml
    return Checkpoint(t_ms, Kept.of(bank), shape, None, False)
