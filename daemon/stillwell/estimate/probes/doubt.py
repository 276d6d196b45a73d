"""Which probe is not believed, and why."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

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
