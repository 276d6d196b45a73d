"""Reads one night from the store and makes the review of it; puts the review into words for a
phone."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from heapq import merge
from zoneinfo import ZoneInfo

from stillwell.calendar import Night, last_nights, night_of
from stillwell.notice import Notice, Priority, Transition
from stillwell.reading import Moment, Quantity, Reading
from stillwell.review import (
    BandNight,
    BandPlan,
    Review,
    alarm_nights,
    band_night,
    channel_night,
    oddities,
)
from stillwell.store import StoreReader
from stillwell.units import Dimension, System, show

PLAN_KEY = "review plan"
"""Under which the plan is kept in the store."""

DIMENSION = {
    "Cel": Dimension.TEMPERATURE,
    "mm": Dimension.LENGTH,
    "%RH": Dimension.HUMIDITY,
    "mS/cm": Dimension.CONDUCTIVITY,
}


@dataclass(frozen=True, slots=True)
class ReviewPlan:
    """What a review looks at, and for whom."""

    tank: str
    zone: str
    units: System
    night_from: dt.time
    night_to: dt.time
    bands: tuple[BandPlan, ...]
    channels: Mapping[str, Quantity]

    def to_json(self) -> str:
        """For the store: whoever looks at it later need not have the configuration."""
        return json.dumps(
            {
                "tank": self.tank,
                "zone": self.zone,
                "units": str(self.units),
                "night_from": self.night_from.isoformat(),
                "night_to": self.night_to.isoformat(),
                "bands": [asdict(band) for band in self.bands],
                "channels": dict(self.channels),
            }
        )

    @classmethod
    def from_json(cls, text: str) -> ReviewPlan:
        """The inverse of `to_json`."""
        raw = json.loads(text)
        return cls(
            tank=raw["tank"],
            zone=raw["zone"],
            units=System(raw["units"]),
            night_from=dt.time.fromisoformat(raw["night_from"]),
            night_to=dt.time.fromisoformat(raw["night_to"]),
            bands=tuple(
                BandPlan(**band | {"channels": tuple(band["channels"])}) for band in raw["bands"]
            ),
            channels={name: Quantity(quantity) for name, quantity in raw["channels"].items()},
        )

    def last(self, now_utc_ms: int, count: int = 1) -> list[Night]:
        """The last nights that have ended, the oldest first."""
        return last_nights(now_utc_ms, count, ZoneInfo(self.zone), self.night_from, self.night_to)

    def within(self, start_ms: int, end_ms: int) -> list[Night]:
        """The nights of which at least half lies within a span, or the one of which the most does
        where there is none such. For stores and traces that nobody writes any more."""
        count = (end_ms - start_ms) // 86_400_000 + 3
        nights = self.last(end_ms + 2 * 86_400_000, count)

        def seen(night: Night) -> float:
            start, end = night.start_utc_ms, night.end_utc_ms
            return max(0, min(end, end_ms) - max(start, start_ms)) / (end - start)

        found = [night for night in nights if seen(night) >= 0.5]
        most = max(nights, key=seen)
        return found or ([most] if seen(most) > 0 else [])

    def of(self, evening: dt.date) -> Night:
        """The night that began on the evening of a local date."""
        return night_of(evening, ZoneInfo(self.zone), self.night_from, self.night_to)


def review_of(reader: StoreReader, plan: ReviewPlan, night: Night) -> Review:
    """The review of one night. Reads the night and nothing else."""
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
    transitions = reader.transitions(start, end)
    before = _before(reader, start, {t.alarm for t in transitions})
    alarms = alarm_nights(transitions, before, end)
    return Review(night.local_date, start, end, bands, channels, alarms, oddities(bands, channels))


def merged(
    reader: StoreReader, channels: Iterable[str], start_ms: int, end_ms: int
) -> Iterator[Reading]:
    """The readings of several channels, by time."""
    return merge(
        *(reader.readings(channel, start_ms, end_ms) for channel in channels),
        key=lambda reading: reading.moment.utc_ms,
    )


def _before(reader: StoreReader, start_ms: int, moved: set[str]) -> list[Transition]:
    """How each alarm stood when the night began."""
    latest = reader.alarms()
    found = [t for t in latest if t.moment.utc_ms < start_ms]
    unknown = {t.alarm for t in latest if t.moment.utc_ms >= start_ms} - moved
    if unknown:
        # They have moved since, and not during the night: only then is the log looked through.
        log = {t.alarm: t for t in reader.transitions(end_ms=start_ms) if t.alarm in unknown}
        found += log.values()
    return found


def value_in_words(value: float | None, unit: str, units: System) -> str:
    """A stored value as people read it: ``25.3 °C``, or a dash."""
    if value is None:
        return "–"
    dimension = DIMENSION.get(unit)
    return f"{value:.2f}" if dimension is None else show(value, dimension, units)


def band_in_words(band: BandNight, units: System) -> str:
    """One sentence about a measurand's night."""
    name = band.name.capitalize()
    if band.seen_s == 0:
        return f"{name}: nothing seen."
    lowest = value_in_words(band.lowest, band.unit, units)
    highest = value_in_words(band.highest, band.unit, units)
    outside = [
        f"{show(seconds, Dimension.DURATION, units)} {where} "
        f"{value_in_words(limit, band.unit, units)}"
        for seconds, where, limit in (
            (band.below_s, "below", band.low),
            (band.above_s, "above", band.high),
        )
        if seconds > 0
    ]
    tail = " and ".join(outside) if outside else "never outside its band"
    return f"{name} {lowest} to {highest}, {tail}."


def notice_of(review: Review, plan: ReviewPlan, now: Moment) -> Notice:
    """The review as a morning's message. One key a night: sent once, however often it is made."""
    lines = [band_in_words(band, plan.units) for band in review.bands]
    lines += [
        f"{alarm.name}: {alarm.what}"
        for alarm in review.alarms
        if alarm.priority is not Priority.LOW
    ]
    if not review.alarms:
        lines.append("No alarms.")
    lines += review.odd
    count = len(review.alarms)
    calm = "a calm night" if not count else "1 alarm" if count == 1 else f"{count} alarms"
    return Notice(
        key=f"review-{review.night.isoformat()}",
        subject="review",
        kind="review",
        priority=Priority.LOW,
        moment=now,
        title=f"{plan.tank}: {calm}"[:80],
        text="\n".join(lines),
    )
