"""Reads one night from the store and makes its review; puts the review into words for a phone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from heapq import merge
from itertools import pairwise
from zoneinfo import ZoneInfo

from stillwell.calendar import Night
from stillwell.estimate.level.week import WEEK_MS, WaterWeek, poured, week
from stillwell.journal import standing
from stillwell.keeper.level_now import Since, since_in_words
from stillwell.notice import Notice, Priority, Prose
from stillwell.observe.chamber.journal import JUG_REL_SD, KINDS, pour_of
from stillwell.observe.salt.alarms import NOT_WORTH_ML
from stillwell.ports import Published
from stillwell.reading import Moment, Quantity, Reading
from stillwell.review import (
    NIGHTS_BEFORE,
    BandNight,
    Figure,
    Review,
    WaterNight,
    alarm_nights,
    band_night,
    channel_night,
    oddities,
    water_night,
)
from stillwell.review_plan import ReviewPlan, Unmeasured
from stillwell.store import StoreReader, rescue_words
from stillwell.units import Dimension, System, show, show_kept
from stillwell.water.evaporation import SEA, Water, air_of, expected
from stillwell.words import Reader

_HOUR_MS, _TEN_MIN_MS = 3_600_000, 600_000
_LEVEL_BACK_MS = 3 * _HOUR_MS
_LEVEL_AFTER_MS = 10 * 60_000
"""The level at a night's end is the nearest row from the hours before to this long after, in ms."""
_RESERVE_MOST_H = 60 * 24.0
_LEEWAY_MS = 24 * _HOUR_MS
"""The pour with which a week begins may lie so long before it."""


def review_of(reader: StoreReader, plan: ReviewPlan, night: Night) -> Review:
    """Returns the review of one night. Reads that night and nothing else."""
    start, end = night.start_utc_ms, night.end_utc_ms
    bands = tuple(
        band_night(
            band,
            merged(reader, band.channels, start, end),
            start,
            end,
        )
        for band in plan.bands
    )
    channels = tuple(
        channel_night(name, reader.readings(name, start, end), start, end) for name in plan.channels
    )
    transitions = list(reader.transitions(start, end))
    moved = {t.alarm for t in transitions}
    before = [t for t in reader.alarms(start) if t.alarm not in moved]
    words = Reader(plan.zone, plan.units)
    alarms = alarm_nights(transitions, before, end, words.alarm)
    lost = rescue_words.in_window(reader.rescues(), start, end, plan.zone)
    odd = (*lost, *oddities(bands, channels, lost=bool(lost)))
    water = _water(reader, plan, night)
    lately = _week(reader, plan.unmeasured, end) if plan.unmeasured else None
    return Review(night.local_date, start, end, bands, channels, alarms, odd, water, lately)


def _week(reader: StoreReader, tank: Unmeasured, end_ms: int) -> WaterWeek | None:
    """Returns what the pours that were noted in the week before a time, and the air, say of it."""
    entries = standing(reader.journal(end_ms - WEEK_MS - _LEEWAY_MS, end_ms, KINDS))
    anew_ms = max((entry.at_ms for entry in entries if entry.kind != "pour"), default=0)
    found = [pour_of(entry, entry.at_ms) for entry in entries if entry.kind == "pour"]
    pours = [(pour.t_ms, pour.ml) for pour in found if not isinstance(pour, str)]
    by_hand = poured(pours, anew_ms)
    span = (by_hand.begin_ms, by_hand.end_ms) if by_hand else (end_ms - WEEK_MS, end_ms)

    def mean(*channels: str) -> float | None:
        cells = (cell for name in channels for cell in reader.ten_minutes(name, *span))
        known = [cell.mean for cell in cells if cell.mean is not None]
        return sum(known) / len(known) if known else None

    water_c, room_c, damp = mean(*tank.water), mean(tank.room), mean(tank.humidity)
    ml_per_h, rel_sd = None, tank.expected_rel_sd
    if water_c is not None and room_c is not None:
        air, rel_sd = air_of(room_c, damp, rel_sd)
        ml_per_h = expected(Water(water_c, SEA), air, tank.surface_mm2)
    return week(by_hand, ml_per_h, rel_sd, JUG_REL_SD, tank.mark_sd_ml)


def _water(reader: StoreReader, plan: ReviewPlan, night: Night) -> WaterNight | None:
    """Returns what the level's observer has published about a night. A night that a late entry
    changed has several rows: the newest counts."""
    end = night.end_utc_ms

    earlier = [night.local_date - dt.timedelta(days=n) for n in range(1, NIGHTS_BEFORE + 1)]
    ends = [plan.of(evening).end_utc_ms for evening in earlier]
    before = reader.newest_within("night.rate", [(at, at + 1) for at in ends])
    published = {row.name: row for row in reader.estimates(None, end, end + 1)}
    near = reader.estimates(None, end - _LEVEL_BACK_MS, end + _LEVEL_AFTER_MS)
    # The nearest to the end: some minutes later somebody may have poured already.
    latest = {
        row.name: row
        for row in sorted(near, key=lambda row: -abs(row.time_ms - end))
        if row.name.startswith(("level.", "top-up."))
    }
    return water_night(published, [row for row in before if row], latest)


def level_points(
    reader: StoreReader, plan: ReviewPlan, start_ms: int, end_ms: int
) -> list[tuple[int, float]]:
    """Returns the level over a time as (UTC ms, mm), for pictures: the gauge's ten-minute means, or
    where there is no gauge the hourly estimates, joined. Empty where there is neither."""
    for name, quantity in plan.channels.items():
        if quantity is Quantity.LEVEL and name not in plan.elsewhere:
            cells = reader.ten_minutes(name, start_ms, end_ms)
            points = [(cell.start_ms + 300_000, cell.mean) for cell in cells]
            found = [(at, mean) for at, mean in points if mean is not None]
            if found:
                return found
    rows = reader.estimates("level.now", start_ms - _HOUR_MS, end_ms + _HOUR_MS)
    drawn: list[tuple[int, float]] = []
    for piece in pieces(reader, [row for row in rows if row.value is not None]):
        known = [(row.time_ms, row.value) for row in piece if row.value is not None]
        drawn += (*_joined(known), *known[-1:])
    return [(at_ms, mm) for at_ms, mm in drawn if start_ms <= at_ms < end_ms]


def pieces(reader: StoreReader, rows: Sequence[Published]) -> Iterator[list[Published]]:
    """Yields the rows of an estimate of the level in pieces, divided where water was noted in
    between or rows are missing: nothing tells how the level went there."""
    if not rows:
        return
    water = standing(reader.journal(rows[0].time_ms, rows[-1].time_ms + 1, KINDS))
    piece = [rows[0]]
    for row in rows[1:]:
        before_ms = piece[-1].time_ms
        poured = any(before_ms < entry.at_ms <= row.time_ms for entry in water)
        if poured or row.time_ms - before_ms > 2 * _HOUR_MS:
            yield piece
            piece = []
        piece.append(row)
    yield piece


def _joined(points: Sequence[tuple[int, float]]) -> Iterator[tuple[int, float]]:
    """Yields points every ten minutes from each point to the next, if the next follows within the
    hour or two."""
    for (at_ms, mm), (then_ms, then_mm) in pairwise(points):
        apart_ms = then_ms - at_ms
        steps = apart_ms // _TEN_MIN_MS if apart_ms <= 2 * _HOUR_MS else 1
        for k in range(max(1, steps)):
            part = k * _TEN_MIN_MS / apart_ms if k else 0.0
            yield at_ms + k * _TEN_MIN_MS, mm + (then_mm - mm) * part


def merged(
    reader: StoreReader, channels: Iterable[str], start_ms: int, end_ms: int
) -> Iterator[Reading]:
    """Yields the readings of several channels, by time."""
    return merge(
        *(reader.readings(channel, start_ms, end_ms) for channel in channels),
        key=lambda reading: reading.moment.utc_ms,
    )


def band_in_words(band: BandNight, units: System) -> str:
    """Returns one sentence about a measurand's night."""
    name = band.name.capitalize()
    if band.seen_s == 0:
        return f"{name}: nothing seen."
    lowest = show_kept(band.lowest, band.unit, units)
    highest = show_kept(band.highest, band.unit, units)
    outside = [
        f"{show(seconds, Dimension.DURATION, units)} {where} {show_kept(limit, band.unit, units)}"
        for seconds, where, limit in (
            (band.below_s, "below", band.low),
            (band.above_s, "above", band.high),
        )
        if seconds > 0
    ]
    tail = " and ".join(outside) if outside else "never outside its band"
    return f"{name} {lowest} to {highest}, {tail}."


def volume_in_words(ml: float, units: System) -> str:
    """``540 mL``, ``1.2 L``."""
    return show(ml, Dimension.VOLUME, units)


def water_in_words(water: WaterNight, units: System) -> list[str]:
    """Sentences about the night's loss and the level."""

    def flow(ml_per_h: float) -> str:
        return show(ml_per_h, Dimension.FLOW, units)

    said: list[str] = []
    if water.lost is None or water.rate is None:
        said.append(f"Water lost: not enough evidence. {water.not_enough}")
        if water.before is not None:
            said.append(f"{_nights_before(water)} {flow(water.before)}.")
    else:
        lost, rate = water.lost, water.rate
        low, high = lost.low or 0.0, lost.high or 0.0
        a_day = show(rate.value * 24, Dimension.VOLUME, units)
        first = (
            f"Water lost: {volume_in_words(lost.value, units)} "
            f"({volume_in_words(low, units)} to {volume_in_words(high, units)}), "
            f"{flow(rate.value)} or {a_day} a day"
        )
        if water.before is not None:
            before = _nights_before(water)
            first += f"; {before[0].lower()}{before[1:]} {flow(water.before)}"
        if water.expected is not None:
            ratio = lost.value / water.expected.value if water.expected.value else 0.0
            first += f"; {ratio:.0%} of what the air explains"
        if water.topped_up is not None:
            first += "; the top-up has replaced it"
        said.append(first + ".")
    if water.level is not None:
        said.append(_level_in_words(water, water.level, units))
    if water.reservoir is not None:
        said.append(_reservoir_in_words(water.reservoir, water.reservoir_lasts, units))
    return said


def _reservoir_in_words(left: Figure, lasts: Figure | None, units: System) -> str:
    """Returns what is left for the automatic top-up, and for how long."""
    said = f"Top-up's reservoir: {volume_in_words(left.value, units)} left"
    if lasts is not None:
        soonest = lasts.low if lasts.low is not None else lasts.value
        said += f", empty in {days_in_words(lasts.value)} (not before {days_in_words(soonest)})"
    return said + "."


def week_in_words(week: WaterWeek, units: System) -> str:
    """Returns a sentence or two about a tank whose level nothing measures."""
    low, high = volume_in_words(week.low, units), volume_in_words(week.high, units)
    lost = f"{volume_in_words(week.ml, units)} ({low} to {high})"
    a_day = volume_in_words(24.0 * week.ml / week.hours, units)
    days = days_in_words(week.hours)
    if not week.pours:
        return (
            f"Water lost in {days}: about {lost}, {a_day} a day, by what the air explains alone. "
            "Note each pour, and the number is better."
        )
    count = "1 noted pour" if week.pours == 1 else f"{week.pours} noted pours"
    said = f"Water lost in {days}: {lost}, {a_day} a day, if every pour was noted ({count}"
    if week.expected_ml:
        said += f"; {week.ml / week.expected_ml:.0%} of what the air explains"
    said += ")."
    if week.apart and week.expected_ml is not None:
        less = week.ml < week.expected_ml
        said += " Was a pour not noted?" if less else " Is the floor dry?"
    return said


def _nights_before(water: WaterNight) -> str:
    """Returns on which nights the mean of the nights before rests."""
    many = water.nights_before > 1
    return f"The {water.nights_before} nights before" if many else "The night before"


def _level_in_words(water: WaterNight, level: Figure, units: System) -> str:
    at = f"Level then {show(level.value, Dimension.LENGTH, units)} from the fill mark"
    if water.to_add is not None:
        add = water.to_add.value
        at += f": {volume_in_words(abs(add), units)} {'below' if add >= 0 else 'above'} it"
    at += "."
    if water.reserve is not None:
        hours = water.reserve.value
        soonest = water.reserve.low if water.reserve.low is not None else hours
        if hours >= _RESERVE_MOST_H:
            at += " More than 60 days to the lowest safe level."
        else:
            at += (
                f" {days_in_words(hours)} to the lowest safe level "
                f"(not before {days_in_words(soonest)})."
            )
    return at


def days_in_words(hours: float) -> str:
    """``18 h``, ``2.4 days``."""
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.1f} days"


def notice_of(review: Review, plan: ReviewPlan, now: Moment, since: Since | None = None) -> Notice:
    """Returns the review as a morning's message. Each night has one key: it is sent once, however
    often it is made.

    It may be read late: so the title tells how the night was and how the level stands, but not what
    to do; what to do is given with its time.
    """
    water = review.water
    lines = [] if water is None else water_in_words(water, plan.units)
    if review.week is not None:
        lines.append(week_in_words(review.week, plan.units))
    missing = None
    if water is not None and since is not None:
        at = f"At {dt.datetime.fromtimestamp(now.utc_ms / 1000, ZoneInfo(plan.zone)):%H:%M}"
        lines += since_in_words(since, review.end_ms, plan.zone, plan.units, at)
        missing = None if since.now.alarm else since.now.missing_ml
    lines += [band_in_words(band, plan.units) for band in review.bands]
    lines += [
        f"{alarm.name}: {alarm.what}"
        for alarm in review.alarms
        if alarm.priority is not Priority.LOW
    ]
    if not review.alarms:
        lines.append("No alarms.")
    lines += review.odd
    if water is not None:
        lines += water.odd
    count = len(review.alarms)
    calm = "a calm night" if not count else "1 alarm" if count == 1 else f"{count} alarms"
    if missing is not None and missing >= NOT_WORTH_ML:
        calm += f", {volume_in_words(missing, plan.units)} low"
    return Notice(
        key=f"review-{review.night.isoformat()}",
        subject="review",
        kind="review",
        priority=Priority.LOW,
        moment=now,
        facts=Prose(f"{plan.tank}: {calm}"[:80], "\n".join(lines)),
    )
