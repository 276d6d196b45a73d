"""Two or more probes that should show the same and do not: a sensor alarm, since no one knows
which.

Judged on the means of the last stretch of each (see `rate`), so that noise and probes read at
different seconds make no difference.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from stillwell.alarm.limit import Limit, Side


@dataclass(frozen=True, slots=True)
class Agreement:
    """Channels that should lie `within` of each other, in their unit."""

    name: str
    channels: tuple[str, ...]
    within: float
    delay_s: float = 900.0
    """How long they must be apart to be told, and together to return."""


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


def odd_one_out(values: Mapping[str, float]) -> str | None:
    """Returns the channel that is likelier wrong: of three or more, the one farthest from the
    median of the others, if it is at least twice as far as the next; of two, nobody can say
    (None)."""
    if len(values) < 3:
        return None
    ordered = sorted(values.values())
    middle = ordered[len(ordered) // 2]
    far = sorted(((abs(value - middle), name) for name, value in values.items()), reverse=True)
    return far[0][1] if far[0][0] >= 2 * far[1][0] else None
