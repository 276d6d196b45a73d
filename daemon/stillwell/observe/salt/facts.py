"""What the salt balance finds, as facts."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from stillwell.notice import Facts


class Cause(StrEnum):
    """What makes a check read other than expected."""

    READING = "the reading itself"
    EVAPORATED = "evaporated and not topped up"
    SALT_TOP_UP = "topped up with salt water"
    SALT_LOST = "salt water lost by splash, creep or a leak, and replaced with fresh"
    OVERFILLED = "more fresh water than belongs in"
    INSTRUMENT = "an instrument out of adjustment"


class Why(StrEnum):
    """What the balance knows about the reason."""

    NOTHING = "nothing"
    SALTED = "salted"
    """Salt water was most likely poured as fresh; `share` is the probability."""
    EVAPORATED = "evaporated"
    """`amount` mL evaporated and were not poured back."""
    CHECK = "check"
    """The last check points to `cause`, with probability `share`."""
    DRIFTS = "drifts"
    """The salinity moves by `amount` a day that no entry explains."""
    SALT_POURS = "salt-pours"
    """`amount` pours of salt water are noted since the check."""
    OVERFULL = "overfull"
    """There are `amount` mL of fresh water too many."""
    OVERDUE = "overdue"
    """The last measurement is too long ago."""
    WORN = "worn"
    """Too little is known of what came and went since the check."""


@dataclass(frozen=True, slots=True)
class Mend:
    """How the salinity comes back to the middle of its limits."""

    pour_ml: float
    """Fresh water to pour, up to the mark; 0.0: none."""
    swap_ml: float
    of_salinity: float
    """The salinity of the water that is swapped in."""
    days: float
    """Over how many days to spread it."""


@dataclass(frozen=True, slots=True)
class Salinity(Facts):
    """Where the salinity is."""

    value: float
    low: float
    high: float
    limit_low: float
    limit_high: float
    checked_ms: int | None
    """How long ago it was measured, ms; None: never."""
    why: Why = Why.NOTHING
    share: float = 0.0
    amount: float = 0.0
    cause: Cause | None = None
    salted_ms: int | None = None
    """How long ago, in ms, the check was since which salt water may have been poured as fresh."""
    mend: Mend | None = None
