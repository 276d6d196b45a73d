"""The watch: what readings mean to bands, float states, agreements and the channels themselves, on
one thread, without a clock.

Everything that happens comes in through one of six calls (`restore`, `see`, `tick`, `find`,
`request`, and `notices`, which only reads). What changed comes back as transitions, in order, for
the caller to keep and to send. The same calls in the same order give the same transitions.

Delays that are being counted when a run ends continue in the next: `state` returns all that is not
in the alarm log, `revive` takes it up, and between `look_back` and `look_up` the readings that were
kept since are judged once more. No alarm moves meanwhile: `look_up` then reports what has changed,
all at once.

A rule knows only whether its condition stands and says so with a `Finding`, as everybody else does;
the `Annunciator` passes it to the alarm's state machine. So a rule may be asked as often as is
convenient.

`see` is called for every reading ever made. A reading that is good, from a channel without
trouble and inside all its limits, while no delay is being counted in any of its bands, can
change nothing but the running mean of its trail. That is checked first and costs a few
comparisons (`Channel.calm`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from stillwell.alarm.annunciate.annunciator import Annunciator, WhyNot, free
from stillwell.alarm.annunciate.maintenance import MAINTENANCE, maintenance_notices
from stillwell.alarm.kept import Shifted, as_text
from stillwell.alarm.notices import notices
from stillwell.alarm.occurring import Alarms
from stillwell.alarm.plan import WatchPlan
from stillwell.alarm.rule_set import RuleSet
from stillwell.alarm.rules.band_report import BandReport
from stillwell.alarm.rules.excursion import Excursions
from stillwell.alarm.rules.missing import Worth, worth
from stillwell.alarm.rules.sensor_trouble import SensorTrouble
from stillwell.alarm.watched import NEVER_MS, Channel
from stillwell.finding import Finding
from stillwell.notice import Notice, State, Transition
from stillwell.reading import Flag, Moment, Reading
from stillwell.request import Reply, Request

_NOTHING: list[Transition] = []
"""What nearly every call returns: one shared list. Callers read results and never change them."""

_PASS = Flag.PASS


class Watch:
    """All alarms of one tank. Owned by one thread."""

    def __init__(self, plan: WatchPlan) -> None:
        self.plan = plan
        self._known = Alarms(plan)
        self._rules = RuleSet(plan)
        self._channels = self._rules.channels
        self._doubts = {alarm: self._channels[name] for alarm, name in self._known.doubts.items()}
        """By alarm: the channel that must not be believed while the alarm stands."""
        self._report = BandReport(self._rules.bands)
        self._annunciator = Annunciator(plan, self._known, self._report)
        watches = {watch.name: watch for watch in plan.channels}
        self._excursions = Excursions(watches)
        self._sensors = SensorTrouble(self._rules)
        self._begun = False
        self._due_ms = -NEVER_MS
        """Monotonic time before which no alarm moves by time alone. It may be too early, never
        too late."""
        self._past: dict[str, Finding] | None = None
        """The newest finding about each alarm while earlier readings are judged again; None
        otherwise."""

    # -- the calls -----------------------------------------------------------------------------

    def restore(self, transitions: Sequence[Transition], now: Moment) -> list[Transition]:
        """Takes up the alarms as they stood, before anything else is called.

        Announces none of them. Returns the closing of those that the configuration no longer has.

        Args:
            transitions: the latest of each alarm, or all there are, oldest first.
        """
        self._begin(now)
        out = self._annunciator.restore(transitions, now)
        self._rules.restore(self._annunciator.standing)
        for alarm in self._doubts:
            self._look_for_doubt(alarm)
        self._due_ms = self._sensors.due_ms = -NEVER_MS
        return out

    def state(self) -> str:
        """Returns all that is not in the alarm log, a few kB of JSON."""
        return as_text(
            {
                "deaf": self._sensors.kept(),
                "settling": self._annunciator.kept(),
                **self._rules.kept(),
            }
        )

    def revive(self, state: str, shift_ms: int, moved: Mapping[str, float] | None = None) -> None:
        """Continues from the `state` of an earlier run, after `restore`. Raises ValueError for one
        that can't be used; skips rules that no longer exist.

        Args:
            shift_ms: what to add to its monotonic times to have those of this run.
            moved: by channel, how much its values have changed because its offset has.
        """
        here = Shifted(shift_ms, moved or {})
        try:
            kept = json.loads(state)
            self._sensors.revive(kept["deaf"], shift_ms)
            self._annunciator.revive(kept["settling"], here)
            self._rules.revive(kept, here)
        except (KeyError, TypeError, AttributeError) as error:
            raise ValueError(f"what was counted cannot be read: {error!r}") from error
        self._due_ms = -NEVER_MS

    def look_back(self) -> None:
        """Treats the readings and ticks that follow as those of earlier runs, until `look_up`."""
        self._past = {}

    def deaf(self, from_ms: int, to_ms: int) -> None:
        """Notes that nobody listened between these monotonic times: silence in them counts for
        nothing."""
        self._sensors.deaf(from_ms, to_ms)

    def look_up(self, now: Moment) -> list[Transition]:
        """Returns to the present after `look_back`. Returns the transitions that readings of
        earlier runs led to and that those runs did not report, dated now."""
        past, self._past = self._past or {}, None
        out: list[Transition] = []
        for finding in past.values():
            facts = self._report.facts_now(finding.alarm, now) if finding.active else None
            out += self._find(replace(finding, facts=facts or finding.facts), now)
        self._due_ms = -NEVER_MS
        return out

    def see(self, reading: Reading, now: Moment) -> list[Transition]:
        """Takes one judged reading; ignores readings of unknown channels."""
        channel = self._channels.get(reading.channel)
        if channel is None:
            return _NOTHING
        value = reading.value
        if (
            channel.calm
            and reading.flag is _PASS
            and value is not None
            and channel.floor <= value <= channel.ceiling
            and now.mono_ms < channel.seen.mono_ms + channel.gap_ms
        ):
            trail = channel.trail
            out = _NOTHING if now.mono_ms < trail.ends_ms else self._end_stretch(channel, now)
            channel.value = value
            channel.seen = now
            trail.total += value
            trail.count += 1
            return out
        return self._look(channel, reading, now)

    def tick(self, now: Moment) -> list[Transition]:
        """Does what is due by time alone: silent channels, unseen bands, shelves that end,
        suppressed alarms whose causes are over."""
        if now.mono_ms < self._due_ms and now.mono_ms < self._sensors.due_ms:
            return _NOTHING
        self._begin(now)
        out = self._find_all(self._sensors.by_time(now), now)
        if self._past is None:
            out += self._heed(self._annunciator.tick(now))
        self._due_ms = self._annunciator.next_due_ms()
        self._sensors.put_off(now)
        return out or _NOTHING

    def find(self, finding: Finding, now: Moment) -> list[Transition]:
        """Takes what somebody else has found: an estimator, the store, a sink, a source."""
        self._begin(now)
        return self._find(finding, now) or _NOTHING

    def request(
        self, request: Request, now: Moment, why_not: WhyNot = free
    ) -> tuple[Reply, list[Transition]]:
        """Does what a person asks, for one alarm or for every alarm that it fits; see
        `Annunciator.request`."""
        self._begin(now)
        reply, moved = self._annunciator.request(request, now, why_not)
        return reply, self._heed(moved)

    def standing(self) -> list[Transition]:
        """Returns the latest transition of every alarm that has ever moved, by name."""
        return self._annunciator.latest()

    def as_now(self, notice: Notice, now: Moment) -> Notice:
        """Returns `notice`, which is about an alarm that stands, with the facts of `now`."""
        return self._annunciator.as_now(notice, now)

    def notices(self, transition: Transition) -> list[Notice]:
        """Returns what people are told about `transition`: one notice or none."""
        if transition.alarm == MAINTENANCE:
            return maintenance_notices(transition)
        return notices(transition)

    # -- from conditions to alarms -------------------------------------------------------------

    def _find(self, finding: Finding, now: Moment) -> list[Transition]:
        """Passes a finding to its alarm; only remembers it while earlier readings are judged
        again."""
        if self._past is not None:
            self._past[finding.alarm] = finding
            return []
        return self._heed(self._annunciator.find(finding, now))

    def _find_all(self, findings: Iterable[Finding], now: Moment) -> list[Transition]:
        """Passes each finding to its alarm before the next one is looked for."""
        out: list[Transition] = []
        for finding in findings:
            out += self._find(finding, now)
        return out

    def _heed(self, moved: list[Transition]) -> list[Transition]:
        """Updates the watch itself after alarms have moved: its next due time, and which
        channels are doubted."""
        if moved:
            self._due_ms = -NEVER_MS
            for transition in moved:
                self._look_for_doubt(transition.alarm)
        return moved

    # -- readings ------------------------------------------------------------------------------

    def _look(self, channel: Channel, reading: Reading, now: Moment) -> list[Transition]:
        """Judges a reading in full."""
        self._begin(now)
        find, sensors = self._find_all, self._sensors
        out = find(sensors.of_channel(channel, now), now)
        for band in channel.bands:
            out += find(sensors.of_band(band, now), now)
        kind = worth(reading)
        out += find(sensors.of_stuck(channel, kind, reading, now), now)
        moves = kind is Worth.GOOD and not channel.stuck and not channel.doubted
        if kind is Worth.GOOD or kind is Worth.FLAT:
            channel.good = now
        elif kind is Worth.BAD:
            channel.answered_ms, channel.bad_tests = now.mono_ms, reading.tests
        if moves and reading.value is not None:
            if now.mono_ms >= channel.trail.ends_ms:
                out += self._end_stretch(channel, now)
            channel.value, channel.seen = reading.value, now
            channel.trail.total += reading.value
            channel.trail.count += 1
        out += find(sensors.of_channel(channel, now), now)
        if moves:
            for band in channel.bands:
                out += find(sensors.of_band(band, now), now)
                out += find(self._excursions.of_band(band, now), now)
            for state in channel.states:
                out += find(self._excursions.of_state(state, now), now)
        self._calm_down(channel, now)
        return out or _NOTHING

    def _calm_down(self, channel: Channel, now: Moment) -> None:
        """Updates for which channels a good reading inside the limits would change nothing."""
        for band in channel.bands:
            for other in band.channels:
                if other is not channel:
                    other.calm = self._is_calm(other, now)
        channel.calm = self._is_calm(channel, now)

    @staticmethod
    def _is_calm(channel: Channel, now: Moment) -> bool:
        return (
            channel.trouble.kind is None
            and not channel.stuck
            and not channel.doubted
            and all(state.state.quiet for state in channel.states)
            and all(band.calm(now) for band in channel.bands)
        )

    def _end_stretch(self, channel: Channel, now: Moment) -> list[Transition]:
        """Judges what is judged on means, when a stretch is over and averaged."""
        if not channel.averaged:
            channel.trail.ends_ms = NEVER_MS
            return _NOTHING
        if not channel.trail.close(now.mono_ms):
            return _NOTHING
        if channel.raced:
            channel.look_lately()
        out: list[Transition] = []
        for band in channel.bands:
            out += self._find_all(self._excursions.of_rate(band, now), now)
        for agreement in channel.agreements:
            out += self._find_all(self._excursions.of_agreement(agreement, channel, now), now)
        return out or _NOTHING

    def _look_for_doubt(self, alarm: str) -> None:
        """Stops believing a channel while an alarm says so, and starts its trail anew when that
        is over. An alarm out of service casts no doubt."""
        channel = self._doubts.get(alarm)
        if channel is None:
            return
        doubted = any(
            state is not None and state.state is not State.OUT_OF_SERVICE
            for state in (
                self._annunciator.standing(a) for a, c in self._doubts.items() if c is channel
            )
        )
        if doubted == channel.doubted:
            return
        channel.doubted = doubted
        channel.calm = False
        for band in channel.bands:
            for other in band.channels:
                other.calm = False
        channel.trail.clear()
        channel.look_lately()

    # -- time ----------------------------------------------------------------------------------

    def _begin(self, now: Moment) -> None:
        """Begins to watch with the first call, whichever it is."""
        if not self._begun:
            self._begun = True
            for channel in self._channels.values():
                channel.begun = now
