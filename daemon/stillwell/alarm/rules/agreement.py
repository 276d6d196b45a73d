"""Two or more probes that should show the same and do not: an alarm about sensors, never about the
water.

Judged on the means of the last stretch of each (see `rate`), so that noise and probes read at
different seconds make no difference. `neighbours` says which of them is likelier wrong, where
that can be said.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.alarm.rules.limit import Limit, Side
from stillwell.alarm.rules.neighbours import Terms
from stillwell.alarm.rules.rate import FASTEST_WATER_K_PER_S, STRETCH_MS
from stillwell.notice import Facts
from stillwell.reading import Quantity


@dataclass(frozen=True, slots=True)
class Agreement:
    """Channels that should lie `within` of each other, in their unit."""

    name: str
    channels: tuple[str, ...]
    within: float
    delay_s: float = 2700.0
    """How long, in s, they must be apart to be reported, and together again to return. Changing
    water with the pump off, or a pump that pauses, parts two probes for half an hour (common
    practice). A probe in the air and a pump that has stopped are reported earlier, by alarms of
    their own."""
    of_water_probes: bool = False
    """Whether all of them are probes in the tank's water, whose temperature changes no faster than
    `rate.FASTEST_WATER_K_PER_S`."""


@dataclass(frozen=True, slots=True)
class Apart(Facts):
    """Channels that should show the same do not."""

    called: str
    quantity: Quantity
    values: tuple[tuple[str, float], ...]
    """The name of each channel, and what it reads."""
    within: float
    odd: str
    """The channel that is likelier wrong; empty where nobody can say."""
    because: str
    """The reason for it: see `neighbours`."""


@dataclass(frozen=True, slots=True)
class Together(Facts):
    """Channels that were apart show the same again."""

    called: str


def limit_of(agreement: Agreement, longest_step_ms: int) -> Limit:
    delay_ms = round(agreement.delay_s * 1000)
    return Limit(
        side=Side.HIGH,
        at=agreement.within,
        deadband=agreement.within / 5,
        on_delay_ms=delay_ms,
        off_delay_ms=delay_ms,
        longest_step_ms=longest_step_ms,
    )


def terms_of(agreement: Agreement) -> Terms:
    fastest = FASTEST_WATER_K_PER_S if agreement.of_water_probes else None
    return Terms(agreement.within, 3 * STRETCH_MS / 1000, fastest)
