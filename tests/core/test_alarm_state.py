"""The alarm state machine against the transition diagram of ANSI/ISA-18.2-2016 (IEC 62682).

The rows follow the standard's alarm state transition diagram and the clauses about its states;
clause and figure are given from memory. Where the standard leaves the choice, the row says "ours".
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.annunciate.state import (
    LATCHES,
    URGENCY,
    WITHHELD,
    AlarmState,
    Event,
    Kind,
    Record,
    Refuse,
    step,
)
from stillwell.alarm.kept import restored
from stillwell.alarm.notices import notices
from stillwell.notice import Message, Priority, State, Transition
from stillwell.reading import Moment

NOW = Moment(1_000_000, 1_800_000_000_000, 1)

NORMAL, UNACK, ACK = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
RTN, LATCHED, LATCHED_ACK = State.RETURNED, State.LATCHED, State.LATCHED_ACKNOWLEDGED
SHELVED, SUPPRESSED, OUT = State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE

STANDS = {UNACK: True, ACK: True, NORMAL: False, RTN: False, LATCHED: False, LATCHED_ACK: False}
"""Whether the condition stands, in the states that say so by themselves."""


def alarm(state: State, *, active: bool | None = None, latching: bool = False) -> AlarmState:
    return AlarmState(
        state=state,
        active=STANDS.get(state, False) if active is None else active,
        priority=Priority.MEDIUM,
        latching=latching or state in LATCHES,
        since=Moment(5, 6),
        shelf_ends_ms=NOW.mono_ms + 60_000 if state is SHELVED else None,
    )


ALL_STATES = [
    *(alarm(state, latching=latching) for state in sorted(STANDS) for latching in (False, True)),
    *(
        alarm(state, active=active, latching=latching)
        for state in sorted(WITHHELD)
        for active in (False, True)
        for latching in (False, True)
    ),
]

ALL_EVENTS = [
    *(Event(kind) for kind in Kind if kind not in (Kind.RAISE, Kind.PRIORITY, Kind.SHELVE)),
    *(Event(Kind.RAISE, p, under_cause=u) for p in Priority for u in (False, True)),
    *(Event(Kind.PRIORITY, p) for p in Priority),
    *(Event(Kind.SHELVE, shelve_ms=ms) for ms in (-1, 0, 1, 60_000)),
    *(
        Event(kind, under_cause=True)
        for kind in (Kind.UNSHELVE, Kind.SHELF_ENDED, Kind.UNSUPPRESS, Kind.RETURN_TO_SERVICE)
    ),
]

RAISE = Event(Kind.RAISE, Priority.MEDIUM)
UNDER = Event(Kind.RAISE, Priority.MEDIUM, under_cause=True)
SHELVE = Event(Kind.SHELVE, shelve_ms=60_000)
WORSE = Event(Kind.PRIORITY, Priority.HIGH)
MILDER = Event(Kind.PRIORITY, Priority.LOW)


def on(kind: Kind, *, under: bool = False) -> Event:
    return Event(kind, under_cause=under)


ROWS: list[tuple[str, AlarmState, Event, State, bool]] = [
    # the alarm and its acknowledgement
    ("A to B: alarm occurs", alarm(NORMAL), RAISE, UNACK, True),
    ("B to C: acknowledged while it stands", alarm(UNACK), on(Kind.ACKNOWLEDGE), ACK, True),
    ("B to D: returns to normal before acknowledged", alarm(UNACK), on(Kind.CLEAR), RTN, False),
    ("C to A: returns to normal after acknowledged", alarm(ACK), on(Kind.CLEAR), NORMAL, False),
    ("D to A: acknowledged after it returned", alarm(RTN), on(Kind.ACKNOWLEDGE), NORMAL, False),
    ("D to B: re-alarm", alarm(RTN), RAISE, UNACK, True),
    ("C to B: re-alarm on a higher priority (ours)", alarm(ACK), WORSE, UNACK, True),
    ("B stays B on a higher priority", alarm(UNACK), WORSE, UNACK, True),
    # latching
    (
        "B to E: a latching alarm returns unacknowledged",
        alarm(UNACK, latching=True), on(Kind.CLEAR), LATCHED, False,
    ),
    (
        "C to F: a latching alarm returns acknowledged",
        alarm(ACK, latching=True), on(Kind.CLEAR), LATCHED_ACK, False,
    ),
    ("E to F: latched, acknowledged", alarm(LATCHED), on(Kind.ACKNOWLEDGE), LATCHED_ACK, False),
    ("F to A: reset", alarm(LATCHED_ACK), on(Kind.RESET), NORMAL, False),
    ("E to B: re-alarm of a latched one", alarm(LATCHED), RAISE, UNACK, True),
    ("F to B: re-alarm of a latched one", alarm(LATCHED_ACK), RAISE, UNACK, True),
    # shelved
    ("A to G: shelved before it alarms", alarm(NORMAL), SHELVE, SHELVED, False),
    ("B to G: shelved", alarm(UNACK), SHELVE, SHELVED, True),
    ("C to G: shelved", alarm(ACK), SHELVE, SHELVED, True),
    ("D to G: shelved", alarm(RTN), SHELVE, SHELVED, False),
    ("G to A: un-shelved, normal", alarm(SHELVED), on(Kind.UNSHELVE), NORMAL, False),
    (
        "G to B: un-shelved, still standing",
        alarm(SHELVED, active=True), on(Kind.UNSHELVE), UNACK, True,
    ),
    ("G to A: shelf ended, normal", alarm(SHELVED), on(Kind.SHELF_ENDED), NORMAL, False),
    (
        "G to B: shelf ended, still standing",
        alarm(SHELVED, active=True), on(Kind.SHELF_ENDED), UNACK, True,
    ),
    (
        "G to H: shelf ended under a standing cause (ours)",
        alarm(SHELVED, active=True), on(Kind.SHELF_ENDED, under=True), SUPPRESSED, True,
    ),
    ("G stays G: shelved again (ours)", alarm(SHELVED, active=True), SHELVE, SHELVED, True),
    ("G tracks a raise", alarm(SHELVED), RAISE, SHELVED, True),
    ("G tracks a return", alarm(SHELVED, active=True), on(Kind.CLEAR), SHELVED, False),
    ("G tracks a priority", alarm(SHELVED, active=True), WORSE, SHELVED, True),
    # suppressed by design
    ("A to H: suppressed before it alarms", alarm(NORMAL), on(Kind.SUPPRESS), SUPPRESSED, False),
    ("A to H: raised under a standing cause", alarm(NORMAL), UNDER, SUPPRESSED, True),
    ("B to H: suppressed", alarm(UNACK), on(Kind.SUPPRESS), SUPPRESSED, True),
    ("C to H: suppressed", alarm(ACK), on(Kind.SUPPRESS), SUPPRESSED, True),
    ("D to H: suppressed", alarm(RTN), on(Kind.SUPPRESS), SUPPRESSED, False),
    ("D to H: raised again under a cause", alarm(RTN), UNDER, SUPPRESSED, True),
    ("H to A: un-suppressed, normal", alarm(SUPPRESSED), on(Kind.UNSUPPRESS), NORMAL, False),
    (
        "H to B: un-suppressed, still standing",
        alarm(SUPPRESSED, active=True), on(Kind.UNSUPPRESS), UNACK, True,
    ),
    (
        "H stays H: un-suppressed under another cause (ours)",
        alarm(SUPPRESSED, active=True), on(Kind.UNSUPPRESS, under=True), SUPPRESSED, True,
    ),
    ("H tracks a raise", alarm(SUPPRESSED), RAISE, SUPPRESSED, True),
    ("H tracks a return", alarm(SUPPRESSED, active=True), on(Kind.CLEAR), SUPPRESSED, False),
    ("H to G: shelved while suppressed", alarm(SUPPRESSED, active=True), SHELVE, SHELVED, True),
    # out of service
    *(
        (f"{state.value} to I: out of service", alarm(state), on(Kind.OUT_OF_SERVICE), OUT, stands)
        for state, stands in STANDS.items()
    ),
    ("G to I: out of service", alarm(SHELVED, active=True), on(Kind.OUT_OF_SERVICE), OUT, True),
    ("H to I: out of service", alarm(SUPPRESSED), on(Kind.OUT_OF_SERVICE), OUT, False),
    ("I to A: returned to service", alarm(OUT), on(Kind.RETURN_TO_SERVICE), NORMAL, False),
    (
        "I to B: returned to service, standing",
        alarm(OUT, active=True), on(Kind.RETURN_TO_SERVICE), UNACK, True,
    ),
    (
        "I to H: returned to service under a cause (ours)",
        alarm(OUT, active=True), on(Kind.RETURN_TO_SERVICE, under=True), SUPPRESSED, True,
    ),
    ("I tracks a raise", alarm(OUT), RAISE, OUT, True),
    ("I tracks a return", alarm(OUT, active=True), on(Kind.CLEAR), OUT, False),
    # an alarm that the configuration no longer has (ours)
    *(
        (f"{state.value} is closed when removed", alarm(state), on(Kind.REMOVED), NORMAL, False)
        for state in State
        if state is not NORMAL
    ),
]  # fmt: skip

REFUSALS: list[tuple[AlarmState, Event, str]] = [
    (alarm(UNACK), RAISE, "stands already"),
    (alarm(ACK), RAISE, "stands already"),
    (alarm(NORMAL), on(Kind.CLEAR), "does not stand"),
    (alarm(RTN), on(Kind.CLEAR), "does not stand"),
    (alarm(UNACK), MILDER, "keeps its priority"),
    (alarm(NORMAL), WORSE, "does not stand"),
    (alarm(NORMAL), on(Kind.ACKNOWLEDGE), "nothing to acknowledge"),
    (alarm(ACK), on(Kind.ACKNOWLEDGE), "acknowledged already"),
    (alarm(LATCHED_ACK), on(Kind.ACKNOWLEDGE), "waits for a reset"),
    (alarm(SHELVED), on(Kind.ACKNOWLEDGE), "is shelved"),
    (alarm(OUT), on(Kind.ACKNOWLEDGE), "is out of service"),
    (alarm(UNACK, latching=True), on(Kind.RESET), "still stands"),
    (alarm(ACK, latching=True), on(Kind.RESET), "still stands"),
    (alarm(LATCHED), on(Kind.RESET), "acknowledged before"),
    (alarm(NORMAL), on(Kind.RESET), "not latched"),
    (alarm(UNACK), Event(Kind.SHELVE), "with an end"),
    (alarm(LATCHED), SHELVE, "acknowledge and reset"),
    (alarm(LATCHED_ACK), SHELVE, "acknowledge and reset"),
    (alarm(OUT), SHELVE, "return it to service"),
    (alarm(LATCHED), on(Kind.SUPPRESS), "latched"),
    (alarm(SHELVED), on(Kind.SUPPRESS), "shelved already"),
    (alarm(NORMAL), on(Kind.UNSHELVE), "not shelved"),
    (alarm(NORMAL), on(Kind.SHELF_ENDED), "not shelved"),
    (alarm(UNACK), on(Kind.UNSUPPRESS), "not suppressed"),
    (alarm(OUT), on(Kind.OUT_OF_SERVICE), "already"),
    (alarm(UNACK), on(Kind.RETURN_TO_SERVICE), "in service"),
    (alarm(NORMAL), on(Kind.REMOVED), "nothing to close"),
]


def lawful(state: AlarmState) -> bool:
    """Whether this is a state that the standard knows."""
    if state.state in STANDS and state.active is not STANDS[state.state]:
        return False
    if (state.state is SHELVED) is not (state.shelf_ends_ms is not None):
        return False
    return state.latching or state.state not in LATCHES


def as_row(before: AlarmState, event: Event, after: AlarmState, now: Moment) -> Transition:
    left = 0 if after.shelf_ends_ms is None else after.shelf_ends_ms - now.mono_ms
    return Transition(
        alarm="x",
        moment=now,
        before=before.state,
        after=after.state,
        event=event.kind.value,
        priority=after.priority,
        active=after.active,
        facts=Message("X."),
        since=after.since or now,
        shelved_for_ms=left,
    )


class TestTransitionTable:
    @pytest.mark.parametrize(
        ("before", "event", "after", "active"),
        [row[1:] for row in ROWS],
        ids=[row[0] for row in ROWS],
    )
    def test_each_arrow_of_the_diagram(
        self, before: AlarmState, event: Event, after: State, active: bool
    ) -> None:
        state, actions = step(before, event, NOW)
        assert (state.state, state.active, actions) == (after, active, (Record(),))

    @pytest.mark.parametrize(
        ("before", "event", "reason"),
        REFUSALS,
        ids=[f"{s.state.value}, {e.kind.value}: {r}" for s, e, r in REFUSALS],
    )
    def test_what_the_diagram_does_not_have_is_refused_with_a_reason(
        self, before: AlarmState, event: Event, reason: str
    ) -> None:
        state, (action,) = step(before, event, NOW)
        assert state == before
        assert isinstance(action, Refuse)
        assert reason in action.reason

    @pytest.mark.parametrize(
        ("before", "event"),
        list(product(ALL_STATES, ALL_EVENTS)),
        ids=lambda value: value.state.value if isinstance(value, AlarmState) else value.kind.value,
    )
    def test_every_pair_moves_to_a_lawful_state_or_is_refused(
        self, before: AlarmState, event: Event
    ) -> None:
        assert lawful(before)
        state, (action,) = step(before, event, NOW)
        assert lawful(state)
        if isinstance(action, Refuse):
            assert state == before
            assert action.reason
        else:
            assert action == Record()

    def test_the_table_has_every_state_as_start_and_as_end(self) -> None:
        assert {row[1].state for row in ROWS} == set(State) == {row[3] for row in ROWS}

    def test_the_table_has_every_kind_of_event(self) -> None:
        assert {row[2].kind for row in ROWS} == set(Kind)


class TestPriority:
    def test_only_rises_while_the_condition_stands(self) -> None:
        state = alarm(UNACK)
        for event, expected in ((WORSE, Priority.HIGH), (MILDER, Priority.HIGH)):
            state, _ = step(state, event, NOW)
            assert state.priority is expected

    def test_starts_anew_with_the_next_raise(self) -> None:
        state, _ = step(alarm(RTN), Event(Kind.RAISE, Priority.LOW), NOW)
        assert state.priority is Priority.LOW


class TestSince:
    def test_is_the_beginning_of_the_condition_where_it_is_known(self) -> None:
        then = Moment(7, 8)
        state, _ = step(alarm(NORMAL), Event(Kind.RAISE, since=then), NOW)
        assert state.since == then

    def test_is_kept_on_return_so_that_the_duration_can_be_told(self) -> None:
        state, _ = step(alarm(UNACK), on(Kind.CLEAR), NOW)
        assert state.since == Moment(5, 6)


events = st.lists(st.sampled_from(ALL_EVENTS), max_size=60)
starts = st.sampled_from([False, True])


class TestAnySequence:
    @given(events, starts)
    def test_never_leaves_the_lawful_states(self, sequence: list[Event], latching: bool) -> None:
        state = AlarmState(latching=latching)
        for event in sequence:
            state, _ = step(state, event, NOW)
            assert lawful(state)

    @given(events, starts)
    def test_announces_each_raise_once(self, sequence: list[Event], latching: bool) -> None:
        """A raise that is not withheld gives one notice, and nothing but a raise or the end of
        silence over a standing condition gives one."""
        state = AlarmState(latching=latching)
        for n, event in enumerate(sequence):
            now = Moment(n, NOW.utc_ms + n, 1)
            before = state
            state, (action,) = step(before, event, now)
            if isinstance(action, Refuse):
                continue
            kinds = [notice.kind for notice in notices(as_row(before, event, state, now))]
            speaks = state.state is UNACK and (event.kind is Kind.RAISE or before.state in WITHHELD)
            assert kinds.count("raised") == (1 if speaks else 0)

    @given(events, starts)
    def test_an_acknowledgement_never_silences_a_later_raise(
        self, sequence: list[Event], latching: bool
    ) -> None:
        state = AlarmState(latching=latching)
        for event in sequence:
            state, _ = step(state, event, NOW)
        state, _ = step(state, on(Kind.ACKNOWLEDGE), NOW)
        state, _ = step(state, on(Kind.CLEAR), NOW)
        before = state
        state, _ = step(state, RAISE, NOW)
        assert state.active
        if before.state not in WITHHELD:
            assert state.state is UNACK
            assert notices(as_row(before, RAISE, state, NOW))

    @given(events, starts)
    def test_returned_is_told_only_to_those_who_were_called(
        self, sequence: list[Event], latching: bool
    ) -> None:
        state, called = AlarmState(latching=latching), 0
        for n, event in enumerate(sequence):
            now = Moment(n, NOW.utc_ms + n, 1)
            before = state
            state, (action,) = step(before, event, now)
            if isinstance(action, Refuse):
                continue
            for notice in notices(as_row(before, event, state, now)):
                if notice.kind == "raised":
                    called += 1
                elif notice.kind == "returned":
                    called -= 1
                assert called >= 0

    @given(events, events, starts)
    def test_goes_on_after_a_restart_as_it_would_have_without(
        self, earlier: list[Event], later: list[Event], latching: bool
    ) -> None:
        """Bisimulation: a row of the log holds the whole state, so the same future gives the same
        moves."""
        state, row = AlarmState(latching=latching), None
        for n, event in enumerate(earlier):
            now = Moment(n * 1000, NOW.utc_ms + n * 1000, 1)
            before = state
            state, (action,) = step(before, event, now)
            if isinstance(action, Record):
                row = as_row(before, event, state, now)
        if row is None:
            return
        # The new boot's monotonic clock begins at zero, one second after the last event.
        reboot_ms = NOW.utc_ms + len(earlier) * 1000
        shift = len(earlier) * 1000
        again = restored(row, latching, Moment(0, reboot_ms, 2))
        for n, event in enumerate(later):
            utc_ms = reboot_ms + n * 1000
            went = step(state, event, Moment(shift + n * 1000, utc_ms, 1))
            goes = step(again, event, Moment(n * 1000, utc_ms, 2))
            assert went[1] == goes[1]
            state, again = went[0], goes[0]
            assert replace(state, since=None, shelf_ends_ms=None) == replace(
                again, since=None, shelf_ends_ms=None
            )
            if state.shelf_ends_ms is not None and again.shelf_ends_ms is not None:
                # A shelf that ended while the daemon was down is due at once in both.
                assert max(0, state.shelf_ends_ms - shift) == max(0, again.shelf_ends_ms)


class TestUrgency:
    def test_orders_the_priorities(self) -> None:
        assert sorted(Priority, key=lambda p: URGENCY[p]) == [
            Priority.LOW,
            Priority.MEDIUM,
            Priority.HIGH,
        ]
