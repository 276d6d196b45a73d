"""Times as people write them, in the tank's zone."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.journal import JournalError, when

NEW_YORK = ZoneInfo("America/New_York")
NOW = datetime(2026, 11, 28, 12, 40, tzinfo=NEW_YORK)  # a Saturday

MOMENTS = st.integers(1_577_836_800, 2_051_222_400).map(lambda s: datetime.fromtimestamp(s, UTC))


def read(text: str, now: datetime = NOW) -> datetime:
    ms = when(text, NEW_YORK, round(now.timestamp() * 1000))
    return datetime.fromtimestamp(ms / 1000, NEW_YORK)


class TestTaken:
    @pytest.mark.parametrize(
        ("text", "day", "hour", "minute"),
        [
            ("08:00", 28, 8, 0),
            ("18:30", 27, 18, 30),
            ("18.30", 27, 18, 30),
            ("6pm", 27, 18, 0),
            ("6 PM", 27, 18, 0),
            ("6:15 a.m.", 28, 6, 15),
            ("12am", 28, 0, 0),
            ("12 pm", 28, 12, 0),
            ("yesterday 18:30", 27, 18, 30),
            ("Yesterday at 6pm", 27, 18, 0),
            ("today 08:00", 28, 8, 0),
            ("today 18:30", 28, 18, 30),
            ("Sat 08:00", 28, 8, 0),
            ("Saturday, 18:30", 21, 18, 30),
            ("wed 18:30", 25, 18, 30),
            ("20 min ago", 28, 12, 20),
            ("1 h 30 min ago", 28, 11, 10),
            ("2026-11-26T18:30", 26, 18, 30),
            ("2026-11-26 18:30", 26, 18, 30),
            ("2026-11-26T18:30Z", 26, 13, 30),
        ],
    )
    def test_is_the_one_that_is_meant(self, text: str, day: int, hour: int, minute: int) -> None:
        assert read(text) == datetime(2026, 11, day, hour, minute, tzinfo=NEW_YORK)

    @given(
        st.integers(0, 23),
        st.integers(0, 59),
        MOMENTS,
    )
    def test_a_time_of_day_has_come_within_the_last_day(
        self, hour: int, minute: int, now: datetime
    ) -> None:
        found = read(f"{hour}:{minute:02}", now)
        half = f"{hour % 12 or 12}:{minute:02}{'am' if hour < 12 else 'pm'}"
        assert read(half, now) == found
        assert now - timedelta(hours=25) < found <= now + timedelta(minutes=5)

    @given(MOMENTS)
    def test_what_the_journal_prints_is_read_as_the_same_minute(self, now: datetime) -> None:
        at = now.replace(second=0, microsecond=0).astimezone(NEW_YORK)
        assert read(at.isoformat(timespec="minutes")) == at


class TestRefused:
    @pytest.mark.parametrize(
        ("text", "do"),
        [
            ("6", 'Write "6:00", "6am" or "6pm".'),
            ("18", 'Write "18:00".'),
            ("yesterday 6", 'Write "yesterday 6:00", "yesterday 6am" or "yesterday 6pm".'),
            ("yesterday", '"yesterday 18:30"'),
            ("13pm", '"6pm"'),
            ("25:00", '"18:30"'),
            ("a while ago", '"5 min"'),
            ("soon", '"20 min ago"'),
            ("9e99 d ago", '"20 min ago"'),
            ("", '"18:30"'),
        ],
    )
    def test_with_what_to_write(self, text: str, do: str) -> None:
        with pytest.raises(JournalError) as raised:
            read(text)
        assert do in raised.value.do

    @given(st.text(max_size=24))
    def test_whatever_is_typed_is_a_time_or_a_reason(self, text: str) -> None:
        with suppress(JournalError):
            assert read(text)
