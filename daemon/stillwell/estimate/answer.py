"""What an estimator answers: a number with an interval and a basis, or why there is none."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Basis:
    """One kind of evidence that a number rests on, and how much of it there was in the window."""

    kind: str
    """``gauge readings``, ``partly closed intervals of float-low``, ``noted pours`` …"""
    count: int

    def __str__(self) -> str:
        return f"{self.count} {self.kind}"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number and how well it is known."""

    value: float
    low: float
    """Lower end of the central 95 % interval."""
    high: float
    """Upper end of the central 95 % interval."""
    unit: str
    """``mL``, ``mL/h``, ``L/d``, ``mm`` or ``h``."""
    basis: tuple[Basis, ...]
    window: tuple[int, int]
    """Start and end in ms; both the same for a number that holds at one instant."""

    def scaled(self, factor: float, unit: str) -> Estimate:
        """Returns the same estimate in another unit. `factor` must be positive."""
        return Estimate(
            self.value * factor,
            self.low * factor,
            self.high * factor,
            unit,
            self.basis,
            self.window,
        )


@dataclass(frozen=True, slots=True)
class NotEnough:
    """Not enough evidence for a number, and why."""

    reason: str
    """One or two sentences for the person beside the tank."""
    window: tuple[int, int]
    basis: tuple[Basis, ...] = ()
    """The evidence that there was all the same."""
