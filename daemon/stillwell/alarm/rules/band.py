"""One measurand, seen by one or more channels, kept within a band.

The value of a band is the median of its healthy channels. Where one of two has just left the
band, the value is the other one for half an hour. From the value and from the slope (see `rate`)
come four conditions: too low, too high, changing too fast, and unseen, which means that no
healthy channel has shown it for so long that nobody knows it. While a band is unseen, the other
conditions stay as they were last known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from stillwell.alarm.rules.forecast import Forecast
from stillwell.alarm.rules.limit import CLEAR, Limit, LimitState, Side, judge
from stillwell.alarm.rules.missing import NONE, Trouble
from stillwell.alarm.rules.rate import STRETCH_MS, Slope
from stillwell.notice import Facts, Priority
from stillwell.reading import Moment, Quantity


@dataclass(frozen=True, slots=True)
class Band:
    """A target ± tolerance as limits, with deadband and delays. Values are in the unit of the
    channels."""

    name: str
    channels: tuple[str, ...]
    low: float
    high: float
    target: float
    deadband: float
    on_delay_s: float
    off_delay_s: float
    priority: Priority
    latching: bool = False
    rate_per_h: float | None = None
    label: str = ""
    """What people call it; empty: the name, capitalised."""
    of_water: bool = True
    """Whether all of its channels are in the tank's water, so that notices may advise about
    heater and lid."""

    @property
    def called(self) -> str:
        return self.label or self.name.replace("-", " ").capitalize()


@dataclass(frozen=True, slots=True)
class BandLimits:
    """The limits that follow from a band."""

    low: Limit
    high: Limit
    rate: Limit | None
    blind_ms: int
    """The band is unseen after so long without a healthy reading: the longest gap of its
    channels plus the on-delay."""


@dataclass(frozen=True, slots=True)
class BandState:
    """What is remembered of a band between readings."""

    low: LimitState = field(default=CLEAR)
    high: LimitState = field(default=CLEAR)
    rate: LimitState = field(default=CLEAR)
    sight: Trouble = field(default=NONE)
    lowest: float | None = None
    highest: float | None = None
    """`lowest` and `highest`: how far the value went in the present excursion, or in the last
    one."""

    @property
    def quiet(self) -> bool:
        """Whether a value inside the band changes nothing."""
        return self.low.quiet and self.high.quiet and self.sight.kind is None


def limits_of(band: Band, gap_ms: int) -> BandLimits:
    """Returns the limits of `band`, whose channels have gaps of at most `gap_ms`."""
    on_ms, off_ms = round(band.on_delay_s * 1000), round(band.off_delay_s * 1000)
    rate = None
    if band.rate_per_h is not None:
        # A slope over an hour is slow by itself, so it has no on-delay, but a wide deadband.
        rate = Limit(Side.HIGH, band.rate_per_h, band.rate_per_h / 4, 0, off_ms, 3 * STRETCH_MS)
    return BandLimits(
        low=Limit(Side.LOW, band.low, band.deadband, on_ms, off_ms, gap_ms),
        high=Limit(Side.HIGH, band.high, band.deadband, on_ms, off_ms, gap_ms),
        rate=rate,
        blind_ms=gap_ms + on_ms,
    )


def median(values: Sequence[float]) -> float | None:
    """Returns the median: of an even number the mean of the middle two; None where there are
    none."""
    count = len(values)
    if count == 0:
        return None
    if count == 1:
        return values[0]
    ordered = sorted(values)
    half = count // 2
    return ordered[half] if count % 2 else (ordered[half - 1] + ordered[half]) / 2


SPLIT_MS = 30 * 60_000
"""How long two channels may lie on different sides of a limit before their mean counts. While
the pump pauses for a feeding or a water change (half an hour, common practice), the heater warms
the chamber alone."""


def split(band: Band, values: Sequence[float]) -> bool:
    """Whether there are two values, one of them within the band and the other outside."""
    return len(values) == 2 and (band.low <= values[0] <= band.high) != (
        band.low <= values[1] <= band.high
    )


def judge_value(limits: BandLimits, state: BandState, value: float, now: Moment) -> BandState:
    """Returns the state after one more value."""
    low = judge(limits.low, state.low, value, now)
    high = judge(limits.high, state.high, value, now)
    lowest, highest = state.lowest, state.highest
    if low.since is not None or high.since is not None:
        goes_on = state.low.since is not None or state.high.since is not None
        lowest = min(lowest, value) if goes_on and lowest is not None else value
        highest = max(highest, value) if goes_on and highest is not None else value
    return replace(state, low=low, high=high, lowest=lowest, highest=highest)


def judge_slope(
    limits: BandLimits, state: BandState, slope: Slope | None, now: Moment
) -> BandState:
    """Returns the state after one more slope; None leaves it as it is."""
    if limits.rate is None or slope is None:
        return state
    return replace(state, rate=judge(limits.rate, state.rate, abs(slope.certain_per_h), now))


def judge_sight(state: BandState, sight: Trouble) -> BandState:
    """Returns the state with a new verdict on whether the value can be seen."""
    return replace(state, sight=sight)


# -- what is told of a band ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Course:
    """In which direction a value is going, and how fast."""

    per_h: float
    over_s: float
    """The length of time that was looked at."""
    turned_ms: int | None
    """When it turned in this direction, UTC; None: before that time."""


@dataclass(frozen=True, slots=True)
class OfBand(Facts):
    """Facts that every finding about a band has."""

    called: str
    quantity: Quantity
    of_water: bool
    value: float | None
    at_ms: int
    """When this was so, UTC."""


@dataclass(frozen=True, slots=True)
class OutsideBand(OfBand):
    """A value is too low or too high."""

    low: bool
    limit: float
    course: Course | None
    ahead: Forecast | None

    @property
    def worsens(self) -> bool:
        return self.course is not None and (self.course.per_h < 0) == self.low


@dataclass(frozen=True, slots=True)
class BackInBand(OfBand):
    """A value that was too low or too high is back in its band."""

    low: bool
    limit: float
    worst: float | None
    """The value furthest from the band."""


@dataclass(frozen=True, slots=True)
class Racing(OfBand):
    """A value changes too fast."""

    course: Course | None
    limit_per_h: float
    leaves: Forecast | None
    """When it leaves its band, if it goes on at this rate."""


@dataclass(frozen=True, slots=True)
class Steady(OfBand):
    """A value no longer changes too fast."""

    limit_per_h: float


@dataclass(frozen=True, slots=True)
class Unseen(OfBand):
    """No channel shows the value."""

    why: tuple[tuple[str, str], ...]
    """The name of each channel, and what is wrong with it."""


@dataclass(frozen=True, slots=True)
class SeenAgain(OfBand):
    """A channel shows the value again."""
