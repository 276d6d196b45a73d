"""Reads from the store what the book needs. The cost does not grow with the years."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import replace
from statistics import fmean
from zoneinfo import ZoneInfo

from stillwell.alarm.annunciate.drill import DRILL
from stillwell.calendar import local_date, utc_ms
from stillwell.entry import Entry
from stillwell.estimate.lamplight import Cell, lit_hours
from stillwell.estimate.salt.told import MissingWater
from stillwell.journal import Kind
from stillwell.keeper.level_now import (
    TOLD_FOR_MS,
    LevelNow,
    Since,
    level_now,
    since_night,
)
from stillwell.keeper.photoperiod import Light, kept_hours, wanted
from stillwell.keeper.reminders import Facts
from stillwell.keeper.room import LEVEL_FRESH_MS
from stillwell.observe.balance import DAY_MS, LOOK_BACK_MS, Ledger, missing_water
from stillwell.observe.plan import BookPlan
from stillwell.ports import Published
from stillwell.reading import Quantity
from stillwell.store import StoreReader

JOURNAL_MS = 400 * DAY_MS
"""How far back the journal is read, in ms: the interval of every reminder is shorter."""
WARMTH_MS = 7 * DAY_MS
"""How many ms of water temperature are used to find the lamp's hours."""


def facts_of(
    reader: StoreReader, plan: BookPlan, now_ms: int, ledger: Ledger | None = None
) -> Facts:
    """Returns what the reminders and the screen of the day need.

    Args:
        ledger: of the same plan, for who asks again and again.
    """
    entries = reader.journal(now_ms - JOURNAL_MS, now_ms + 1)
    # Animals may have been put in years ago.
    entries += reader.journal(0, now_ms - JOURNAL_MS, (Kind.ANIMALS_IN, Kind.ANIMALS_OUT))
    missing = daily(reader, now_ms - LOOK_BACK_MS, now_ms + 1)
    level = list(reader.estimates("level.to-mark", now_ms - LEVEL_FRESH_MS, now_ms + 1))
    ledger = ledger or Ledger(plan.salt)
    salt = ledger.at(entries, missing, now_ms)
    # A clock that once stood in the future silences nothing.
    today = local_date(now_ms, ZoneInfo(plan.zone))
    drills = [day for job, day in reader.done() if job == DRILL and day <= today]
    return Facts(
        entries=sorted(entries, key=lambda e: (e.at_ms, e.id)),
        since_ms=reader.began() or now_ms,
        salt=salt,
        check=ledger.last_check,
        light=_light(reader, entries, plan, now_ms),
        level=_level_now(reader, level, entries, now_ms),
        drilled=max(drills, default=None),
    )


def since_of(reader: StoreReader, end_ms: int, now_ms: int) -> Since | None:
    """Returns what was done since a night's end, and what the level needs now; None for a night
    that is long past."""
    if not 0 <= now_ms - end_ms < TOLD_FOR_MS:
        return None
    rows = list(reader.estimates("level.to-mark", end_ms - LEVEL_FRESH_MS, now_ms + 1))
    entries = reader.journal(end_ms - LEVEL_FRESH_MS, now_ms + 1)
    now = _level_now(reader, rows, entries, now_ms)
    return since_night(end_ms, rows, entries, now, now_ms)


def _level_now(
    reader: StoreReader, rows: Sequence[Published], entries: Sequence[Entry], now_ms: int
) -> LevelNow:
    latest = reader.alarms(now_ms + 1)
    known = {t.alarm for t in latest}
    gauges = [c.name for c in reader.channels() if c.quantity == Quantity.LEVEL]
    # the one in the chamber: that it has moved is an alarm of its own
    gauge = next((name for name in gauges if f"{name}.moved" in known), "")
    standing = {t.alarm for t in latest if t.active}
    return level_now(rows, entries, standing, now_ms, gauge=gauge)


def _light(reader: StoreReader, entries: Iterable[Entry], plan: BookPlan, now_ms: int) -> Light:
    """Returns yesterday's light by the lamp's switch, where there is one."""
    light = wanted(entries, plan.lamp_h)
    if plan.lamp is None:
        return light
    zone = ZoneInfo(plan.zone)
    today = local_date(now_ms, zone)
    start_ms, end_ms = (
        utc_ms(day, dt.time(0), zone) for day in (today - dt.timedelta(days=1), today)
    )
    cells = reader.ten_minutes(plan.lamp, start_ms, end_ms)
    return replace(light, yesterday_h=kept_hours(cell.mean for cell in cells))


def light_by_warmth(reader: StoreReader, light: Light, plan: BookPlan, now_ms: int) -> Light:
    """Returns the light with what the last week's water temperature tells of it, where no switch
    tells more. Takes some tenths of a second: for a screen, not for a look every minute."""
    if light.yesterday_h is not None or not plan.water:
        return light
    start_ms = now_ms - WARMTH_MS
    means = [_ten_minutes(reader, name, start_ms, now_ms) for name in plan.water]
    room = {} if plan.room is None else _ten_minutes(reader, plan.room, start_ms, now_ms)
    zone = ZoneInfo(plan.zone)
    cells = []
    for at_ms in sorted(set().union(*means)):
        local = dt.datetime.fromtimestamp(at_ms / 1000, zone)
        water = fmean(found[at_ms] for found in means if at_ms in found)
        cells.append(Cell(at_ms, local.hour * 60 + local.minute, water, room.get(at_ms)))
    return replace(light, by_warmth=lit_hours(cells))


def _ten_minutes(reader: StoreReader, channel: str, start_ms: int, end_ms: int) -> dict[int, float]:
    cells = reader.ten_minutes(channel, start_ms, end_ms)
    return {cell.start_ms: cell.mean for cell in cells if cell.mean is not None}


def daily(reader: StoreReader, start_ms: int, end_ms: int) -> list[MissingWater]:
    """Returns what was missing to the mark, one figure per day of UTC: the day's last, because the
    hourly ones are not independent."""
    midnights = range(start_ms // DAY_MS * DAY_MS, end_ms, DAY_MS)
    days = [(max(at, start_ms), min(at + DAY_MS, end_ms)) for at in midnights]
    found = reader.newest_within("level.to-mark", days, known=True)
    return [
        missing_water(row.time_ms, row.value, row.low, row.high)
        for row in found
        if row and row.value is not None and row.low is not None and row.high is not None
    ]
