"""What the level's watch finds, as facts."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from stillwell.notice import Facts


class Sure(StrEnum):
    """Why a loss that is far above the usual can be nothing but a leak."""

    NOT_COOLED = "it does not cool the water"
    TOO_MUCH = "no air takes as much"
    GOES_ON = "it goes on day and night"


@dataclass(frozen=True, slots=True)
class Leak(Facts):
    """More water leaves than can evaporate."""

    ml_per_h: float
    allowed: float
    """The most that evaporation may take, mL/h."""
    usual: float
    days: float | None
    """How many days of this tank's own past the usual rests on; None: it rests on physics if
    `physics` holds, else on common practice."""
    physics: bool
    sure: Sure | None = None
    """Why it can't be evaporation; None: it may."""
    topped_up: bool = False
    """Whether a machine replaces what is lost, so that the level does not show it."""


@dataclass(frozen=True, slots=True)
class Seep(Facts):
    """A part of the loss does not follow the air."""

    ml_per_h: float
    days: float


@dataclass(frozen=True, slots=True)
class NoLeak(Facts):
    """The water's loss is as usual."""

    ml_per_h: float | None


@dataclass(frozen=True, slots=True)
class Standstill(Facts):
    """No water evaporates."""

    ml_per_h: float
    usual: float


@dataclass(frozen=True, slots=True)
class WantsWater(Facts):
    """The water nears the pump's intake."""

    level_mm: float | None
    """Measured from the fill mark; None: below the lowest float, where nothing sees it."""
    lowest_mm: float
    missing_ml: float | None
    reserve_h: tuple[float, float, float] | None
    """Hours until the lowest safe level: value, low, high."""
    reckoned_h: float | None
    """The same by dead reckoning."""


@dataclass(frozen=True, slots=True)
class ToppedUp(Facts):
    """The water is high enough again."""

    level_mm: float | None


@dataclass(frozen=True, slots=True)
class ReservoirLow(Facts):
    """The reservoir of the automatic top-up must be filled."""

    left_ml: float | None
    lasts_h: float | None


@dataclass(frozen=True, slots=True)
class TopUpRuns(Facts):
    """The automatic top-up adds far more than evaporates, and does not stop."""

    ran_s: float | None
    """How long its pump has run."""
    added_ml: float | None
    """What has left its reservoir in the last half hour."""
    left_ml: float | None


@dataclass(frozen=True, slots=True)
class TopUpMissing(Facts):
    """The automatic top-up adds nothing."""

    below_mm: float | None
    """How far the water is below where it is held."""
    left_ml: float | None


@dataclass(frozen=True, slots=True)
class TooHigh(Facts):
    """More water is in the chamber than is safe."""

    level_mm: float | None
    highest_mm: float
    over_ml: float | None
    """How much water is above the mark, mL."""


@dataclass(frozen=True, slots=True)
class Disagree(Facts):
    """The chamber's sensors contradict each other."""

    called: tuple[str, ...]
    inverted: bool
    """Whether the float opens when water is poured in."""


@dataclass(frozen=True, slots=True)
class FloatFault(Facts):
    """A float is not believed."""

    called: str
    kind: str
    """One of stuck-up, stuck-down, chattering."""
    alone: bool
    """Whether nothing else could contradict it."""


@dataclass(frozen=True, slots=True)
class FloatWell(Facts):
    """A float fits the level."""

    called: str
