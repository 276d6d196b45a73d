"""What missing and unusable readings mean: a channel is silent, at fault or stuck, and a band
that no channel shows is unseen. Times between two runs, when nobody listened, do not count as
silence."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence

from stillwell.alarm.rule_set import RuleSet
from stillwell.alarm.rules import band as bands
from stillwell.alarm.rules.band import SeenAgain, Unseen
from stillwell.alarm.rules.band_report import told_of
from stillwell.alarm.rules.missing import (
    NONE,
    Kind,
    Moves,
    NotRead,
    Reads,
    Stuck,
    Worth,
    watch_over,
)
from stillwell.alarm.watched import NEVER_MS, UNSEEN, BandWatch, Channel
from stillwell.finding import Finding
from stillwell.reading import Moment, Reading

_DEAF_KEPT = 16
"""How many times between runs are remembered. With more of them within a gap, nobody can call a
probe silent."""


class SensorTrouble:
    """The rules of one watch about channels and bands that give no usable value."""

    def __init__(self, rules: RuleSet) -> None:
        self._rules = rules
        self.due_ms = -NEVER_MS
        """Monotonic time before which nothing changes by time alone. It may be too early, never
        too late."""
        self._deaf: deque[tuple[int, int]] = deque(maxlen=_DEAF_KEPT)
        """From when to when nobody listened between two runs, monotonic ms."""

    def kept(self) -> Sequence[tuple[int, int]]:
        """Returns what the next run continues from, for `kept.as_text`."""
        return self._deaf

    def revive(self, kept: Sequence[Sequence[int]], by_ms: int) -> None:
        """Continues from what an earlier run has kept, its times moved by `by_ms`."""
        self._deaf.extend((int(from_) + by_ms, int(to) + by_ms) for from_, to in kept)
        self.due_ms = -NEVER_MS

    def deaf(self, from_ms: int, to_ms: int) -> None:
        """Notes that nobody listened between these monotonic times."""
        if to_ms > from_ms:
            self._deaf.append((from_ms, to_ms))
            self.due_ms = -NEVER_MS

    def by_time(self, now: Moment) -> Iterator[Finding]:
        """Yields what has changed by time alone."""
        for channel in self._rules.channels.values():
            if channel.trouble is not NONE or not channel.shows(now):
                yield from self.of_channel(channel, now)
        for band in self._rules.bands:
            yield from self.of_band(band, now)

    def of_channel(self, channel: Channel, now: Moment) -> Iterator[Finding]:
        """Yields that a channel is silent or at fault, or that this is over."""
        was = channel.trouble
        good, begun = channel.last_good(), channel.begun or now
        deaf_ms = self._deaf_ms(good or begun)
        trouble = watch_over(was, good, channel.answered_ms, begun, channel.gap_ms, now, deaf_ms)
        if trouble is was:
            return
        channel.trouble = trouble
        channel.calm = False
        self.due_ms = -NEVER_MS
        if trouble.kind is was.kind:
            return
        alarm = f"{channel.watch.name}.{trouble.kind or was.kind}"
        if trouble.kind is None:
            yield Finding(alarm, False, channel.priority, Reads(channel.watch.called))
            return
        others = bool(channel.bands) and all(
            any(c is not channel and c.shows(now) for c in band.channels) for band in channel.bands
        )
        facts = NotRead(channel.watch.called, trouble.kind, channel.bad_tests, others)
        yield Finding(alarm, True, channel.priority, facts, trouble.since)

    def of_stuck(
        self, channel: Channel, kind: Worth, reading: Reading, now: Moment
    ) -> Iterator[Finding]:
        """Yields that a channel is stuck, or moves again. Stuck begins with a failed flat line
        test and ends with a reading that has moved: a restart forgets the test's history, but
        not this."""
        alarm, value = f"{channel.watch.name}.stuck", reading.value
        if kind is Worth.FLAT:
            channel.stuck_at = value
            if channel.stuck:
                return
            channel.stuck = True
            channel.trail.clear()
            channel.look_lately()
            facts = Stuck(channel.watch.called, channel.watch.quantity, value)
            yield Finding(alarm, True, channel.priority, facts, now)
            return
        if not channel.stuck or kind is not Worth.GOOD or value is None:
            return
        if channel.stuck_at is None:
            channel.stuck_at = value
        if abs(value - channel.stuck_at) <= channel.watch.step / 2:
            return
        channel.stuck, channel.stuck_at = False, None
        yield Finding(alarm, False, channel.priority, Moves(channel.watch.called))

    def of_band(self, band: BandWatch, now: Moment) -> Iterator[Finding]:
        """Yields that a band is unseen, or is seen again."""
        was = band.state.sight
        seen, begun = band.seen(), band.begun() or now
        deaf_ms = self._deaf_ms(seen or begun)
        sight = watch_over(was, seen, None, begun, band.limits.blind_ms, now, deaf_ms)
        if sight is was:
            return
        self.due_ms = -NEVER_MS
        band.state = bands.judge_sight(band.state, sight)
        for channel in band.channels:
            channel.calm = False
        if sight.kind is was.kind:
            return
        alarm, priority = f"{band.band.name}.unseen", band.band.priority
        if sight.kind is not None:
            facts = Unseen(*told_of(band, now), tuple(self._why(band).items()))
            yield Finding(alarm, True, priority, facts, sight.since)
            return
        yield Finding(alarm, False, priority, SeenAgain(*told_of(band, now)))

    def _why(self, band: BandWatch) -> dict[str, str]:
        why = {}
        for channel in band.channels:
            if channel.stuck:
                trouble = "stuck"
            elif channel.doubted:
                trouble = "not to be believed"
            elif channel.trouble.kind is Kind.FAULT:
                trouble = "answers with nothing usable"
            elif channel.trouble.kind is Kind.SILENT or channel.seen is UNSEEN:
                trouble = "no reading"
            else:
                trouble = "nothing usable"
            why[channel.watch.called] = trouble
        return why

    def _deaf_ms(self, since: Moment) -> int:
        """Returns for how long, in ms, nobody has listened since then."""
        return sum(to - from_ for from_, to in self._deaf if from_ >= since.mono_ms)

    def put_off(self, now: Moment) -> None:
        """Works out when something may next change by time alone. Readings only make that later."""
        due = NEVER_MS
        for channel in self._rules.channels.values():
            if channel.trouble is NONE and channel.shows(now):
                due = min(due, channel.seen.mono_ms + channel.gap_ms)
                continue
            good = channel.last_good() or channel.begun or now
            if channel.trouble.kind is None or channel.trouble.mending_ms is not None:
                due = min(due, good.mono_ms + channel.gap_ms + self._deaf_ms(good))
            if channel.trouble.mending_ms is not None:
                due = min(due, channel.trouble.mending_ms + channel.gap_ms)
        for band in self._rules.bands:
            sight = band.state.sight
            if sight.kind is None or sight.mending_ms is not None:
                seen = band.seen() or band.begun() or now
                due = min(due, seen.mono_ms + band.limits.blind_ms + self._deaf_ms(seen))
            if sight.mending_ms is not None:
                due = min(due, sight.mending_ms + band.limits.blind_ms)
        self.due_ms = due
