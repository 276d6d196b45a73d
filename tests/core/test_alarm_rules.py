"""Bands, discrepancies, agreements, suppression and shelves, each alone."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.annunciate.shelving import LONGEST_S, left_ms, restored_end_ms, shelf_ms
from stillwell.alarm.annunciate.state import AlarmState
from stillwell.alarm.annunciate.suppression import Relations
from stillwell.alarm.occurring import Alarms
from stillwell.alarm.plan import ChannelWatch, WatchPlan
from stillwell.alarm.row import Part
from stillwell.alarm.rules import agreement, band, discrepancy
from stillwell.alarm.rules.agreement import Agreement
from stillwell.alarm.rules.band import Band, BandState, judge_value, limits_of, median
from stillwell.alarm.rules.discrepancy import Discrepancy
from stillwell.alarm.rules.limit import CLEAR, judge
from stillwell.notice import Message, Priority, State, Transition
from stillwell.reading import Moment, Quantity

WATER = Band("water", ("a", "b"), 24.8, 25.8, 25.3, 0.1, 300, 300, Priority.HIGH, rate_per_h=1.5)


def at(ms: int, utc_ms: int = 1_800_000_000_000) -> Moment:
    return Moment(ms, utc_ms + ms, 1)


class TestMedian:
    @pytest.mark.parametrize(
        ("values", "expected"),
        [([], None), ([3.0], 3.0), ([3.0, 4.0], 3.5), ([9.0, 1.0, 2.0], 2.0), ([1, 9, 2, 3], 2.5)],
    )
    def test_is_the_middle(self, values: list[float], expected: float | None) -> None:
        assert median(values) == expected

    @given(st.lists(st.floats(-50, 50), min_size=3, max_size=9), st.floats(-1e6, 1e6))
    def test_one_wild_value_cannot_carry_it_out_of_the_others(
        self, values: list[float], wild: float
    ) -> None:
        found = median([*values, wild])
        assert found is not None
        assert min(values) <= found <= max(values)


class TestBand:
    def test_remembers_how_far_it_went(self) -> None:
        limits, state = limits_of(WATER, 180_000), BandState()
        for n, value in enumerate([25.0, 24.5, 23.9, 24.4]):
            state = judge_value(limits, state, value, at(n * 60_000))
        assert state.lowest == 23.9

    def test_forgets_it_with_the_next_excursion(self) -> None:
        limits, state = limits_of(WATER, 180_000), BandState()
        for n, value in enumerate([23.0, 25.2, 24.6]):
            state = judge_value(limits, state, value, at(n * 60_000))
        assert state.lowest == 24.6

    def test_is_unseen_after_the_gap_and_the_on_delay(self) -> None:
        assert limits_of(WATER, 180_000).blind_ms == 480_000

    def test_has_no_rate_limit_unless_told(self) -> None:
        assert limits_of(WATER, 1).rate is not None
        quiet = Band("x", ("a",), 0, 1, 0.5, 0.1, 0, 0, Priority.LOW)
        assert limits_of(quiet, 1).rate is None
        assert band.judge_slope(limits_of(quiet, 1), BandState(), None, at(0)) == BandState()


class TestDiscrepancy:
    def test_below_is_wrong_when_mostly_open(self) -> None:
        rule = Discrepancy("top-up", "float", False, 60, 60, Priority.MEDIUM)
        limit = discrepancy.limit_of(rule, 180_000)
        assert limit.beyond(0.0)
        assert limit.beyond(0.49)
        assert not limit.beyond(0.5)
        assert not limit.back(0.7)
        assert limit.back(0.75)

    def test_above_is_wrong_when_mostly_closed(self) -> None:
        limit = discrepancy.limit_of(
            Discrepancy("full", "float", True, 60, 60, Priority.HIGH), 180_000
        )
        assert limit.beyond(1.0)
        assert not limit.beyond(0.5)
        assert not limit.back(0.3)
        assert limit.back(0.25)

    @given(st.lists(st.floats(0.3, 0.7), min_size=1, max_size=300))
    def test_ripple_about_the_height_raises_at_most_once(self, shares: list[float]) -> None:
        rule = Discrepancy("top-up", "float", False, 0, 0, Priority.MEDIUM)
        limit, state, changes = discrepancy.limit_of(rule, 180_000), CLEAR, 0
        for n, share in enumerate(shares):
            after = judge(limit, state, share, at(n * 30_000))
            changes += after.active != state.active
            state = after
        assert changes <= 1


class TestAgreement:
    def test_its_limit_is_on_the_distance(self) -> None:
        limit = agreement.limit_of(Agreement("water", ("a", "b"), 0.5, 900.0), 900_000)
        assert limit.beyond(0.51)
        assert not limit.beyond(0.5)
        assert limit.back(0.4)


def standing(
    priority: Priority = Priority.MEDIUM, state: State = State.UNACKNOWLEDGED
) -> AlarmState:
    return AlarmState(state, True, priority)


class TestSuppression:
    relations = Relations([("a.silent", "source.s.down"), ("a.stuck", "a.silent")])

    def test_a_standing_cause_explains(self) -> None:
        found = self.relations.explained("a.silent", Priority.LOW, {"source.s.down": standing()})
        assert found == "source.s.down"

    @pytest.mark.parametrize("state", [State.ACKNOWLEDGED, State.SHELVED, State.SUPPRESSED])
    def test_whatever_a_person_did_about_it(self, state: State) -> None:
        alarms = {"source.s.down": standing(state=state)}
        assert self.relations.explained("a.silent", Priority.LOW, alarms)

    def test_a_cause_out_of_service_explains_nothing(self) -> None:
        alarms = {"source.s.down": standing(state=State.OUT_OF_SERVICE)}
        assert self.relations.explained("a.silent", Priority.LOW, alarms) is None

    def test_a_cause_that_has_returned_explains_nothing(self) -> None:
        alarms = {"source.s.down": AlarmState(State.RETURNED, False, Priority.HIGH)}
        assert self.relations.explained("a.silent", Priority.LOW, alarms) is None

    def test_a_cause_never_hides_what_is_more_urgent(self) -> None:
        alarms = {"source.s.down": standing(Priority.MEDIUM)}
        assert self.relations.explained("a.silent", Priority.HIGH, alarms) is None
        assert self.relations.explained("a.silent", Priority.MEDIUM, alarms) is not None

    @given(st.lists(st.tuples(st.sampled_from("abcdef"), st.sampled_from("abcdef")), max_size=30))
    def test_relations_never_form_a_ring_so_that_something_always_sounds(
        self, pairs: list[tuple[str, str]]
    ) -> None:
        relations = Relations(pairs)
        alarms = {name: standing() for name in "abcdef"}
        silent = [n for n in "abcdef" if relations.explained(n, Priority.MEDIUM, alarms)]
        assert len(silent) < 6
        for name in silent:
            at_ = name
            for _ in range(6):
                cause = relations.explained(at_, Priority.MEDIUM, alarms)
                if cause is None:
                    break
                at_ = cause
            assert relations.explained(at_, Priority.MEDIUM, alarms) is None


def shelved_row(left: int, utc_ms: int) -> Transition:
    return Transition(
        alarm="water.low",
        moment=Moment(999_999_999, utc_ms, 1),
        before=State.UNACKNOWLEDGED,
        after=State.SHELVED,
        event="shelve",
        priority=Priority.HIGH,
        active=True,
        facts=Message("x"),
        since=Moment(0, utc_ms),
        shelved_for_ms=left,
    )


class TestShelving:
    @pytest.mark.parametrize(
        "seconds", [0, -1, 0.5, LONGEST_S + 1, math.inf, -math.inf, math.nan, 1e300]
    )
    def test_a_shelf_without_a_sensible_end_is_refused(self, seconds: float) -> None:
        assert shelf_ms(seconds) is None

    def test_is_in_whole_milliseconds(self) -> None:
        assert shelf_ms(1.5) == 1500
        assert shelf_ms(LONGEST_S) == 604_800_000

    def test_what_is_left_never_goes_below_nothing(self) -> None:
        assert left_ms(500, at(400)) == 100
        assert left_ms(500, at(600)) == 0
        assert left_ms(None, at(600)) == 0

    @given(st.integers(0, 604_800_000), st.integers(-(10**13), 10**13))
    def test_a_wrong_clock_never_lengthens_it(self, left: int, off_by_ms: int) -> None:
        written = 1_800_000_000_000
        now = Moment(50, written + off_by_ms, 2)
        end = restored_end_ms(shelved_row(left, written), now)
        assert now.mono_ms <= end <= now.mono_ms + left

    def test_the_time_that_the_daemon_was_down_counts(self) -> None:
        written = 1_800_000_000_000
        row = shelved_row(3_600_000, written)
        assert restored_end_ms(row, Moment(0, written + 600_000, 2)) == 3_000_000


class TestPlan:
    def test_names_a_channel_that_is_not_there(self) -> None:
        with pytest.raises(ValueError, match=r"band water watches b; channels are a\."):
            WatchPlan(channels=(ChannelWatch("a", "s", Quantity.TEMPERATURE, 180),), bands=(WATER,))

    def test_knows_its_alarms_and_those_that_others_raise(self) -> None:
        plan = WatchPlan(
            channels=tuple(ChannelWatch(n, "s", Quantity.TEMPERATURE, 180) for n in "ab"),
            bands=(WATER,),
            sinks=("broker",),
            parts=frozenset({Part.HEATER}),
        )
        alarms = Alarms(plan)
        for alarm in ("water.low", "water.rate", "a.stuck", "source.s.down", "sink.broker.away"):
            assert alarms.defined(alarm)
        for alarm in ("heater.not-heating", "store.failing"):
            assert alarms.defined(alarm)
        for alarm in ("water.gone", "sink.old.away", "source.old.down", "c.silent", "level.leak"):
            assert not alarms.defined(alarm)
