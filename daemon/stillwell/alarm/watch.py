"""The watch: rules, machine, suppression, shelves and words put together, on one thread, without a
clock.

Everything that happens comes in through one of six calls (`restore`, `see`, `tick`, `find`,
`request`, and `notices`, which only reads); what changed comes back as transitions, in order, for
the caller to keep and to send. The same calls in the same order give the same transitions.

A rule knows only whether its condition stands; `_set` brings that to the alarm's machine when it
has changed, or when it has become more urgent. So a rule may be asked as often as is convenient.

`see` is called for every reading ever made. A reading that is good, from a channel without trouble,
inside all limits on it, while nothing is being counted in any of its bands, can change nothing but
the running mean of its trail: that is checked first and costs a few comparisons (`_Channel.calm`).
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import replace

from stillwell.alarm import agreement as agreements
from stillwell.alarm import band as bands
from stillwell.alarm import discrepancy as discrepancies
from stillwell.alarm import shelving
from stillwell.alarm.agreement import Agreement
from stillwell.alarm.band import Band, BandState
from stillwell.alarm.discrepancy import Discrepancy
from stillwell.alarm.limit import CLEAR, Limit, LimitState, judge
from stillwell.alarm.missing import NONE, ChannelWatch, Trouble, Worth, watch_over, worth
from stillwell.alarm.missing import Kind as TroubleKind
from stillwell.alarm.notices import notices
from stillwell.alarm.plan import WatchPlan
from stillwell.alarm.rate import (
    LATELY,
    STRETCH_MS,
    Slope,
    Trail,
    slope,
    steepest,
    together,
    trend,
)
from stillwell.alarm.state import (
    UNANSWERED,
    URGENCY,
    AlarmState,
    Event,
    Kind,
    Record,
    Refuse,
    step,
)
from stillwell.alarm.suppression import Relations
from stillwell.alarm.wording import Sightings, Wording
from stillwell.finding import Finding
from stillwell.notice import Message, Notice, Priority, State, Transition
from stillwell.ports import Command, Reply, Request
from stillwell.reading import Flag, Moment, Reading

_NOTHING: list[Transition] = []
"""What nearly every call returns: one shared list. Callers read results and never change them."""

_LONGEST_PAST_MS = 30 * 86_400_000
"""A restored condition is not believed to be older: the wall clock may be wrong by years."""

_NEVER_MS = 1 << 62

_DONE = {
    Kind.ACKNOWLEDGE: "Acknowledged",
    Kind.RESET: "Reset",
    Kind.SHELVE: "Shelved",
    Kind.UNSHELVE: "Taken off the shelf",
    Kind.RETURN_TO_SERVICE: "Back in service",
}
"""What a person is told of a request for every alarm that it fits."""

_PASS = Flag.PASS

_UNSEEN = Moment(-_NEVER_MS, 0)
"""The moment of a reading that never came."""


class _Channel:
    """What is known of a channel now. Mutable, for the hot path's sake."""

    __slots__ = (
        "_slope",
        "agreements",
        "answered_ms",
        "averaged",
        "bad_tests",
        "bands",
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
        self.bands: list[_Band] = []
        self.states: list[_State] = []
        self.agreements: list[_Agreement] = []
        self.priority = Priority.MEDIUM
        self.calm = False
        self.floor, self.ceiling = -math.inf, math.inf
        self.value = math.nan
        self.seen = _UNSEEN
        """When the last reading came that may move bands; `value` is its value."""
        self.good: Moment | None = None
        """When the last reading came that is no sign of trouble, while that is not `seen`."""
        self.answered_ms: int | None = None
        self.bad_tests = ""
        self.trouble = NONE
        self.stuck = False
        self.stuck_at: float | None = None
        self.doubted = False
        """Whether an alarm stands that says not to believe it: see `WatchPlan.doubts`."""
        self.averaged = False
        """Whether anything is judged on the means of its stretches."""
        self.raced = False
        """Whether a rate limit asks for its slope after every stretch."""
        self.trail = Trail()
        self.lately: tuple[tuple[int, float], ...] = ()
        """The stretches that a rate limit looks at."""
        self.steepest = 0.0
        """See `rate.steepest`; of `lately`."""
        self._slope: Slope | None = None

    def look_lately(self) -> None:
        """Takes the trail as it is now for what a rate limit looks at."""
        self.lately = tuple(self.trail.points)[-LATELY:]
        self.steepest = steepest(self.lately)
        self._slope = None

    def slope(self) -> Slope | None:
        """The slope of `lately`, worked out when somebody asks: most of the time nobody needs
        to."""
        if self._slope is None:
            self._slope = slope(self.lately, self.watch.step)
        return self._slope

    def last_good(self) -> Moment | None:
        if self.good is not None and self.good.mono_ms > self.seen.mono_ms:
            return self.good
        return None if self.seen is _UNSEEN else self.seen

    def shows(self, now: Moment) -> bool:
        """Whether its value may stand for the water now."""
        return not self.stuck and not self.doubted and now.mono_ms - self.seen.mono_ms < self.gap_ms


class _Band:
    __slots__ = ("band", "channels", "limits", "state")

    def __init__(self, band: Band, channels: list[_Channel]) -> None:
        self.band = band
        self.channels = channels
        self.limits = bands.limits_of(band, max(channel.gap_ms for channel in channels))
        self.state = BandState()

    def value(self, now: Moment) -> float | None:
        return bands.median([c.value for c in self.channels if c.shows(now)])

    def slope(self, now: Moment) -> Slope | None:
        slopes = [c.slope() for c in self.channels if c.shows(now)]
        return together(s for s in slopes if s is not None)

    def gentle(self) -> bool:
        """Whether no slope of its channels can be beyond the limit on its rate, or move anything
        that is being counted there."""
        limit = self.limits.rate
        return limit is None or (
            self.state.rate.quiet and all(c.steepest < limit.at for c in self.channels)
        )

    def seen(self) -> Moment | None:
        """When the newest reading came that could move it."""
        newest = max((c.seen for c in self.channels), key=lambda moment: moment.mono_ms)
        return None if newest is _UNSEEN else newest

    def calm(self, now: Moment) -> bool:
        low, high = self.band.low, self.band.high
        return self.state.quiet and all(
            low <= c.value <= high for c in self.channels if c.shows(now)
        )


class _State:
    __slots__ = ("channel", "discrepancy", "limit", "state")

    def __init__(self, discrepancy: Discrepancy, channel: _Channel) -> None:
        self.discrepancy = discrepancy
        self.channel = channel
        self.limit = discrepancies.limit_of(discrepancy, channel.gap_ms)
        self.state = CLEAR


class _Agreement:
    __slots__ = ("agreement", "channels", "limit", "state")

    def __init__(self, agreement: Agreement, channels: list[_Channel]) -> None:
        self.agreement = agreement
        self.channels = channels
        self.limit: Limit = agreements.limit_of(agreement, 3 * STRETCH_MS)
        self.state = CLEAR

    def means(self, now: Moment) -> dict[str, float]:
        """The newest stretch's mean of each channel that shows something now."""
        return {
            c.watch.name: c.trail.points[-1][1]
            for c in self.channels
            if c.shows(now)
            and c.trail.points
            and now.mono_ms - c.trail.points[-1][0] < 3 * STRETCH_MS
        }


class Watch:
    """All alarms of one tank. Owned by one thread."""

    def __init__(self, plan: WatchPlan) -> None:
        self.plan = plan
        self._rules = frozenset(plan.rules())
        self._relations = Relations(plan.relations())
        self._words = Wording(plan.zone, plan.units)
        self._alarms: dict[str, AlarmState] = {}
        self._messages: dict[str, Message] = {}
        self._latest: dict[str, Transition] = {}
        self._doubts: dict[str, _Channel] = {}
        """The channel that an alarm says not to believe."""
        self._settling: dict[str, int] = {}
        """Suppressed alarms without a standing cause: when they speak if they still stand."""
        self._started: Moment | None = None
        self._due_ms = -_NEVER_MS
        """Before this monotonic time a tick has nothing to do. It may be too early, never too
        late."""
        self._channels = {watch.name: _Channel(watch) for watch in plan.channels}
        self._watches = {watch.name: watch for watch in plan.channels}
        self._bands = [_Band(b, [self._channels[n] for n in b.channels]) for b in plan.bands]
        self._states = [_State(d, self._channels[d.channel]) for d in plan.discrepancies]
        self._agreements = [
            _Agreement(a, [self._channels[n] for n in a.channels]) for a in plan.agreements
        ]
        self._connect()

    def _connect(self) -> None:
        self._doubts = {alarm: self._channels[name] for alarm, name in self.plan.doubts}
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
        out: list[Transition] = []
        for row in {row.alarm: row for row in transitions}.values():
            state = restored(row, self.plan.latches(row.alarm), now)
            self._alarms[row.alarm] = state
            self._messages[row.alarm] = row.message
            self._latest[row.alarm] = row
            if not self.plan.defines(row.alarm):
                if state.state is not State.NORMAL:
                    self._messages[row.alarm] = self._words.gone(row.alarm)
                    out += self._move(row.alarm, Event(Kind.REMOVED), now)
                del self._alarms[row.alarm], self._messages[row.alarm], self._latest[row.alarm]
        self._restore_rules()
        for alarm in self._doubts:
            self._look_for_doubt(alarm)
        for alarm, state in self._alarms.items():
            if state.state is State.SUPPRESSED and self._cause_of(alarm, state.priority) is None:
                self._settling[alarm] = now.mono_ms + self._settle_ms(alarm)
        self._due_ms = -_NEVER_MS
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
        out += self._end_shelves(now)
        out += self._settle(now)
        self._due_ms = self._next_due(now)
        return out or _NOTHING

    def find(self, finding: Finding, now: Moment) -> list[Transition]:
        """Takes what somebody else has found: an estimator, the store, a sink, a source."""
        self._begin(now)
        if finding.consequence_of:
            self._relations.add(finding.alarm, finding.consequence_of)
        out = self._set(
            finding.alarm,
            finding.active,
            finding.priority,
            finding.message,
            finding.since,
            now,
        )
        return out or _NOTHING

    def request(self, request: Request, now: Moment) -> tuple[Reply, list[Transition]]:
        """Does what a person asks, for one alarm or for every alarm that it fits."""
        self._begin(now)
        event, complaint = self._event_of(request)
        if event is None:
            return Reply(False, complaint), []
        subject = request.subject
        if not subject:
            return self._request_all(request, event, now)
        if subject not in self._alarms and subject not in self._rules:
            return Reply(False, self._unknown(subject)), []
        event = self._with_cause(subject, event)
        after, actions = step(self._state(subject), event, now)
        for action in actions:
            if isinstance(action, Refuse):
                return Reply(False, f"{subject} {action.reason}."), []
        moved = self._move(subject, event, now, by=request.by)
        return Reply(True, f"{subject} is {_said(after.state)} now.", (subject,)), moved

    def standing(self) -> list[Transition]:
        """Returns the latest transition of every alarm that has ever moved, by name."""
        return [self._latest[alarm] for alarm in sorted(self._latest)]

    def notices(self, transition: Transition) -> list[Notice]:
        """Returns what people are told about `transition`: one notice or none."""
        return notices(transition)

    # -- from conditions to alarms -------------------------------------------------------------

    def _state(self, alarm: str) -> AlarmState:
        state = self._alarms.get(alarm)
        return AlarmState(latching=self.plan.latches(alarm)) if state is None else state

    def _cause_of(self, alarm: str, priority: Priority) -> str | None:
        return self._relations.explained(alarm, priority, self._alarms)

    def _set(
        self,
        alarm: str,
        active: bool,
        priority: Priority,
        message: Message,
        since: Moment | None,
        now: Moment,
    ) -> list[Transition]:
        """Brings the standing of a condition to its alarm."""
        state = self._alarms.get(alarm)
        if state is None or not state.active:
            if not active:
                return []
            self._messages[alarm] = message
            under = self._cause_of(alarm, priority) is not None
            event = Event(Kind.RAISE, priority, since=since, under_cause=under)
            return self._move(alarm, event, now)
        if not active:
            self._messages[alarm] = message
            return self._move(alarm, Event(Kind.CLEAR), now)
        self._messages[alarm] = message
        if URGENCY[priority] <= URGENCY[state.priority]:
            return []
        out = self._move(alarm, Event(Kind.PRIORITY, priority), now)
        if (
            self._alarms[alarm].state is State.SUPPRESSED
            and self._cause_of(alarm, priority) is None
            and alarm not in self._settling
        ):
            # It has become more urgent than what it was hidden under.
            out += self._move(alarm, Event(Kind.UNSUPPRESS), now)
        return out

    def _move(self, alarm: str, event: Event, now: Moment, *, by: str = "") -> list[Transition]:
        before = self._state(alarm)
        after, actions = step(before, event, now)
        if not any(isinstance(action, Record) for action in actions):
            return []
        if after.since is None:
            after = replace(after, since=now)  # so that the log holds the whole state
        self._alarms[alarm] = after
        if after.state is not State.SUPPRESSED:
            self._settling.pop(alarm, None)
        transition = Transition(
            alarm=alarm,
            moment=now,
            before=before.state,
            after=after.state,
            event=event.kind.value,
            priority=after.priority,
            active=after.active,
            message=self._messages.get(alarm, Message(alarm)),
            since=after.since or now,
            by=by,
            shelved_for_ms=shelving.left_ms(after.shelf_ends_ms, now),
        )
        self._latest[alarm] = transition
        self._due_ms = -_NEVER_MS
        self._look_for_doubt(alarm)
        out = [transition]
        for consequence in self._relations.consequences(alarm):
            out += self._regard(consequence, now)
        return out

    def _regard(self, alarm: str, now: Moment) -> list[Transition]:
        """One of the causes of `alarm` has changed: it keeps still, or may soon speak.

        What an acknowledged alarm says is known: it stays as it is. What was hidden has a while to
        follow its cause, and speaks if it does not.
        """
        state = self._alarms.get(alarm)
        if state is None:
            return []
        if self._cause_of(alarm, state.priority) is not None:
            self._settling.pop(alarm, None)
            if state.state is State.UNACKNOWLEDGED:
                return self._move(alarm, Event(Kind.SUPPRESS), now)
        elif state.state is State.SUPPRESSED and alarm not in self._settling:
            self._settling[alarm] = now.mono_ms + self._settle_ms(alarm)
        return []

    def _settle_ms(self, alarm: str) -> int:
        """How long `alarm` may take to follow its cause: a channel has to be read again, and then
        to go well for its gap."""
        settle_ms = round(self.plan.settle_s * 1000)
        channel = self._channels.get(alarm.rpartition(".")[0])
        return settle_ms if channel is None else max(settle_ms, 2 * channel.gap_ms)

    def _settle(self, now: Moment) -> list[Transition]:
        out: list[Transition] = []
        for alarm in [a for a, due_ms in self._settling.items() if now.mono_ms >= due_ms]:
            self._settling.pop(alarm)
            state = self._alarms[alarm]
            if self._cause_of(alarm, state.priority) is None:
                out += self._move(alarm, Event(Kind.UNSUPPRESS), now)
        return out

    def _end_shelves(self, now: Moment) -> list[Transition]:
        out: list[Transition] = []
        for alarm, state in list(self._alarms.items()):
            if state.shelf_ends_ms is not None and now.mono_ms >= state.shelf_ends_ms:
                out += self._move(alarm, self._with_cause(alarm, Event(Kind.SHELF_ENDED)), now)
        return out

    def _with_cause(self, alarm: str, event: Event) -> Event:
        if event.kind in (Kind.UNSHELVE, Kind.SHELF_ENDED, Kind.RETURN_TO_SERVICE):
            under = self._cause_of(alarm, self._state(alarm).priority) is not None
            return Event(event.kind, under_cause=under)
        return event

    # -- readings ------------------------------------------------------------------------------

    def _look(self, channel: _Channel, reading: Reading, now: Moment) -> list[Transition]:
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

    def _calm_down(self, channel: _Channel, now: Moment) -> None:
        """Finds out for which channels a good reading inside the limits would change nothing."""
        for band in channel.bands:
            for other in band.channels:
                if other is not channel:
                    other.calm = self._is_calm(other, now)
        channel.calm = self._is_calm(channel, now)

    @staticmethod
    def _is_calm(channel: _Channel, now: Moment) -> bool:
        return (
            channel.trouble.kind is None
            and not channel.stuck
            and not channel.doubted
            and all(state.state.quiet for state in channel.states)
            and all(band.calm(now) for band in channel.bands)
        )

    def _sightings(self, band: _Band, now: Moment) -> Sightings:
        trends = together(
            s
            for s in (trend(c.trail.points, c.watch.step) for c in band.channels if c.shows(now))
            if s is not None
        )
        return Sightings(band.value(now), trends, band.state.lowest, band.state.highest)

    def _look_at_band(self, band: _Band, now: Moment) -> list[Transition]:
        value = band.value(now)
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
        self, band: _Band, low: bool, active: bool, since: Moment | None, now: Moment
    ) -> list[Transition]:
        says = self._words.outside if active else self._words.inside
        quantity = band.channels[0].watch.quantity
        message = says(band.band, quantity, low, self._sightings(band, now), since, now)
        alarm = f"{band.band.name}.{'low' if low else 'high'}"
        return self._set(alarm, active, band.band.priority, message, since, now)

    def _end_stretch(self, channel: _Channel, now: Moment) -> list[Transition]:
        """A stretch is over and averaged: what is judged on means."""
        if not channel.averaged:
            channel.trail.ends_ms = _NEVER_MS
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
                sees = replace(self._sightings(band, now), slope=band.slope(now))
                since = self._turned(sees.slope, now) if active else was.rate.since
                message = (
                    self._words.racing(band.band, quantity, sees, now)
                    if active
                    else self._words.steady(band.band, quantity, sees, since, now)
                )
                alarm = f"{band.band.name}.rate"
                out += self._set(alarm, active, band.band.priority, message, since, now)
        for agreement in channel.agreements:
            out += self._look_at_agreement(agreement, now)
        return out or _NOTHING

    @staticmethod
    def _turned(slope_: Slope | None, now: Moment) -> Moment:
        if slope_ is None:
            return now
        at_ms = slope_.first_ms if slope_.turned_ms is None else slope_.turned_ms
        return Moment(at_ms, now.utc_ms - now.mono_ms + at_ms, now.epoch)

    def _look_at_agreement(self, agreement: _Agreement, now: Moment) -> list[Transition]:
        means = agreement.means(now)
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
            self._words.apart(agreement.agreement, means, self._watches, since, now)
            if active
            else self._words.together(agreement.agreement)
        )
        alarm = f"{agreement.agreement.name}.apart"
        return self._set(alarm, active, Priority.MEDIUM, message, since, now)

    def _look_at_state(self, state: _State, now: Moment) -> list[Transition]:
        was = state.state
        state.state = judge(state.limit, was, state.channel.value, now)
        active = state.state.active
        if active == was.active:
            return []
        since = state.state.since or was.since
        says = self._words.wrong_state if active else self._words.right_state
        message = says(state.discrepancy, state.channel.watch, since, now)
        rule = state.discrepancy
        return self._set(rule.name, active, rule.priority, message, since, now)

    # -- sensors -------------------------------------------------------------------------------

    def _look_for_trouble(self, channel: _Channel, now: Moment) -> list[Transition]:
        was = channel.trouble
        trouble = watch_over(
            was, channel.last_good(), channel.answered_ms, self._begin(now), channel.gap_ms, now
        )
        if trouble is was:
            return []
        channel.trouble = trouble
        channel.calm = False
        self._due_ms = -_NEVER_MS
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
            return self._set(alarm, True, channel.priority, message, trouble.since, now)
        message = self._words.mended(channel.watch, was.since, now)
        return self._set(
            f"{channel.watch.name}.{was.kind}", False, channel.priority, message, None, now
        )

    def _look_for_stuck(
        self, channel: _Channel, kind: Worth, reading: Reading, now: Moment
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
            return self._set(alarm, True, channel.priority, message, now, now)
        if not channel.stuck or kind is not Worth.GOOD or value is None:
            return []
        if channel.stuck_at is None:
            channel.stuck_at = value
        if abs(value - channel.stuck_at) <= channel.watch.step / 2:
            return []
        channel.stuck, channel.stuck_at = False, None
        message = self._words.moving(channel.watch)
        return self._set(alarm, False, channel.priority, message, None, now)

    def _look_for_doubt(self, alarm: str) -> None:
        """What somebody else says not to believe moves nothing until that is over; the trail begins
        anew then. An alarm out of service casts no doubt."""
        channel = self._doubts.get(alarm)
        if channel is None:
            return
        doubted = any(
            state is not None and state.active and state.state is not State.OUT_OF_SERVICE
            for state in (self._alarms.get(a) for a, c in self._doubts.items() if c is channel)
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

    def _look_for_sight(self, band: _Band, now: Moment) -> list[Transition]:
        was = band.state.sight
        sight = watch_over(was, band.seen(), None, self._begin(now), band.limits.blind_ms, now)
        if sight is was:
            return []
        self._due_ms = -_NEVER_MS
        band.state = bands.judge_sight(band.state, sight)
        for channel in band.channels:
            channel.calm = False
        if sight.kind is was.kind:
            return []
        alarm = f"{band.band.name}.unseen"
        quantity = band.channels[0].watch.quantity
        if sight.kind is not None:
            message = self._words.unseen(band.band, quantity, self._why(band), sight.since, now)
            return self._set(alarm, True, band.band.priority, message, sight.since, now)
        message = self._words.seen_again(band.band, quantity, band.value(now), was.since, now)
        return self._set(alarm, False, band.band.priority, message, None, now)

    def _why(self, band: _Band) -> dict[str, str]:
        why = {}
        for channel in band.channels:
            if channel.stuck:
                trouble = "stuck"
            elif channel.doubted:
                trouble = "not to be believed"
            elif channel.trouble.kind is TroubleKind.FAULT:
                trouble = "answers with nothing usable"
            elif channel.trouble.kind is TroubleKind.SILENT or channel.seen is _UNSEEN:
                trouble = "no reading"
            else:
                trouble = "nothing usable"
            why[self._words.called(channel.watch)] = trouble
        return why

    # -- time ----------------------------------------------------------------------------------

    def _begin(self, now: Moment) -> Moment:
        """Returns when watching began: at the first call, whichever it was."""
        if self._started is None:
            self._started = now
        return self._started

    def _next_due(self, now: Moment) -> int:
        """When a tick may have something to do next. Readings only put it off."""
        started = self._begin(now)
        due = _NEVER_MS
        for channel in self._channels.values():
            if channel.trouble is NONE and channel.shows(now):
                due = min(due, channel.seen.mono_ms + channel.gap_ms)
                continue
            good = channel.last_good() or started
            if channel.trouble.kind is None or channel.trouble.mending_ms is not None:
                due = min(due, good.mono_ms + channel.gap_ms)
            if channel.trouble.mending_ms is not None:
                due = min(due, channel.trouble.mending_ms + channel.gap_ms)
        for band in self._bands:
            sight = band.state.sight
            if sight.kind is None or sight.mending_ms is not None:
                due = min(due, (band.seen() or started).mono_ms + band.limits.blind_ms)
            if sight.mending_ms is not None:
                due = min(due, sight.mending_ms + band.limits.blind_ms)
        for state in self._alarms.values():
            if state.shelf_ends_ms is not None:
                due = min(due, state.shelf_ends_ms)
        return min(due, *self._settling.values()) if self._settling else due

    # -- restoring -----------------------------------------------------------------------------

    def _restore_rules(self) -> None:
        """Lets the rules know what stands, so that it returns when its condition is over."""
        for channel in self._channels.values():
            name = channel.watch.name
            for kind in TroubleKind:
                state = self._standing(f"{name}.{kind}")
                if state is not None and channel.trouble.kind is None:
                    channel.trouble = Trouble(kind, since=state.since)
            channel.stuck = self._standing(f"{name}.stuck") is not None
        for band in self._bands:
            name = band.band.name
            unseen = self._standing(f"{name}.unseen")
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

    def _standing(self, alarm: str) -> AlarmState | None:
        state = self._alarms.get(alarm)
        return state if state is not None and state.active else None

    def _stood(self, alarm: str) -> LimitState:
        state = self._standing(alarm)
        return CLEAR if state is None else LimitState(active=True, since=state.since)

    # -- requests ------------------------------------------------------------------------------

    def _event_of(self, request: Request) -> tuple[Event | None, str]:
        match request.command:
            case Command.ACKNOWLEDGE:
                return Event(Kind.ACKNOWLEDGE), ""
            case Command.RESET:
                return Event(Kind.RESET), ""
            case Command.SHELVE:
                shelve_ms = shelving.shelf_ms(request.seconds, self.plan.longest_shelf_s)
                if shelve_ms is None:
                    longest = self._words.duration(self.plan.longest_shelf_s * 1000)
                    return None, f"Say for how long to shelve it: between 1 s and {longest}."
                return Event(Kind.SHELVE, shelve_ms=shelve_ms), ""
            case Command.UNSHELVE:
                return Event(Kind.UNSHELVE), ""
            case Command.OUT_OF_SERVICE:
                return Event(Kind.OUT_OF_SERVICE), ""
            case Command.RETURN_TO_SERVICE:
                return Event(Kind.RETURN_TO_SERVICE), ""
            case _:
                return None, f"The alarms do not know how to {request.command}."

    def _request_all(
        self, request: Request, event: Event, now: Moment
    ) -> tuple[Reply, list[Transition]]:
        if event.kind is Kind.OUT_OF_SERVICE:
            return Reply(False, "Name the alarm to take out of service; one at a time."), []
        names = tuple(
            alarm for alarm, state in sorted(self._alarms.items()) if _fits(event.kind, state)
        )
        out: list[Transition] = []
        for alarm in names:
            out += self._move(alarm, self._with_cause(alarm, event), now, by=request.by)
        if not names:
            return Reply(False, f"There is no alarm to {request.command.replace('-', ' ')}."), []
        return Reply(True, f"{_DONE[event.kind]}: {', '.join(names)}.", names), out

    def _unknown(self, subject: str) -> str:
        known = sorted({*self._rules, *self._alarms})
        near = difflib.get_close_matches(subject, known, n=1)
        shown = " ".join(subject.split())[:60]
        hint = f" Did you mean {near[0]}?" if near else ""
        return f'There is no alarm "{shown}".{hint}'


def restored(row: Transition, latching: bool, now: Moment) -> AlarmState:
    """Returns the state of an alarm whose latest transition is `row`, on the clocks of a new
    run."""
    shelved = row.after is State.SHELVED
    return AlarmState(
        state=row.after,
        active=row.active,
        priority=row.priority,
        latching=latching,
        since=_on_this_clock(row.since, now),
        shelf_ends_ms=shelving.restored_end_ms(row, now) if shelved else None,
    )


def _on_this_clock(then: Moment, now: Moment) -> Moment:
    ago_ms = min(max(0, now.utc_ms - then.utc_ms), _LONGEST_PAST_MS)
    return Moment(now.mono_ms - ago_ms, then.utc_ms, then.epoch)


def _fits(kind: Kind, state: AlarmState) -> bool:
    """Whether a request without a name is about an alarm in this state."""
    match kind:
        case Kind.ACKNOWLEDGE:
            return state.state in UNANSWERED
        case Kind.RESET:
            return state.state is State.LATCHED_ACKNOWLEDGED
        case Kind.SHELVE:
            return state.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
        case Kind.UNSHELVE:
            return state.state is State.SHELVED
        case Kind.RETURN_TO_SERVICE:
            return state.state is State.OUT_OF_SERVICE
        case _:
            return False


def _said(state: State) -> str:
    return state.value.replace("-", " ")
