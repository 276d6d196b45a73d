"""Reads from the store what the book looks at. The cost does not grow with the years."""

from __future__ import annotations

from collections.abc import Iterable

from stillwell.estimate.salt import MissingWater
from stillwell.journal import Kind
from stillwell.keeper.balance import DAY_MS, LOOK_BACK_MS, last_check, salt_state
from stillwell.keeper.plan import BookPlan
from stillwell.keeper.reminders import Facts
from stillwell.ports import Published
from stillwell.store import StoreReader

JOURNAL_MS = 400 * DAY_MS
"""So far back the journal is read: every interval of a reminder lies within."""
LEVEL_FRESH_MS = 3 * 3_600_000
_Z2 = 3.92
"""Widths of a 95 % interval in standard deviations."""
_LEAST_SD_ML = 20.0
DRILL_ALARM = "drill"


def facts_of(reader: StoreReader, plan: BookPlan, now_ms: int) -> Facts:
    """Returns what the reminders and the screen of the day need."""
    entries = reader.journal(now_ms - JOURNAL_MS, now_ms + 1)
    # Animals may have come years ago.
    entries += reader.journal(0, now_ms - JOURNAL_MS, (Kind.ANIMALS_IN, Kind.ANIMALS_OUT))
    span = reader.span()
    level = list(reader.estimates("level.to-mark", now_ms - LOOK_BACK_MS, now_ms + 1))
    levels = daily(level)
    drilled = [t.moment.utc_ms for t in reader.alarms() if t.alarm == DRILL_ALARM]
    newest = next((row for row in reversed(level) if row.value is not None), None)
    fresh = newest is not None and now_ms - newest.time_ms <= LEVEL_FRESH_MS
    return Facts(
        entries=sorted(entries, key=lambda e: (e.at_ms, e.id)),
        since_ms=span[0] if span else now_ms,
        salt=salt_state(entries, levels, plan.salt, now_ms),
        check=last_check(entries, levels, plan.salt, now_ms),
        missing_ml=newest.value if fresh and newest is not None else None,
        drilled_ms=max(drilled, default=None),
    )


def daily(level: Iterable[Published]) -> list[MissingWater]:
    """Returns one figure a day of what was missing to the mark: its last, as the hourly ones are
    not independent."""
    by_day: dict[int, MissingWater] = {}
    for row in level:
        if row.value is not None and row.low is not None and row.high is not None:
            sd = max((row.high - row.low) / _Z2, _LEAST_SD_ML)
            by_day[row.time_ms // DAY_MS] = MissingWater(row.time_ms, row.value, sd)
    return list(by_day.values())
