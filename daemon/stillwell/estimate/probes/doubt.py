"""Which probe is not believed, and why."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from stillwell.notice import Facts


class Kind(StrEnum):
    """Why a probe is not believed."""

    OUT = "out-of-water"
    SWAPPED = "swapped"
    DRIFT = "drift"
    NOISY = "noisy"
    STUCK = "stuck"
    JUMP = "jump"


@dataclass(slots=True)
class Doubted:
    """One probe that is not believed. Times are the judge's seconds."""

    kind: Kind
    since_s: float
    before: float
    """What it read before, °C."""
    sure: bool = True
    """Whether it is known which of the two probes is wrong."""
    other: str = ""
    well_s: float | None = None
    """Since when it has behaved again."""

    def to_json(self) -> list[Any]:
        return [str(self.kind), self.since_s, self.before, self.sure, self.other, self.well_s]

    @classmethod
    def revived(cls, kept: Any) -> Doubted:
        """The inverse of `to_json`. Raises ValueError or TypeError for what it did not write."""
        kind, since_s, before, sure, other, *later = kept
        well_s = later[0] if later else None
        return cls(
            Kind(kind),
            float(since_s),
            float(before),
            bool(sure),
            str(other),
            None if well_s is None else float(well_s),
        )


@dataclass(frozen=True, slots=True)
class ProbeDoubted(Facts):
    """A probe is not believed."""

    name: str
    kind: Kind
    reads_c: float
    """Its present mean."""
    newest_c: float
    before_c: float
    """What it read before the fault."""
    crept_k: float
    """How far it has drifted."""
    sure: bool
    """Whether it is known which of the two probes is wrong."""
    other: str
    left: tuple[str, ...] | None
    """The probes that still see the water; None where the doubted one is not in the water."""


@dataclass(frozen=True, slots=True)
class ProbeBelieved(Facts):
    """A probe behaves as it should."""

    name: str
