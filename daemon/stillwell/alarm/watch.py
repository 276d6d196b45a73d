"""The watch: what readings mean to bands, float states, agreements and the channels themselves, on
one thread, without a clock.

Everything that happens comes in through one of six calls (`restore`, `see`, `tick`, `find`,
`request`, and `notices`, which only reads); what changed comes back as transitions, in order, for
the caller to keep and to send. The same calls in the same order give the same transitions.

What is being counted when a run ends goes on in the next: `state` is all that is not in the alarm
log, `revive` takes it up, and between `look_back` and `look_up` readings that were kept since are
seen once more. Nothing moves meanwhile: `look_up` says of what has changed by then, at once and
once.

A rule knows only whether its condition stands and says so with a `Finding`, as everybody else does;
the `Annunciator` brings that to the alarm's machine. So a rule may be asked as often as is
convenient.

`see` is called for every reading ever made. A reading that is good, from a channel without trouble,
inside all limits on it, while nothing is being counted in any of its bands, can change nothing but
the running mean of its trail: that is checked first and costs a few comparisons (`Channel.calm`).
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace

from stillwell.alarm.annunciate.annunciator import Annunciator, WhyNot, free
from stillwell.alarm.annunciate.maintenance import MAINTENANCE, maintenance_notices
from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.kept import Shifted, as_text
from stillwell.alarm.notices import notices
from stillwell.alarm.occurring import Alarms
from stillwell.alarm.plan import WatchPlan
from stillwell.alarm.rules import band as bands
from stillwell.alarm.rules.band import BandState
from stillwell.alarm.rules.band_report import BandReport, sightings
from stillwell.alarm.rules.limit import CLEAR, LimitState, judge
from stillwell.alarm.rules.missing import NONE, Trouble, Worth, watch_over, worth
from stillwell.alarm.rules.missing import Kind as TroubleKind
from stillwell.alarm.rules.rate import Slope
from stillwell.alarm.watched import (
    NEVER_MS,
    UNSEEN,
    AgreementWatch,
    BandWatch,
    Channel,
    StateWatch,
)
from stillwell.alarm.wording import Wording
from stillwell.finding import Finding
from stillwell.notice import Message, Notice, Priority, State, Transition
from stillwell.reading import Flag, Moment, Reading
from stillwell.request import Reply, Request

_NOTHING: list[Transition] = []
"""What nearly every call returns: one shared list. Callers read results and never change them."""

_PASS = Flag.PASS

_DEAF_KEPT = 16
"""Times between runs that are remembered. More of them within a gap are no silence of a probe."""


class Watch:
    """All alarms of one tank. Owned by one thread."""

    def __init__(self, plan: WatchPlan) -> None:
        self.plan = plan
        self._words = Wording(plan.zone, plan.units)
        self._known = Alarms(plan)
        self._annunciator = Annunciator(plan, self._known, self._words, self)
        self._doubts: dict[str, Channel] = {}
        """The channel that an alarm says not to believe."""
        self._begun = False
        self._due_ms = -NEVER_MS
        """Before this monotonic time a tick has nothing to do. It may be too early, never too
        late."""
        self._deaf: deque[tuple[int, int]] = deque(maxlen=_DEAF_KEPT)
        """From when to when nobody listened, monotonic ms: between two runs."""
        self._past: dict[str, Finding] | None = None
        """The newest finding about each alarm while earlier readings are looked through."""
        self._channels = {watch.name: Channel(watch) for watch in plan.channels}
        self._watches = {watch.name: watch for watch in plan.channels}
        self._bands = [BandWatch(b, [self._channels[n] for n in b.channels]) for b in plan.bands]
        self._states = [StateWatch(d, self._channels[d.channel]) for d in plan.discrepancies]
        self._agreements = [
            AgreementWatch(a, [self._channels[n] for n in a.channels]) for a in plan.agreements
        ]
        self._report = BandReport(self._words, self._bands)
        self._connect()

    def _connect(self) -> None:
        doubts = self._known.doubts.items()
        self._doubts = {alarm: self._channels[name] for alarm, name in doubts}
        for band in self._bands:
            for channel in band.channels:
                channel.bands.append(band)
                channel.floor = max(channel.floor, band.band.low)
                channel.ceiling = min(channel.ceiling, band.band.high)
        for state in self._states:
            state.channel.states.append(state)
            limit = state.limit
            if state.discrepancy.wrong_above:
                state.channel.ceiling = min(state.channel.ceiling, limit.at)
            else:
                state.channel.floor = max(state.channel.floor, limit.at)
        for agreement in self._agreements:
            for channel in agreement.channels:
                channel.agreements.append(agreement)
        for channel in self._channels.values():
            channel.averaged = bool(channel.bands or channel.agreements)
            channel.raced = any(band.limits.rate is not None for band in channel.bands)
            if channel.bands and all(len(band.channels) > 1 for band in channel.bands):
                # Another one still shows the water: to be mended when somebody passes by.
                channel.priority = Priority.LOW

    # -- the calls -----------------------------------------------------------------------------

    def restore(self, transitions: Sequence[Transition], now: Moment) -> list[Transition]:
        """Takes up the alarms as they stood, before anything else is called.

        Announces none of them. Returns the closing of those that the configuration no longer has.

        Args:
            transitions: the latest of each alarm, or all there are, oldest first.
        """
        self._begin(now)
        out = self._annunciator.restore(transitions, now)
        self._restore_rules()
        for alarm in self._doubts:
            self._look_for_doubt(alarm)
        self._due_ms = -NEVER_MS
        return out

    def state(self) -> str:
        """All that is not in the alarm log, a few kB of JSON."""
        return as_text(
            {
                "deaf": self._deaf,
                "settling": self._annunciator.kept(),
                "channels": {name: c.kept() for name, c in self._channels.items()},
                "bands": {b.band.name: b.kept() for b in self._bands},
                "states": {s.discrepancy.name: s.kept() for s in self._states},
                "agreements": {a.agreement.name: a.kept() for a in self._agreements},
            }
        )

    def revive(self, state: str, shift_ms: int, moved: Mapping[str, float] | None = None) -> None:
        """Goes on from the `state` of an earlier run, after `restore`. Raises ValueError for one
        that can't be used; rules that are no longer there are left out.

        Args:
            shift_ms: what its monotonic times lack on the line of this run.
            moved: by how much the values of channels are others, because their offsets are.
        """
        here = Shifted(shift_ms, moved or {})
        try:
            kept = json.loads(state)
            self._deaf.extend((int(a) + shift_ms, int(b) + shift_ms) for a, b in kept["deaf"])
            self._annunciator.revive(kept["settling"], here)
            for rules, told in (
                (self._channels, kept["channels"]),
                ({b.band.name: b for b in self._bands}, kept["bands"]),
                ({s.discrepancy.name: s for s in self._states}, kept["states"]),
                ({a.agreement.name: a for a in self._agreements}, kept["agreements"]),
            ):
                for name in rules.keys() & told.keys():
                    rules[name].revive(told[name], here)
        except (KeyError, TypeError, AttributeError) as error:
            raise ValueError(f"what was counted cannot be read: {error!r}") from error
        self._due_ms = -NEVER_MS

    def look_back(self) -> None:
        """From now on readings and ticks are those of earlier runs; see `look_up`."""
        self._past = {}

    def deaf(self, from_ms: int, to_ms: int) -> None:
        """Nobody listened between these monotonic times: what was silent then is no silence."""
        if to_ms > from_ms:
            self._deaf.append((from_ms, to_ms))
            self._due_ms = -NEVER_MS

    def look_up(self, now: Moment) -> list[Transition]:
        """Looks ahead again. Returns what has moved by the readings of earlier runs and was not
        told by them, as it is said now."""
        past, self._past = self._past or {}, None
        out: list[Transition] = []
        for finding in past.values():
            says = self._report.says(finding.alarm, now) if finding.active else None
            out += self._find(replace(finding, message=says or finding.message), now)
        self._due_ms = -NEVER_MS
        return out

    def see(self, reading: Reading, now: Moment) -> list[Transition]:
        """Takes one judged reading; readings of unknown channels are nobody's business."""
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
        """Does what is due by time alone: silence, blindness, shelves that end, causes that are
        over."""
        if now.mono_ms < self._due_ms:
            return _NOTHING
        self._begin(now)
        out: list[Transition] = []
        for channel in self._channels.values():
            if channel.trouble is not NONE or not channel.shows(now):
                out += self._look_for_trouble(channel, now)
        for band in self._bands:
            out += self._look_for_sight(band, now)
        if self._past is None:
            out += self._heed(self._annunciator.tick(now))
        self._due_ms = self._next_due(now)
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

    def as_now(self, transition: Transition, now: Moment) -> Transition:
        """Returns `transition`, by which an alarm came to stand, as it would be worded now."""
        return self._annunciator.as_now(transition, now)

    def notices(self, transition: Transition) -> list[Notice]:
        """Returns what people are told about `transition`: one notice or none."""
        if transition.alarm == MAINTENANCE:
            return maintenance_notices(transition)
        return notices(transition)

    # -- from conditions to alarms -------------------------------------------------------------

    def _find(self, finding: Finding, now: Moment) -> list[Transition]:
        """Brings the standing of a condition to its alarm."""
        if self._past is not None:
            self._past[finding.alarm] = finding
            return []
        return self._heed(self._annunciator.find(finding, now))

    def _heed(self, moved: list[Transition]) -> list[Transition]:
        """What alarms mean to the watch itself once they have moved."""
        if moved:
            self._due_ms = -NEVER_MS
            for transition in moved:
                self._look_for_doubt(transition.alarm)
        return moved

    # -- what the annunciator asks of conditions -------------------------------------------------

    def patience_ms(self, alarm: str) -> int:
        """How long `alarm` may take to follow its cause: a channel has to be read again, and then
        to go well for its gap; a value has to turn."""
        settle_ms = round(self._known.patience_s.get(alarm, self.plan.settle_s) * 1000)
        channel = self._channels.get(alarm.rpartition(".")[0])
        if channel is not None:
            return max(settle_ms, 2 * channel.gap_ms)
        return max(settle_ms, self._report.patience_ms(alarm))

    def comes_back(self, alarm: str, now: Moment) -> bool:
        """Whether what `alarm` is about is on its way to be over, by itself."""
        return self._report.comes_back(alarm, now)

    def says(self, alarm: str, now: Moment) -> Message | None:
        """Returns what `alarm`, which stands, says at `now`; None where that is what was found
        last."""
        return self._report.says(alarm, now)

    # -- readings ------------------------------------------------------------------------------

    def _look(self, channel: Channel, reading: Reading, now: Moment) -> list[Transition]:
        """The whole of what a reading can do."""
        self._begin(now)
        out = self._look_for_trouble(channel, now)
        for band in channel.bands:
            out += self._look_for_sight(band, now)
        kind = worth(reading)
        out += self._look_for_stuck(channel, kind, reading, now)
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
        out += self._look_for_trouble(channel, now)
        if moves:
            for band in channel.bands:
                out += self._look_at_band(band, now)
            for state in channel.states:
                out += self._look_at_state(state, now)
        self._calm_down(channel, now)
        return out or _NOTHING

    def _calm_down(self, channel: Channel, now: Moment) -> None:
        """Finds out for which channels a good reading inside the limits would change nothing."""
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

    def _look_at_band(self, band: BandWatch, now: Moment) -> list[Transition]:
        value = band.judged(now)
        if value is None:
            return []
        was = band.state
        band.state = state = bands.judge_value(band.limits, was, value, now)
        out = self._look_for_sight(band, now)
        for low, old, new in ((True, was.low, state.low), (False, was.high, state.high)):
            if new.active != old.active:
                out += self._say_outside(band, low, new.active, new.since or old.since, now)
        return out

    def _say_outside(
        self, band: BandWatch, low: bool, active: bool, since: Moment | None, now: Moment
    ) -> list[Transition]:
        says = self._report.outside if active else self._report.inside
        message = says(band, low, since, now)
        alarm = f"{band.band.name}.{'low' if low else 'high'}"
        return self._find(Finding(alarm, active, band.band.priority, message, since), now)

    def _end_stretch(self, channel: Channel, now: Moment) -> list[Transition]:
        """A stretch is over and averaged: what is judged on means."""
        if not channel.averaged:
            channel.trail.ends_ms = NEVER_MS
            return _NOTHING
        if not channel.trail.close(now.mono_ms):
            return _NOTHING
        if channel.raced:
            channel.look_lately()
        out: list[Transition] = []
        for band in channel.bands:
            if band.gentle():
                continue
            was = band.state
            band.state = bands.judge_slope(band.limits, was, band.slope(now), now)
            active = band.state.rate.active
            if active != was.rate.active:
                quantity = band.channels[0].watch.quantity
                sees = replace(sightings(band, now), slope=band.slope(now))
                since = self._turned(sees.slope, now) if active else was.rate.since
                message = (
                    self._words.racing(band.band, quantity, sees, now)
                    if active
                    else self._words.steady(band.band, quantity, sees, since, now)
                )
                alarm = f"{band.band.name}.rate"
                out += self._find(Finding(alarm, active, band.band.priority, message, since), now)
        for agreement in channel.agreements:
            out += self._look_at_agreement(agreement, channel, now)
        return out or _NOTHING

    @staticmethod
    def _turned(slope_: Slope | None, now: Moment) -> Moment:
        if slope_ is None:
            return now
        at_ms = slope_.first_ms if slope_.turned_ms is None else slope_.turned_ms
        return Moment(at_ms, now.utc_ms - now.mono_ms + at_ms, now.epoch)

    def _look_at_agreement(
        self, agreement: AgreementWatch, channel: Channel, now: Moment
    ) -> list[Transition]:
        means = agreement.means(now)
        if channel.watch.name in means:
            agreement.see(channel)
        if len(means) < 2:
            return []
        apart = max(means.values()) - min(means.values())
        was = agreement.state
        agreement.state = judge(agreement.limit, was, apart, now)
        active = agreement.state.active
        if active == was.active:
            return []
        since = agreement.state.since or was.since
        message = (
            self._words.apart(
                agreement.agreement, means, self._watches, since, now, agreement.company
            )
            if active
            else self._words.together(agreement.agreement)
        )
        alarm = f"{agreement.agreement.name}.apart"
        return self._find(
            Finding(alarm, active, priority_of("{agreement}.apart"), message, since), now
        )

    def _look_at_state(self, state: StateWatch, now: Moment) -> list[Transition]:
        was = state.state
        state.state = judge(state.limit, was, state.channel.value, now)
        active = state.state.active
        if active == was.active:
            return []
        since = state.state.since or was.since
        says = self._words.wrong_state if active else self._words.right_state
        message = says(state.discrepancy, state.channel.watch, since, now)
        rule = state.discrepancy
        return self._find(Finding(rule.name, active, rule.priority, message, since), now)

    # -- sensors -------------------------------------------------------------------------------

    def _look_for_trouble(self, channel: Channel, now: Moment) -> list[Transition]:
        was = channel.trouble
        good, begun = channel.last_good(), channel.begun or now
        deaf_ms = self._deaf_ms(good or begun)
        trouble = watch_over(was, good, channel.answered_ms, begun, channel.gap_ms, now, deaf_ms)
        if trouble is was:
            return []
        channel.trouble = trouble
        channel.calm = False
        self._due_ms = -NEVER_MS
        if trouble.kind is was.kind:
            return []
        if trouble.kind is not None:
            others = bool(channel.bands) and all(
                any(c is not channel and c.shows(now) for c in band.channels)
                for band in channel.bands
            )
            message = self._words.trouble(
                channel.watch, trouble.kind, channel.bad_tests, trouble.since, others, now
            )
            alarm = f"{channel.watch.name}.{trouble.kind}"
            return self._find(Finding(alarm, True, channel.priority, message, trouble.since), now)
        message = self._words.mended(channel.watch, was.since, now)
        return self._find(
            Finding(f"{channel.watch.name}.{was.kind}", False, channel.priority, message), now
        )

    def _look_for_stuck(
        self, channel: Channel, kind: Worth, reading: Reading, now: Moment
    ) -> list[Transition]:
        """Stuck begins with a failed flat line test and ends with a reading that has moved: a
        restart forgets the test's history, but not this."""
        alarm, value = f"{channel.watch.name}.stuck", reading.value
        if kind is Worth.FLAT:
            channel.stuck_at = value
            if channel.stuck:
                return []
            channel.stuck = True
            channel.trail.clear()
            channel.look_lately()
            message = self._words.stuck(channel.watch, value, None, now)
            return self._find(Finding(alarm, True, channel.priority, message, now), now)
        if not channel.stuck or kind is not Worth.GOOD or value is None:
            return []
        if channel.stuck_at is None:
            channel.stuck_at = value
        if abs(value - channel.stuck_at) <= channel.watch.step / 2:
            return []
        channel.stuck, channel.stuck_at = False, None
        message = self._words.moving(channel.watch)
        return self._find(Finding(alarm, False, channel.priority, message), now)

    def _look_for_doubt(self, alarm: str) -> None:
        """What somebody else says not to believe moves nothing until that is over; the trail begins
        anew then. An alarm out of service casts no doubt."""
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

    def _look_for_sight(self, band: BandWatch, now: Moment) -> list[Transition]:
        was = band.state.sight
        seen, begun = band.seen(), band.begun() or now
        deaf_ms = self._deaf_ms(seen or begun)
        sight = watch_over(was, seen, None, begun, band.limits.blind_ms, now, deaf_ms)
        if sight is was:
            return []
        self._due_ms = -NEVER_MS
        band.state = bands.judge_sight(band.state, sight)
        for channel in band.channels:
            channel.calm = False
        if sight.kind is was.kind:
            return []
        alarm = f"{band.band.name}.unseen"
        quantity = band.channels[0].watch.quantity
        if sight.kind is not None:
            message = self._words.unseen(band.band, quantity, self._why(band), sight.since, now)
            return self._find(Finding(alarm, True, band.band.priority, message, sight.since), now)
        message = self._words.seen_again(band.band, quantity, band.value(now), was.since, now)
        return self._find(Finding(alarm, False, band.band.priority, message), now)

    def _why(self, band: BandWatch) -> dict[str, str]:
        why = {}
        for channel in band.channels:
            if channel.stuck:
                trouble = "stuck"
            elif channel.doubted:
                trouble = "not to be believed"
            elif channel.trouble.kind is TroubleKind.FAULT:
                trouble = "answers with nothing usable"
            elif channel.trouble.kind is TroubleKind.SILENT or channel.seen is UNSEEN:
                trouble = "no reading"
            else:
                trouble = "nothing usable"
            why[self._words.called(channel.watch)] = trouble
        return why

    # -- time ----------------------------------------------------------------------------------

    def _begin(self, now: Moment) -> None:
        """Watching begins with the first call, whichever it is."""
        if not self._begun:
            self._begun = True
            for channel in self._channels.values():
                channel.begun = now

    def _deaf_ms(self, since: Moment) -> int:
        """For how long nobody has listened since then."""
        return sum(to - from_ for from_, to in self._deaf if from_ >= since.mono_ms)

    def _next_due(self, now: Moment) -> int:
        """When a tick may have something to do next. Readings only put it off."""
        self._begin(now)
        due = NEVER_MS
        for channel in self._channels.values():
            if channel.trouble is NONE and channel.shows(now):
                due = min(due, channel.seen.mono_ms + channel.gap_ms)
                continue
            good = channel.last_good() or channel.begun or now
            if channel.trouble.kind is None or channel.trouble.mending_ms is not None:
                due = min(due, good.mono_ms + channel.gap_ms + self._deaf_ms(good))
            if channel.trouble.mending_ms is not None:
                due = min(due, channel.trouble.mending_ms + channel.gap_ms)
        for band in self._bands:
            sight = band.state.sight
            if sight.kind is None or sight.mending_ms is not None:
                seen = band.seen() or band.begun() or now
                due = min(due, seen.mono_ms + band.limits.blind_ms + self._deaf_ms(seen))
            if sight.mending_ms is not None:
                due = min(due, sight.mending_ms + band.limits.blind_ms)
        return min(due, self._annunciator.next_due_ms())

    # -- restoring -----------------------------------------------------------------------------

    def _restore_rules(self) -> None:
        """Lets the rules know what stands, so that it returns when its condition is over."""
        for channel in self._channels.values():
            name = channel.watch.name
            for kind in TroubleKind:
                state = self._annunciator.standing(f"{name}.{kind}")
                if state is not None and channel.trouble.kind is None:
                    channel.trouble = Trouble(kind, since=state.since)
            channel.stuck = self._annunciator.standing(f"{name}.stuck") is not None
        for band in self._bands:
            name = band.band.name
            unseen = self._annunciator.standing(f"{name}.unseen")
            band.state = BandState(
                low=self._stood(f"{name}.low"),
                high=self._stood(f"{name}.high"),
                rate=self._stood(f"{name}.rate"),
                sight=NONE if unseen is None else Trouble(TroubleKind.SILENT, since=unseen.since),
            )
        for rule in self._states:
            rule.state = self._stood(rule.discrepancy.name)
        for agreement in self._agreements:
            agreement.state = self._stood(f"{agreement.agreement.name}.apart")

    def _stood(self, alarm: str) -> LimitState:
        state = self._annunciator.standing(alarm)
        return CLEAR if state is None else LimitState(active=True, since=state.since)
