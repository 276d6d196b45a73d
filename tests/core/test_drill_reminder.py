"""When the keeper is asked for a drill again."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from stillwell.supervise.calendar_look import drill_is_due

TODAY = date(2026, 11, 25)


def ago(days: int) -> date:
    return TODAY - timedelta(days=days)


class TestADrill:
    @pytest.mark.parametrize(
        ("done", "due"),
        [
            ([], False),
            ([("review", ago(29))], False),
            ([("review", ago(30)), ("review", ago(1))], True),
            ([("review", ago(200)), ("drill", ago(29))], False),
            ([("review", ago(200)), ("drill", ago(31))], True),
            ([("drill", ago(80)), ("reminder drill", ago(10))], False),
            ([("drill", ago(80)), ("drill", ago(-400))], True),
            ([("reminder test", ago(1)), ("review", ago(31))], True),
        ],
        ids=[
            "a new tank has time",
            "also after 29 days",
            "a month of reviews without a drill",
            "the last drill is fresh",
            "the last drill is old",
            "a reminder was sent",
            "a clock that stood in the future silences nothing",
            "another reminder is not this one",
        ],
    )
    def test_is_due_a_month_after_the_last(self, done: list[tuple[str, date]], due: bool) -> None:
        assert drill_is_due(done, TODAY) is due
