"""What usable values mean: a band is left or changes too fast, probes disagree, a float or a
switch is in the wrong state. Each rule is asked with what is known now, and yields a finding
when its condition has changed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.rules import band as bands
from stillwell.alarm.rules.agreement import Apart, Together
from stillwell.alarm.rules.band import Steady
from stillwell.alarm.rules.band_report import back, outside, racing, told_of
from stillwell.alarm.rules.discrepancy import InState
from stillwell.alarm.rules.limit import judge
from stillwell.alarm.rules.missing import ChannelWatch
from stillwell.alarm.rules.rate import Slope
from stillwell.alarm.watched import AgreementWatch, BandWatch, Channel, StateWatch
from stillwell.finding import Finding
from stillwell.notice import Facts
from stillwell.reading import Moment, Quantity


class Excursions:
    """The rules of one watch that judge usable values."""

    def __init__(self, channels: Mapping[str, ChannelWatch]) -> None:
        self._channels = channels

    def of_band(self, band: BandWatch, now: Moment) -> Iterator[Finding]:
        """Yields whether a band is too low or too high, by the present values."""
        value = band.judged(now)
        if value is None:
            return
        was = band.state
        band.state = state = bands.judge_value(band.limits, was, value, now)
        for low, old, new in ((True, was.low, state.low), (False, was.high, state.high)):
            if new.active == old.active:
                continue
            since = new.since or old.since
            facts = outside(band, low, now) if new.active else back(band, low, now)
            alarm = f"{band.band.name}.{'low' if low else 'high'}"
            yield Finding(alarm, new.active, band.band.priority, facts, since)

    def of_rate(self, band: BandWatch, now: Moment) -> Iterator[Finding]:
        """Yields whether a band changes too fast, by the slope of the present stretches."""
        if band.gentle():
            return
        was = band.state
        band.state = bands.judge_slope(band.limits, was, band.slope(now), now)
        active = band.state.rate.active
        if active == was.rate.active:
            return
        since = _turned(band.slope(now), now) if active else was.rate.since
        limit = band.band.rate_per_h or 0.0
        facts = racing(band, now) if active else Steady(*told_of(band, now), limit)
        yield Finding(f"{band.band.name}.rate", active, band.band.priority, facts, since)

    def of_agreement(
        self, agreement: AgreementWatch, channel: Channel, now: Moment
    ) -> Iterator[Finding]:
        """Yields whether channels are apart or together, after a stretch of `channel` has ended."""
        means = agreement.means(now)
        if channel.watch.name in means:
            agreement.see(channel)
        if len(means) < 2:
            return
        apart = max(means.values()) - min(means.values())
        was = agreement.state
        agreement.state = judge(agreement.limit, was, apart, now)
        active = agreement.state.active
        if active == was.active:
            return
        since, rule = agreement.state.since or was.since, agreement.agreement
        facts: Facts = Together(rule.name)
        if active:
            company, called = agreement.company, self._channels
            odd = company.odd if company.odd in means else ""
            facts = Apart(
                rule.name,
                called[rule.channels[0]].quantity,
                tuple((called[name].called, value) for name, value in means.items()),
                rule.within,
                called[odd].called if odd else "",
                company.because,
            )
        alarm = f"{rule.name}.apart"
        yield Finding(alarm, active, priority_of("{agreement}.apart"), facts, since)

    def of_state(self, state: StateWatch, now: Moment) -> Iterator[Finding]:
        """Yields that a float or a switch is in the wrong state, or in the right one again."""
        was, rule = state.state, state.discrepancy
        state.state = judge(state.limit, was, state.channel.value, now)
        active = state.state.active
        if active == was.active:
            return
        since = state.state.since or was.since
        watch = state.channel.watch
        is_float = watch.quantity is Quantity.FLOAT
        facts = InState(
            rule.name,
            watch.called,
            is_float,
            rule.wrong_above == active,
            rule.says if active else "",
            rule.in_chamber,
        )
        yield Finding(rule.name, active, rule.priority, facts, since)


def _turned(slope: Slope | None, now: Moment) -> Moment:
    if slope is None:
        return now
    at_ms = slope.first_ms if slope.turned_ms is None else slope.turned_ms
    return Moment(at_ms, now.utc_ms - now.mono_ms + at_ms, now.epoch)
