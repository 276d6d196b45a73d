"""What usable values mean: a band is left or changes too fast, probes part, a float or a switch is
in the wrong state. Each rule is asked with what is known now, and gives a finding when it has
turned."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.rules import band as bands
from stillwell.alarm.rules.band_report import BandReport, sightings
from stillwell.alarm.rules.limit import judge
from stillwell.alarm.rules.missing import ChannelWatch
from stillwell.alarm.rules.rate import Slope
from stillwell.alarm.watched import AgreementWatch, BandWatch, Channel, StateWatch
from stillwell.alarm.wording import Wording
from stillwell.finding import Finding
from stillwell.reading import Moment


class Excursions:
    """Of the rules of one watch."""

    def __init__(
        self, words: Wording, report: BandReport, channels: Mapping[str, ChannelWatch]
    ) -> None:
        self._words = words
        self._report = report
        self._channels = channels

    def of_band(self, band: BandWatch, now: Moment) -> Iterator[Finding]:
        """Too low or too high, by the values as they stand."""
        value = band.judged(now)
        if value is None:
            return
        was = band.state
        band.state = state = bands.judge_value(band.limits, was, value, now)
        for low, old, new in ((True, was.low, state.low), (False, was.high, state.high)):
            if new.active == old.active:
                continue
            since = new.since or old.since
            says = self._report.outside if new.active else self._report.inside
            message = says(band, low, since, now)
            alarm = f"{band.band.name}.{'low' if low else 'high'}"
            yield Finding(alarm, new.active, band.band.priority, message, since)

    def of_rate(self, band: BandWatch, now: Moment) -> Iterator[Finding]:
        """Too fast, by the slope of the stretches as they stand."""
        if band.gentle():
            return
        was = band.state
        band.state = bands.judge_slope(band.limits, was, band.slope(now), now)
        active = band.state.rate.active
        if active == was.rate.active:
            return
        quantity = band.channels[0].watch.quantity
        sees = replace(sightings(band, now), slope=band.slope(now))
        since = _turned(sees.slope, now) if active else was.rate.since
        message = (
            self._words.racing(band.band, quantity, sees, now)
            if active
            else self._words.steady(band.band, quantity, sees, since, now)
        )
        yield Finding(f"{band.band.name}.rate", active, band.band.priority, message, since)

    def of_agreement(
        self, agreement: AgreementWatch, channel: Channel, now: Moment
    ) -> Iterator[Finding]:
        """Apart or together, after a stretch of `channel` has ended."""
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
        message = (
            self._words.apart(rule, means, self._channels, since, now, agreement.company)
            if active
            else self._words.together(rule)
        )
        alarm = f"{rule.name}.apart"
        yield Finding(alarm, active, priority_of("{agreement}.apart"), message, since)

    def of_state(self, state: StateWatch, now: Moment) -> Iterator[Finding]:
        """In the wrong state, or in the right one again."""
        was, rule = state.state, state.discrepancy
        state.state = judge(state.limit, was, state.channel.value, now)
        active = state.state.active
        if active == was.active:
            return
        since = state.state.since or was.since
        says = self._words.wrong_state if active else self._words.right_state
        message = says(rule, state.channel.watch, since, now)
        yield Finding(rule.name, active, rule.priority, message, since)


def _turned(slope: Slope | None, now: Moment) -> Moment:
    if slope is None:
        return now
    at_ms = slope.first_ms if slope.turned_ms is None else slope.turned_ms
    return Moment(at_ms, now.utc_ms - now.mono_ms + at_ms, now.epoch)
