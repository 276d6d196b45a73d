"""Quiet hours, and old news in one message."""

from __future__ import annotations

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from in_words import told
from stillwell.alarm.annunciate.escalation import address, turn_of
from stillwell.alarm.annunciate.old_news import OLD_MS, is_old, merged
from stillwell.alarm.annunciate.quiet_hours import QuietHours
from stillwell.notice import Notice, Priority, Prose
from stillwell.reading import Moment

DUBLIN = ZoneInfo("Europe/Dublin")
NIGHT = QuietHours(time(22), time(7), DUBLIN)


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def notice(
    subject: str = "water.low",
    kind: str = "raised",
    priority: Priority = Priority.MEDIUM,
    ms: int = 0,
    what: str = "Water 24.3 °C",
) -> Notice:
    key = f"{subject}:{kind}:{ms}"
    return Notice(key, subject, kind, priority, Moment(ms, ms), Prose(what, f"{what}. Look at it."))


def clock(ms: int) -> str:
    return f"{datetime.fromtimestamp(ms / 1000, UTC):%H:%M}"


class TestQuietHours:
    @pytest.mark.parametrize(
        ("when", "quiet"),
        [
            ("2026-01-10T21:59:59", False),
            ("2026-01-10T22:00:00", True),
            ("2026-01-11T03:00:00", True),
            ("2026-01-11T06:59:59", True),
            ("2026-01-11T07:00:00", False),
            # Summer time: Dublin is an hour ahead of UTC.
            ("2026-07-10T20:59:59", False),
            ("2026-07-10T21:00:00", True),
            ("2026-07-11T06:00:00", False),
        ],
    )
    def test_go_over_midnight_by_the_clock_on_the_wall(self, when: str, quiet: bool) -> None:
        assert NIGHT.at(utc(when)) is quiet

    def test_of_no_length_are_never(self) -> None:
        never = QuietHours(time(7), time(7), DUBLIN)
        assert not any(never.at(h * 3_600_000) for h in range(24))

    def test_let_the_urgent_through_and_hold_the_rest(self) -> None:
        night = utc("2026-01-11T03:00:00")
        assert not NIGHT.holds(notice(priority=Priority.HIGH), night)
        assert NIGHT.holds(notice(priority=Priority.MEDIUM), night)
        assert not NIGHT.holds(notice(priority=Priority.MEDIUM), utc("2026-01-11T12:00:00"))

    def test_do_not_hold_a_drill_which_somebody_has_just_asked_for(self) -> None:
        assert not NIGHT.holds(notice("drill", "drill", Priority.LOW), utc("2026-01-11T03:00:00"))


class TestOldNews:
    def test_is_more_than_ten_minutes_old_and_never_from_the_future(self) -> None:
        assert not is_old(notice(ms=0), OLD_MS)
        assert is_old(notice(ms=0), OLD_MS + 1)
        assert not is_old(notice(ms=10**12), 0)

    def test_of_one_is_that_one(self) -> None:
        one = notice()
        assert merged([one], clock, told) is one

    def test_is_counted_in_alarms_not_in_messages(self) -> None:
        news = [
            notice("water.low", ms=1),
            notice("water.low", "repeated", Priority.HIGH, 2),
            notice("water.low", "returned", Priority.HIGH, 3),
            notice("top-up", ms=4, what="The water is below the float"),
            notice("water-b.silent", ms=5, what="Probe B is silent"),
        ]
        one = merged(news, clock, told)
        assert told(one).title == "3 alarms while you were out of reach; 2 not known to be over"
        assert one.priority is Priority.MEDIUM, "the high one is over"
        lines = told(one).text.split("\n")
        assert "Probe B is silent (water-b.silent)" in lines[0]
        assert lines[2].endswith("(water.low, over)")

    def test_has_the_whole_text_of_what_is_most_urgent_and_not_over(self) -> None:
        news = [notice("top-up", ms=1, what="Low"), notice("water.low", "raised", Priority.HIGH)]
        assert told(merged(news, clock, told)).text.endswith(
            "Water 24.3 °C. Look at it.\nTo answer: stillwell ack water.low"
        )

    def test_says_so_when_all_is_over(self) -> None:
        news = [notice(ms=1), notice(kind="returned", ms=2)]
        assert (
            told(merged(news, clock, told)).title == "1 alarm while you were out of reach; all over"
        )

    def test_without_an_alarm_counts_messages(self) -> None:
        news = [notice("review", "review", ms=1), notice("reminder", "reminder", ms=2)]
        assert told(merged(news, clock, told)).title == "2 messages while you were out of reach"

    def test_of_a_flood_stays_a_message_that_can_be_read(self) -> None:
        news = [notice(f"a{n}.silent", ms=n) for n in range(10_000)]
        one = merged(news, clock, told)
        assert len(told(one).title) <= 80
        assert "and 9988 more" in told(one).text
        assert len(told(one).text) < 2000

    @given(
        st.lists(
            st.tuples(
                st.sampled_from(["water.low", "top-up", "review"]),
                st.sampled_from(["raised", "worse", "repeated", "returned"]),
                st.sampled_from(Priority),
                st.integers(1, 9),
            ),
            min_size=2,
            max_size=30,
        )
    )
    def test_keeps_the_highest_priority_the_furthest_turn_and_one_key(
        self, shapes: list[tuple[str, str, Priority, int]]
    ) -> None:
        news = [
            address(notice(subject, kind, priority, n), turn)
            for n, (subject, kind, priority, turn) in enumerate(shapes)
        ]
        one = merged(news, clock, told)
        assert turn_of(one) == max(turn for *_, turn in shapes)
        assert one.key == merged(list(news), clock, told).key
        assert one.key != merged(news[:-1], clock, told).key
