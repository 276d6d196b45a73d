"""The quality of the alarms: what is counted, on days made by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.annunciate.state import AlarmState, Event, Kind, step
from stillwell.alarm.quality_report import report, spells
from stillwell.notice import Message, Priority, State, Transition
from stillwell.reading import Moment

DUBLIN = ZoneInfo("Europe/Dublin")
START = round(datetime(2026, 7, 1, 23, tzinfo=UTC).timestamp() * 1000)
"""Midnight in Dublin, in summer."""
MIN, HOUR, DAY = 60_000, 3_600_000, 86_400_000
UNACK, ACK, NORMAL, BACK = State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.NORMAL, State.RETURNED


def change(
    at: int,
    before: State,
    after: State,
    event: str,
    active: bool,
    alarm: str = "water.low",
    priority: Priority = Priority.HIGH,
) -> Transition:
    moment = Moment(at, START + at)
    return Transition(alarm, moment, before, after, event, priority, active, Message("x"), moment)


def raised(at: int, alarm: str = "water.low", priority: Priority = Priority.HIGH) -> Transition:
    return change(at, NORMAL, UNACK, "raise", True, alarm, priority)


def again(at: int, alarm: str = "water.low") -> Transition:
    return change(at, BACK, UNACK, "raise", True, alarm)


def over(at: int, alarm: str = "water.low", before: State = UNACK) -> Transition:
    after = NORMAL if before is ACK else BACK
    return change(at, before, after, "clear", False, alarm)


def acked(at: int, alarm: str = "water.low") -> Transition:
    return change(at, UNACK, ACK, "acknowledge", True, alarm)


class TestCounts:
    def test_are_of_raises_by_the_keepers_day(self) -> None:
        log = [
            raised(10 * MIN),
            acked(20 * MIN),
            over(HOUR, before=ACK),
            raised(DAY - MIN, "top-up", Priority.MEDIUM),
            raised(DAY + MIN),
        ]
        made = report(log, START, START + 2 * DAY, DUBLIN)
        assert [(d.day, d.raised, d.high) for d in made.days] == [
            (date(2026, 7, 2), 2, 1),
            (date(2026, 7, 3), 1, 1),
        ]
        assert made.raised == 3
        assert made.per_day == 1.5
        assert made.by_priority == {Priority.HIGH: 2, Priority.MEDIUM: 1, Priority.LOW: 0}
        assert made.most_frequent == (("water.low", 2), ("top-up", 1))

    def test_leave_out_what_is_outside_the_period(self) -> None:
        assert report([raised(-1), raised(DAY)], START, START + DAY, DUBLIN).raised == 0

    def test_need_a_period(self) -> None:
        with pytest.raises(ValueError, match="ends after"):
            report([], START, START, DUBLIN)

    def test_of_few_alarms_are_not_enough_for_shares(self) -> None:
        few = [raised(n * HOUR, f"a{n}") for n in range(19)]
        assert not report(few, START, START + DAY, DUBLIN).enough
        assert report([*few, raised(20 * HOUR)], START, START + DAY, DUBLIN).enough


class TestAnswers:
    def test_that_never_came_are_told_for_high_alarms(self) -> None:
        log = [raised(0), over(HOUR), raised(MIN, "top-up", Priority.LOW)]
        made = report(log, START, START + DAY, DUBLIN)
        assert [s.alarm for s in made.unanswered] == ["water.low"]
        assert made.answer_median_ms is None

    def test_after_the_fact_are_no_answers_to_what_stood(self) -> None:
        late = change(2 * HOUR, BACK, NORMAL, "acknowledge", False)
        made = report([raised(0), over(HOUR), late], START, START + DAY, DUBLIN)
        assert len(made.unanswered) == 1
        assert made.answer_median_ms == 2 * HOUR

    def test_may_be_a_shelf(self) -> None:
        shelved = change(5 * MIN, UNACK, State.SHELVED, "shelve", True)
        made = report([raised(0), shelved], START, START + DAY, DUBLIN)
        assert made.unanswered == ()
        assert made.answer_median_ms == 5 * MIN


class TestNuisance:
    def test_chattering_is_three_raises_within_a_minute(self) -> None:
        def log(gap: int) -> list[Transition]:
            return [raised(0), over(1), again(gap), over(gap + 1), again(2 * gap)]

        assert report(log(30_000), START, START + DAY, DUBLIN).chattering == ("water.low",)
        assert report(log(30_001), START, START + DAY, DUBLIN).chattering == ()

    def test_fleeting_is_over_within_a_minute_before_an_answer(self) -> None:
        assert report([raised(0), over(59_999)], START, START + DAY, DUBLIN).fleeting
        assert not report([raised(0), over(60_000)], START, START + DAY, DUBLIN).fleeting
        answered = [raised(0), acked(10_000), over(30_000, before=ACK)]
        assert not report(answered, START, START + DAY, DUBLIN).fleeting

    def test_stale_is_standing_for_more_than_a_day_acknowledged_or_not(self) -> None:
        log = [raised(HOUR), acked(2 * HOUR), over(HOUR + DAY + 1, before=ACK)]
        made = report(log, START, START + 3 * DAY, DUBLIN)
        assert made.stale == ("water.low",)
        assert [d.stale for d in made.days] == [0, 1, 0]
        exactly = [raised(HOUR), over(HOUR + DAY)]
        assert report(exactly, START, START + 3 * DAY, DUBLIN).stale == ()

    def test_stale_may_have_begun_before_the_period(self) -> None:
        made = report([], START, START + DAY, DUBLIN, standing_before=[raised(-2 * DAY)])
        assert made.stale == ("water.low",)
        assert made.standing == ("water.low",)
        assert made.raised == 0

    def test_shelved_is_not_standing(self) -> None:
        shelved = change(HOUR, UNACK, State.SHELVED, "shelve", True)
        made = report([raised(0), shelved], START, START + 3 * DAY, DUBLIN)
        assert made.standing == ()
        assert made.stale == ()

    def test_a_flood_is_ten_raises_in_ten_minutes(self) -> None:
        flood = [raised(HOUR + n * MIN, f"a{n}") for n in range(10)]
        assert report(flood, START, START + DAY, DUBLIN).flood_share == pytest.approx(1 / 144)
        assert report(flood[1:], START, START + DAY, DUBLIN).flood_share == 0


class TestAnyLog:
    @given(
        st.lists(
            st.tuples(
                st.sampled_from(["water.low", "top-up"]),
                st.sampled_from(
                    [Kind.RAISE, Kind.CLEAR, Kind.ACKNOWLEDGE, Kind.SHELVE, Kind.UNSHELVE]
                ),
                st.integers(1, 12 * HOUR),
            ),
            max_size=40,
        )
    )
    def test_of_the_real_machine_gives_consistent_counts(
        self, deeds: list[tuple[str, Kind, int]]
    ) -> None:
        states: dict[str, AlarmState] = {}
        log: list[Transition] = []
        at = 0
        for alarm, kind, gap in deeds:
            at += gap
            now = Moment(at, START + at)
            old = states.get(alarm, AlarmState())
            new, _ = step(old, Event(kind, Priority.HIGH, shelve_ms=HOUR), now)
            if new != old:
                states[alarm] = new
                log.append(change(at, old.state, new.state, kind, new.active, alarm, new.priority))
        end = START + at + 1
        made = report(log, START, end, DUBLIN)
        found = spells(log)
        assert made.raised == len(found) == sum(d.raised for d in made.days)
        assert set(made.stale) | set(made.standing) | set(made.fleeting) <= {t.alarm for t in log}
        for alarm, state in states.items():
            standing = state.active and state.state in (UNACK, ACK)
            assert (alarm in made.standing) is standing
        for spell in found:
            assert spell.over_ms is None or spell.over_ms >= spell.raised_ms
            assert spell.answered_ms is None or spell.answered_ms >= spell.raised_ms
