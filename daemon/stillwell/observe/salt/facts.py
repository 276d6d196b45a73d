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
    """What the balance knows of the reason."""

    NOTHING = "nothing"
    SALTED = "salted"
    """Salt water was most likely poured as fresh: `share` is how likely."""
    EVAPORATED = "evaporated"
    """`amount` mL were not poured back."""
    CHECK = "check"
    """The last check speaks for `cause`, by `share`."""
    DRIFTS = "drifts"
    """It moves by `amount` a day that no entry explains."""
    SALT_POURS = "salt-pours"
    """`amount` pours of salt water are noted since the check."""
    OVERFULL = "overfull"
    """`amount` mL of fresh water are too much."""
    OVERDUE = "overdue"
    """It is long since anybody measured."""
    WORN = "worn"
    """What came and went since the check is too little known."""


@dataclass(frozen=True, slots=True)
class Mend:
    """How the salinity comes back to the middle of its limits."""

    pour_ml: float
    """Fresh water, to the mark; 0.0: none."""
    swap_ml: float
    of_salinity: float
    """Of the water that is swapped in."""
    days: float
    """So slowly."""


@dataclass(frozen=True, slots=True)
class Salinity(Facts):
    """Where the salinity is."""

    value: float
    low: float
    high: float
    limit_low: float
    limit_high: float
    checked_ms: int | None
    """So long ago it was measured; None: never."""
    why: Why = Why.NOTHING
    share: float = 0.0
    amount: float = 0.0
    cause: Cause | None = None
    salted_ms: int | None = None
    """So long ago was the check since which salt water may have been poured as fresh."""
    mend: Mend | None = None
