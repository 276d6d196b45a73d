"""Unanswered alarms: when they are said again, to whom, and when they stop."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

import in_words
from stillwell.alarm.annunciate.escalation import (
    Escalation,
    EscalationPlan,
    address,
    blind,
    newest_step,
    turn_of,
)
from stillwell.alarm.notices import notices
from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.reading import Moment

MIN = 60_000
START_UTC = 1_790_000_000_000
ONE = EscalationPlan()
TWO = EscalationPlan(turns=2)
MESSAGE = Message("Water 24.3 °C, below 24.8 °C since 02:10.", "Heater.", "Look at it.", "Unplug.")


def at(ms: int, epoch: int = 1) -> Moment:
    return Moment(ms, START_UTC + ms, epoch)


def change(
    before: State,
    after: State,
    event: str,
    ms: int = 0,
    priority: Priority = Priority.HIGH,
    active: bool = True,
    alarm: str = "water.low",
) -> Transition:
    return Transition(alarm, at(ms), before, after, event, priority, active, MESSAGE, at(ms))


def raised(ms: int = 0, priority: Priority = Priority.HIGH) -> Transition:
    return change(State.NORMAL, State.UNACKNOWLEDGED, "raise", ms, priority)


def told(escalation: Escalation, until_ms: int, from_ms: int = 0) -> list[tuple[int, int]]:
    """(minute, turn) of every notice when asked each second."""
    return [
        (ms // MIN, turn_of(notice))
        for ms in range(from_ms, until_ms + 1, 1000)
        for notice in escalation.tick(at(ms))
    ]


class TestTheSteps:
    def test_are_10_min_30_min_and_1_h_after_the_alarm(self) -> None:
        escalation = Escalation(ONE)
        escalation.see(raised())
        assert told(escalation, 6 * 60 * MIN) == [(10, 1), (30, 1), (60, 1)]

    def test_begin_anew_for_the_next_turn_which_is_told_after_an_hour(self) -> None:
        escalation = Escalation(TWO)
        escalation.see(raised())
        minutes = [(10, 1), (30, 1), (60, 2), (70, 2), (90, 2), (120, 2)]
        assert told(escalation, 3 * 60 * MIN) == minutes

    def test_go_on_every_six_hours_when_everybody_has_been_told(self) -> None:
        escalation = Escalation(ONE)
        escalation.see(raised())
        later = told(escalation, 14 * 60 * MIN, 2 * 60 * MIN)
        assert later == [(120, 1), (60 + 6 * 60, 1), (60 + 12 * 60, 1)]
        # The first look after 2 h finds the step of 1 h, which nobody had asked for before.

    def test_end_where_the_plan_says_so(self) -> None:
        escalation = Escalation(EscalationPlan(then_every_s=None))
        escalation.see(raised())
        assert told(escalation, 30 * 60 * MIN)[-1] == (60, 1)

    @given(
        gone=st.integers(0, 10**9),
        more=st.integers(0, 10**8),
        turns=st.integers(1, 5),
        pass_on=st.sampled_from([300.0, 1800.0, 3600.0, 7200.0]),
    )
    def test_only_ever_go_forward(self, gone: int, more: int, turns: int, pass_on: float) -> None:
        plan = EscalationPlan(turns=turns, pass_on_after_s=pass_on)
        one, other = newest_step(plan, gone), newest_step(plan, gone + more)
        if one is None:
            assert gone < 600_000
            return
        assert other is not None
        assert other.number >= one.number
        assert other.turn >= one.turn
        assert one.after_ms <= gone
        assert 1 <= one.turn <= turns

    def test_must_grow(self) -> None:
        with pytest.raises(ValueError, match="grow"):
            EscalationPlan(repeat_after_s=(1800.0, 600.0))


class TestAnAnswer:
    @pytest.mark.parametrize(
        ("after", "event", "active"),
        [
            (State.ACKNOWLEDGED, "acknowledge", True),
            (State.SHELVED, "shelve", True),
            (State.SUPPRESSED, "suppress", True),
            (State.OUT_OF_SERVICE, "out-of-service", True),
            (State.RETURNED, "clear", False),
            (State.LATCHED, "clear", False),
        ],
    )
    def test_stops_the_repeats(self, after: State, event: str, active: bool) -> None:
        escalation = Escalation(TWO)
        escalation.see(raised())
        assert told(escalation, 15 * MIN) == [(10, 1)]
        escalation.see(change(State.UNACKNOWLEDGED, after, event, 15 * MIN, active=active))
        assert told(escalation, 40 * 60 * MIN, 15 * MIN) == []

    def test_is_wanted_of_high_alarms_only(self) -> None:
        escalation = Escalation(TWO)
        escalation.see(raised(priority=Priority.MEDIUM))
        assert told(escalation, 5 * 60 * MIN) == []

    def test_is_wanted_from_the_moment_when_the_alarm_became_high(self) -> None:
        escalation = Escalation(ONE)
        escalation.see(raised(priority=Priority.MEDIUM))
        unack = State.UNACKNOWLEDGED
        escalation.see(change(unack, unack, "priority", 20 * MIN))
        assert told(escalation, 45 * MIN)[0] == (30, 1)

    def test_to_one_alarm_is_none_to_another(self) -> None:
        escalation = Escalation(ONE)
        escalation.see(raised())
        escalation.see(replace(raised(), alarm="level.low"))
        escalation.see(change(State.UNACKNOWLEDGED, State.ACKNOWLEDGED, "acknowledge", MIN))
        assert [n.subject for n in escalation.tick(at(10 * MIN))] == ["level.low"]


class TestTheReturn:
    def test_is_told_to_everybody_who_was_woken(self) -> None:
        escalation = Escalation(TWO)
        escalation.see(raised())
        told(escalation, 61 * MIN)
        acked = change(State.UNACKNOWLEDGED, State.ACKNOWLEDGED, "acknowledge", 62 * MIN)
        escalation.see(acked)
        over = change(State.ACKNOWLEDGED, State.NORMAL, "clear", 80 * MIN, active=False)
        (notice,) = notices(over)
        assert turn_of(escalation.addressed(notice)) == 2

    def test_is_told_to_the_first_turn_where_nobody_else_was_woken(self) -> None:
        escalation = Escalation(TWO)
        escalation.see(raised())
        over = change(State.UNACKNOWLEDGED, State.RETURNED, "clear", 5 * MIN, active=False)
        (notice,) = notices(over)
        assert escalation.addressed(notice) == notice


class TestARestart:
    def test_says_no_step_twice_and_makes_up_for_none(self) -> None:
        before = Escalation(ONE)
        before.see(raised())
        first = [n.key for ms in range(0, 31 * MIN, 1000) for n in before.tick(at(ms))]
        after = Escalation(ONE)
        # The monotonic clock begins anew; the wall clock goes on.
        restored = Moment(5_000, START_UTC + 40 * MIN, 2)
        after.restore([raised()], restored)
        keys = [n.key for n in after.tick(restored)]
        assert keys == first[-1:], "the newest step again, under the key that the store has"
        later = Moment(5_000 + 21 * MIN, START_UTC + 61 * MIN, 2)
        assert [n.key for n in after.tick(later)] == ["water.low:repeated:3:1:0"]

    def test_with_a_clock_in_the_past_begins_the_steps_anew(self) -> None:
        after = Escalation(ONE)
        after.restore([raised()], Moment(0, START_UTC - 10**9, 2))
        assert after.tick(Moment(9 * MIN, 0, 2)) == []
        assert len(after.tick(Moment(10 * MIN, 0, 2))) == 1


class TestTheNotice:
    def test_says_what_how_long_and_how_to_stop_it(self) -> None:
        escalation = Escalation(ONE)
        escalation.see(raised())
        (notice,) = escalation.tick(at(10 * MIN))
        assert notice.kind == "repeated"
        assert in_words.told(notice).title.startswith("Water 24.3 °C")
        assert len(in_words.told(notice).title) <= 60
        text = in_words.told(notice).text
        assert "Unanswered for 10 min. To answer: stillwell ack water.low" in text
        assert "Unplug, with dry hands" in in_words.told(notice).text

    @given(st.integers(1, 99))
    def test_carries_its_turn_in_its_key(self, turn: int) -> None:
        plain = Notice(
            "water.low:raised:high:1:0", "water.low", "raised", Priority.HIGH, at(0), Prose("", "")
        )
        assert turn_of(address(plain, turn)) == turn

    def test_of_blindness_has_one_key_for_one_gap(self) -> None:
        one = blind(at(0), at(90 * MIN), 90 * MIN, 0)
        other = blind(at(0), at(95 * MIN, 3), 95 * MIN, 0)
        assert one.key == other.key
        assert in_words.told(one).title == "Watching again; nobody watched for 1 h 30 min."
