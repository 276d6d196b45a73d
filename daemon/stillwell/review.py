"""The night as the morning's review shows it. Pure: readings in, a review out.

A review is worked out from what the store holds of one night, so that its cost grows with the night
and not with the history.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date
from statistics import median
from typing import Any

from stillwell.estimate.level.week import WaterWeek
from stillwell.notice import Priority, Said, State, Transition
from stillwell.ports import Published
from stillwell.reading import Flag, Reading, rfc3339

HEALTHY = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT)
STANDING = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.LATCHED)


@dataclass(frozen=True, slots=True)
class BandPlan:
    """A band as a review needs it: the channels that measure it, its limits in the store's unit."""

    name: str
    channels: tuple[str, ...]
    low: float
    high: float
    unit: str
    stale_ms: int = 180_000
    """A channel without a good reading for this long, in ms, does not count."""
    of_water: bool = True
    """Whether all of its channels are in the tank's water."""


@dataclass(frozen=True, slots=True)
class BandNight:
    """One measurand's night.

    Times are seconds. `seen_s` is how much of the night was seen at all: only time that was seen
    can count as outside the band.
    """

    name: str
    unit: str
    low: float
    high: float
    lowest: float | None
    highest: float | None
    mean: float | None
    below_s: float
    above_s: float
    seen_s: float
    night_s: float


@dataclass(frozen=True, slots=True)
class ChannelNight:
    """One channel's night: how many readings it gave and how many of them were good."""

    name: str
    readings: int
    good: int
    lowest: float | None
    highest: float | None
    last: float | None
    longest_gap_s: float


@dataclass(frozen=True, slots=True)
class AlarmNight:
    """One alarm that rang or stood during the night."""

    name: str
    priority: Priority
    raised: int
    raised_ms: int | None
    """When it was first raised that night; None when it stood already."""
    returned_ms: int | None
    state: State
    """The state at the night's end."""
    text: str
    what: str = ""
    """What was wrong, briefly."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with its 95 % interval and what it rests on, as the level's observer published
    it."""

    value: float
    low: float | None
    high: float | None
    unit: str
    basis: str

    @classmethod
    def of(cls, published: Published | None) -> Figure | None:
        """Returns None where nothing was published, or no number."""
        if published is None or published.value is None:
            return None
        return cls(published.value, published.low, published.high, published.unit, published.basis)


@dataclass(frozen=True, slots=True)
class WaterNight:
    """How much water was lost in the night, and how the level stands."""

    lost: Figure | None
    """The loss of the night, mL."""
    rate: Figure | None
    """The mean loss of the night, mL/h."""
    not_enough: str
    """Why there is no loss; empty where there is one."""
    before: float | None
    """The mean loss of the nights before, mL/h; None without any."""
    nights_before: int
    """On how many of the last seven nights that mean rests."""
    expected: Figure | None
    """The loss that physics expects of the night, mL; None where it can't tell."""
    level: Figure | None
    """The level at the night's end, mm relative to the fill mark."""
    to_add: Figure | None
    """Fresh water to add to reach the fill mark, mL; negative above it."""
    reserve: Figure | None
    """Hours until the lowest safe level if nobody pours."""
    odd: tuple[str, ...]
    topped_up: Figure | None = None
    """What an automatic top-up has replaced, mL."""
    reservoir: Figure | None = None
    """What was left in its reservoir at the night's end, mL."""
    reservoir_lasts: Figure | None = None
    """Hours until the reservoir is empty."""


NIGHTS_BEFORE = 7


def water_night(
    of_night: Mapping[str, Published],
    rates_before: Sequence[Published],
    latest: Mapping[str, Published],
) -> WaterNight | None:
    """Returns what was published about a night, put together; None where nothing was.

    Args:
        of_night: by name (``night.loss`` …), the newest of each.
        rates_before: ``night.rate`` of the nights before.
        latest: by name (``level.now`` …), the newest of each at the night's end.
    """
    loss = of_night.get("night.loss")
    if loss is None and not latest:
        return None
    before = [rate.value for rate in rates_before if rate.value is not None]
    told = of_night.get("night.odd")
    lost = Figure.of(loss)
    return WaterNight(
        lost,
        Figure.of(of_night.get("night.rate")),
        "" if lost else loss.basis if loss else "The night was not seen to its end.",
        sum(before) / len(before) if before else None,
        len(before),
        Figure.of(of_night.get("night.expected")),
        Figure.of(latest.get("level.now")),
        Figure.of(latest.get("level.to-mark")),
        Figure.of(latest.get("level.reserve")),
        tuple(told.basis.split("\n")) if told is not None and told.basis else (),
        Figure.of(of_night.get("night.topped-up")),
        Figure.of(latest.get("top-up.left")),
        Figure.of(latest.get("top-up.lasts")),
    )


@dataclass(frozen=True, slots=True)
class Review:
    """The night, for people and for programs."""

    night: date
    """The local date of the evening."""
    start_ms: int
    end_ms: int
    bands: tuple[BandNight, ...]
    channels: tuple[ChannelNight, ...]
    alarms: tuple[AlarmNight, ...]
    odd: tuple[str, ...] = field(default=())
    """Anything that a person should know before they believe the rest."""
    water: WaterNight | None = None
    """None if nobody estimates the level: no chamber in the configuration."""
    week: WaterWeek | None = None
    """What the pours and the air say of about a week, where nothing measures the level."""

    def as_dict(self) -> dict[str, Any]:
        """Returns the review ready for JSON: dates ISO 8601, times RFC 3339 in UTC, SI units."""
        raw = asdict(self)
        raw["night"] = self.night.isoformat()
        raw["start"], raw["end"] = rfc3339(raw.pop("start_ms")), rfc3339(raw.pop("end_ms"))
        for alarm in raw["alarms"]:
            for key in ("raised", "returned"):
                ms = alarm.pop(f"{key}_ms")
                alarm[f"{key}_at"] = None if ms is None else rfc3339(ms)
        return raw


def measurand(readings: Iterable[Reading], stale_ms: int) -> Iterator[tuple[int, float]]:
    """Yields the median of the healthy channels at each new reading, as (UTC ms, value).

    Args:
        readings: of all channels that measure the same thing, in time order.
        stale_ms: how long a channel's value counts.
    """
    latest: dict[str, tuple[int, float]] = {}
    for reading in readings:
        if reading.value is None or reading.flag not in HEALTHY:
            continue
        now = reading.moment.utc_ms
        latest[reading.channel] = (now, reading.value)
        yield now, median(value for at, value in latest.values() if now - at <= stale_ms)


def band_night(
    plan: BandPlan, readings: Iterable[Reading], start_ms: int, end_ms: int
) -> BandNight:
    """Returns the range and the time outside the band of one night.

    A value holds until the next one, but no longer than `plan.stale_ms`: a gap is not seen, and
    counts neither as inside nor as outside.
    """
    lowest: float | None = None
    highest: float | None = None
    below = above = seen = weighted = 0.0
    points = measurand(readings, plan.stale_ms)
    previous = next(points, None)
    while previous is not None:
        at, value = previous
        following = next(points, None)
        until = min(end_ms, at + plan.stale_ms, following[0] if following else end_ms)
        held_s = max(0, until - max(at, start_ms)) / 1000
        lowest = value if lowest is None else min(lowest, value)
        highest = value if highest is None else max(highest, value)
        seen += held_s
        weighted += held_s * value
        below += held_s if value < plan.low else 0.0
        above += held_s if value > plan.high else 0.0
        previous = following
    return BandNight(
        plan.name,
        plan.unit,
        plan.low,
        plan.high,
        lowest,
        highest,
        weighted / seen if seen else None,
        below,
        above,
        seen,
        (end_ms - start_ms) / 1000,
    )


def channel_night(
    name: str, readings: Iterable[Reading], start_ms: int, end_ms: int
) -> ChannelNight:
    """Returns counts, range and the longest time without a good reading of one channel."""
    count = good = 0
    lowest: float | None = None
    highest: float | None = None
    last: float | None = None
    gap_ms = 0
    last_ms = start_ms
    for reading in readings:
        count += 1
        if reading.value is None or reading.flag not in HEALTHY:
            continue
        good += 1
        last = reading.value
        lowest = last if lowest is None else min(lowest, last)
        highest = last if highest is None else max(highest, last)
        gap_ms = max(gap_ms, reading.moment.utc_ms - last_ms)
        last_ms = reading.moment.utc_ms
    gap_ms = max(gap_ms, end_ms - last_ms)
    return ChannelNight(name, count, good, lowest, highest, last, gap_ms / 1000)


def alarm_nights(
    transitions: Sequence[Transition],
    standing: Sequence[Transition],
    end_ms: int,
    words: Callable[[Transition], Said],
) -> tuple[AlarmNight, ...]:
    """Returns the alarms of the night, the most urgent first.

    Args:
        transitions: of the night, in order.
        standing: the latest transition before the night of each alarm that stood when it began.
        end_ms: the night's end, UTC ms.
        words: puts an alarm into words.
    """
    by_name: dict[str, list[Transition]] = {}
    for transition in transitions:
        if transition.moment.utc_ms <= end_ms:
            by_name.setdefault(transition.alarm, []).append(transition)
    before = {t.alarm: t for t in standing if t.active}
    # An alarm whose first move of the night is not a raise stood already when the night began.
    before |= {
        name: rows[0]
        for name, rows in by_name.items()
        if rows[0].event != "raise" and rows[0].before in STANDING
    }
    nights = []
    for name in by_name.keys() | before.keys():
        rows = by_name.get(name, [])
        raised = [t for t in rows if t.event == "raise"]
        if not raised and name not in before:
            continue
        if rows and name not in before and all(t.after is State.SUPPRESSED for t in raised):
            continue  # it followed from another alarm, which is listed
        last = rows[-1] if rows else before[name]
        told = raised[-1] if raised else before[name]
        returned = [t for t in rows if t.event == "clear"]
        nights.append(
            AlarmNight(
                name,
                told.priority,
                len(raised),
                raised[0].moment.utc_ms if raised and name not in before else None,
                returned[-1].moment.utc_ms if returned and not last.active else None,
                last.after,
                str(words(told)),
                words(told).title,
            )
        )
    order = list(Priority)  # the most urgent first
    return tuple(sorted(nights, key=lambda a: (order.index(a.priority), a.raised_ms or 0, a.name)))


def oddities(
    bands: Sequence[BandNight], channels: Sequence[ChannelNight], *, lost: bool = False
) -> tuple[str, ...]:
    """Returns sentences about what was not seen or not good.

    Args:
        lost: readings of the night were made and could not be kept, so a channel without any may
            have given many.
    """
    said: list[str] = []
    for band in bands:
        unseen = 1 - band.seen_s / band.night_s if band.night_s else 1.0
        if band.seen_s == 0:
            nothing = "Nothing is left" if lost else "Nothing was seen"
            said.append(f"{nothing} of {band.name} all night.")
        elif unseen > 0.05:
            seen = "is not known" if lost else "was not seen"
            said.append(f"{band.name} {seen} for {unseen:.0%} of the night.")
    for channel in channels:
        if channel.readings == 0:
            nothing = "has no readings left of the night" if lost else "said nothing all night"
            said.append(f"{channel.name} {nothing}.")
        elif channel.good < 0.95 * channel.readings:
            bad = channel.readings - channel.good
            said.append(f"{channel.name}: {bad} of {channel.readings} readings were not good.")
    return tuple(said)
