"""What the watch knows now of each channel and each rule. Mutable and owned by one `Watch`, not
frozen values, because it is asked for every reading.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.kept import Shifted
from stillwell.alarm.rules import agreement as agreements
from stillwell.alarm.rules import band as bands
from stillwell.alarm.rules import discrepancy as discrepancies
from stillwell.alarm.rules.agreement import Agreement
from stillwell.alarm.rules.band import Band, BandState
from stillwell.alarm.rules.discrepancy import Discrepancy
from stillwell.alarm.rules.limit import CLEAR, Limit, LimitState
from stillwell.alarm.rules.missing import NONE, ChannelWatch
from stillwell.alarm.rules.neighbours import Company, seen
from stillwell.alarm.rules.rate import (
    LATELY,
    STRETCH_MS,
    Slope,
    Trail,
    comes_back,
    goes_on,
    leaps,
    slope,
    steepest,
    together,
)
from stillwell.reading import Moment, Quantity

NEVER_MS = 1 << 62

UNSEEN = Moment(-NEVER_MS, 0)
"""Stands for the moment of a reading that never came."""


class Channel:
    """What is known of a channel now. Mutable, because a value made anew for every reading would
    be slow."""

    __slots__ = (
        "_slope",
        "agreements",
        "answered_ms",
        "averaged",
        "bad_tests",
        "bands",
        "begun",
        "calm",
        "ceiling",
        "doubted",
        "floor",
        "gap_ms",
        "good",
        "lately",
        "priority",
        "raced",
        "seen",
        "states",
        "steepest",
        "stuck",
        "stuck_at",
        "trail",
        "trouble",
        "value",
        "watch",
    )

    def __init__(self, watch: ChannelWatch) -> None:
        self.watch = watch
        self.gap_ms = round(watch.gap_s * 1000)
        self.bands: list[BandWatch] = []
        self.states: list[StateWatch] = []
        self.agreements: list[AgreementWatch] = []
        self.priority = priority_of("{channel}.silent")
        self.begun: Moment | None = None
        """When watching it began."""
        self.calm = False
        self.floor, self.ceiling = -math.inf, math.inf
        self.value = math.nan
        self.seen = UNSEEN
        """When the last reading came that may move bands; `value` is the value of that reading."""
        self.good: Moment | None = None
        """When the last reading came that is no sign of trouble, where that is later than
        `seen`."""
        self.answered_ms: int | None = None
        self.bad_tests = ""
        self.trouble = NONE
        self.stuck = False
        self.stuck_at: float | None = None
        self.doubted = False
        """Whether an alarm stands that says not to believe this channel; see `Row.doubts`."""
        self.averaged = False
        """Whether any rule judges the means of its stretches."""
        self.raced = False
        """Whether a rate limit needs its slope after every stretch."""
        self.trail = Trail()
        self.lately: tuple[tuple[int, float], ...] = ()
        """The stretches that a rate limit looks at."""
        self.steepest = 0.0
        """The result of `rate.steepest` for `lately`."""
        self._slope: Slope | None = None

    def kept(self) -> Any:
        """Returns what the next run continues from, for `kept.as_text`."""
        trail = self.trail
        return {
            "begun": self.begun,
            "value": self.value,
            "seen": None if self.seen is UNSEEN else self.seen,
            "good": self.good,
            "answered": self.answered_ms,
            "bad": self.bad_tests,
            "trouble": self.trouble,
            "stuck": self.stuck,
            "stuck_at": self.stuck_at,
            "trail": [trail.points, trail.total, trail.count, trail.ends_ms],
        }

    def revive(self, kept: Any, here: Shifted) -> None:
        """Continues from what an earlier run has kept. Whether an alarm stands comes from the
        log alone."""
        trouble = here.trouble(kept["trouble"])
        points, total, count, ends_ms = kept["trail"]
        by = here.moved.get(self.watch.name, 0.0)
        trail = Trail()
        trail.points.extend((int(ms) + here.by_ms, float(mean) + by) for ms, mean in points)
        trail.total, trail.count, trail.ends_ms = (
            float(total) + by * int(count),
            int(count),
            int(ends_ms) + here.by_ms,
        )
        self.begun = here.moment(kept["begun"])
        self.value = float(kept["value"]) + by
        self.seen = here.moment(kept["seen"]) or UNSEEN
        self.good = here.moment(kept["good"])
        self.answered_ms, self.bad_tests = here.ms(kept["answered"]), str(kept["bad"])
        if trouble.kind is self.trouble.kind:
            self.trouble = trouble
        if bool(kept["stuck"]) is self.stuck:
            self.stuck_at = None if kept["stuck_at"] is None else float(kept["stuck_at"]) + by
        self.trail = trail
        self.look_lately()

    def look_lately(self) -> None:
        """Takes over the latest stretches of the trail as what a rate limit looks at."""
        self.lately = tuple(self.trail.points)[-LATELY:]
        self.steepest = steepest(self.lately)
        self._slope = None

    def slope(self) -> Slope | None:
        """Returns the slope of `lately`, worked out only when it is asked for, which is rare."""
        if self._slope is None:
            lately = slope(self.lately, self.watch.step)
            if lately is not None and (
                comes_back(tuple(self.trail.points), lately)
                or not goes_on(self.lately, lately, self.watch.step)
            ):
                lately = replace(lately, certain_per_h=0.0)
            self._slope = lately
        return self._slope

    def leaps(self, now: Moment) -> bool:
        """Whether a temperature leaps, as `rate.leaps` defines it; False for other quantities."""
        warm = self.watch.quantity is Quantity.TEMPERATURE
        return warm and leaps(self.trail.points, now.mono_ms)

    def last_good(self) -> Moment | None:
        if self.good is not None and self.good.mono_ms > self.seen.mono_ms:
            return self.good
        return None if self.seen is UNSEEN else self.seen

    def shows(self, now: Moment) -> bool:
        """Whether its value may stand for the water now."""
        return not self.stuck and not self.doubted and now.mono_ms - self.seen.mono_ms < self.gap_ms


class BandWatch:
    __slots__ = ("band", "channels", "limits", "split_ms", "state")

    def __init__(self, band: Band, channels: list[Channel]) -> None:
        self.band = band
        self.channels = channels
        self.limits = bands.limits_of(band, max(channel.gap_ms for channel in channels))
        self.state = BandState()
        self.split_ms: int | None = None
        """Monotonic time since which two channels have been on different sides of a limit."""

    def kept(self) -> Any:
        """See `Channel.kept`."""
        return {"state": self.state, "split": self.split_ms}

    def revive(self, kept: Any, here: Shifted) -> None:
        """See `Channel.revive`."""
        low, high, rate, sight, lowest, highest = kept["state"]
        was, trouble = self.state, here.trouble(sight)
        self.state = BandState(
            low=_counted(was.low, here.limit(low), self.limits.low),
            high=_counted(was.high, here.limit(high), self.limits.high),
            rate=_counted(was.rate, here.limit(rate), self.limits.rate),
            sight=trouble if trouble.kind is was.sight.kind else was.sight,
            lowest=None if lowest is None else float(lowest),
            highest=None if highest is None else float(highest),
        )
        self.split_ms = here.ms(kept["split"])

    def value(self, now: Moment) -> float | None:
        return bands.median([c.value for c in self.channels if c.shows(now)])

    def judged(self, now: Moment) -> float | None:
        """Returns the value by which an alarm is raised or cleared. That is `value`, except
        where two channels have just come to lie on different sides of a limit: then it is the
        one still within."""
        values = [c.value for c in self.channels if c.shows(now)]
        stands = self.state.low.active or self.state.high.active
        if stands or not bands.split(self.band, values):
            self.split_ms = None
            return bands.median(values)
        if self.split_ms is None:
            self.split_ms = now.mono_ms
        if now.mono_ms - self.split_ms >= bands.SPLIT_MS:
            return bands.median(values)
        return min(values, key=lambda value: abs(value - self.band.target))

    def slope(self, now: Moment) -> Slope | None:
        showing = [c for c in self.channels if c.shows(now)]
        slopes = [c.slope() for c in showing]
        whole = together(s for s in slopes if s is not None)
        if len(showing) == 1 and whole is not None and showing[0].leaps(now):
            whole = replace(whole, certain_per_h=0.0)
        return whole

    def gentle(self) -> bool:
        """Whether no slope of its channels can be beyond the rate limit or change a delay that
        is being counted there."""
        limit = self.limits.rate
        return limit is None or (
            self.state.rate.quiet and all(c.steepest < limit.at for c in self.channels)
        )

    def seen(self) -> Moment | None:
        """Returns when the newest reading came that could change this band."""
        newest = max((c.seen for c in self.channels), key=lambda moment: moment.mono_ms)
        return None if newest is UNSEEN else newest

    def begun(self) -> Moment | None:
        """Returns since when all of its channels have been watched."""
        begun = [c.begun for c in self.channels if c.begun is not None]
        return max(begun, key=lambda moment: moment.mono_ms, default=None)

    def calm(self, now: Moment) -> bool:
        low, high = self.band.low, self.band.high
        return self.state.quiet and all(
            low <= c.value <= high for c in self.channels if c.shows(now)
        )


class StateWatch:
    __slots__ = ("channel", "discrepancy", "limit", "state")

    def __init__(self, discrepancy: Discrepancy, channel: Channel) -> None:
        self.discrepancy = discrepancy
        self.channel = channel
        self.limit = discrepancies.limit_of(discrepancy, channel.gap_ms)
        self.state = CLEAR

    def kept(self) -> Any:
        """See `Channel.kept`."""
        return self.state

    def revive(self, kept: Any, here: Shifted) -> None:
        """See `Channel.revive`."""
        self.state = _counted(self.state, here.limit(kept), self.limit)


class AgreementWatch:
    __slots__ = ("agreement", "channels", "company", "limit", "state", "terms")

    def __init__(self, agreement: Agreement, channels: list[Channel]) -> None:
        self.agreement = agreement
        self.channels = channels
        self.limit: Limit = agreements.limit_of(agreement, 3 * STRETCH_MS)
        self.terms = agreements.terms_of(agreement)
        self.company = Company()
        self.state = CLEAR

    def kept(self) -> Any:
        """See `Channel.kept`."""
        return {"state": self.state, "company": self.company}

    def revive(self, kept: Any, here: Shifted) -> None:
        """See `Channel.revive`."""
        self.company = here.company(kept["company"])
        self.state = _counted(self.state, here.limit(kept["state"]), self.limit)

    def see(self, channel: Channel) -> None:
        """Takes the stretch of a channel that has just ended."""
        ends_ms, mean = channel.trail.points[-1]
        name = channel.watch.name
        self.company, _ = seen(self.company, self.terms, name, mean, ends_ms)

    def means(self, now: Moment) -> dict[str, float]:
        """Returns the newest stretch's mean of each channel that shows something now."""
        return {
            c.watch.name: c.trail.points[-1][1]
            for c in self.channels
            if c.shows(now)
            and c.trail.points
            and now.mono_ms - c.trail.points[-1][0] < 3 * STRETCH_MS
        }


def _counted(log: LimitState, kept: LimitState, limit: Limit | None) -> LimitState:
    """Returns the state to continue from. Whether the alarm stands comes from the log; an alarm
    that was due but not written down any more is raised with the next value."""
    if kept.active is log.active:
        return kept
    if kept.active and kept.since is not None and limit is not None:
        return LimitState(False, kept.since, kept.since, limit.on_delay_ms, kept.since.mono_ms)
    return log
