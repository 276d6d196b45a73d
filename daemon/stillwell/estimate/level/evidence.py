"""The evidence that the level estimator takes. Times are ms on one clock that is never stepped."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Share:
    """The share of one interval during which a float was closed."""

    float_name: str
    t0_ms: int
    t1_ms: int
    share: float
    """The share of looks that found it closed (water at or above it), 0 … 1."""
    looks: int
    """How often it was looked at. The ripple decides how many of these count as independent."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """One reading of the level gauge, mm relative to the fill mark. Only readings that passed
    quality."""

    t_ms: int
    mm: float


@dataclass(frozen=True, slots=True)
class Pour:
    """Water that was put in.

    `ml` is None when the keeper filled up without measuring; then `to_mark` must be true. Both
    together (1.2 L poured, and that brought it to the mark) are worth most. The same pour given
    twice counts once."""

    t_ms: int
    ml: float | None
    sd_ml: float = 0.0
    """Standard uncertainty of the volume, independent from pour to pour."""
    fresh: bool = True
    noted: bool = True
    to_mark: bool = False


@dataclass(frozen=True, slots=True)
class WaterChange:
    """A time during which the level means nothing, and after which it starts anew. `t1_ms` None:
    not over; the same `t0_ms` again, with an end, closes it."""

    t0_ms: int
    t1_ms: int | None


@dataclass(frozen=True, slots=True)
class PumpStopped:
    """A time during which water that drains back is in the chamber: no pour, no evaporation.
    `t1_ms` as for `WaterChange`."""

    t0_ms: int
    t1_ms: int | None


@dataclass(frozen=True, slots=True)
class Expect:
    """What physics expects to evaporate now: its course gives the rate its shape, its amount
    counts once."""

    t_ms: int
    ml_per_h: float
    rel_sd: float
    """Relative standard uncertainty of the amount, one number for the tank rather than for the
    moment."""


Evidence = Share | Gauge | Pour | WaterChange | PumpStopped | Expect
