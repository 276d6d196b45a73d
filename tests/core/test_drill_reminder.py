"""When the keeper is asked for a drill again."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from stillwell.keeper.gathered import facts_of
from stillwell.keeper.reminders import DRILL, due
from stillwell.observe.plan import BookPlan
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store, StoreReader
from stillwell.supervise.calendar_look import untold

TODAY = dt.date(2026, 11, 25)
NOON = dt.datetime.combine(TODAY, dt.time(12), dt.UTC)
PLAN = BookPlan(68_000.0)


def ago(days: int) -> dt.date:
    return TODAY - dt.timedelta(days=days)


class TestADrill:
    @pytest.mark.parametrize(
        ("since", "done", "day"),
        [
            (29, [], None),
            (30, [], ago(0)),
            (200, [("drill", ago(29))], None),
            (200, [("drill", ago(80)), ("drill", ago(31))], ago(1)),
            (200, [("drill", ago(31)), ("reminder drill", ago(1))], None),
            (200, [("drill", ago(80)), ("drill", ago(-400))], ago(50)),
            (200, [("reminder test", ago(1)), ("review", ago(1))], ago(170)),
        ],
        ids=[
            "a new tank has time",
            "a month of readings without a drill",
            "the last drill is fresh",
            "the last drill is old",
            "the keeper was reminded of it",
            "a clock that stood in the future silences nothing",
            "another job is not this one",
        ],
    )
    def test_is_due_a_month_after_the_last_that_somebody_answered(
        self, tmp_path: Path, since: int, done: list[tuple[str, dt.date]], day: dt.date | None
    ) -> None:
        began = round((NOON - dt.timedelta(days=since)).timestamp() * 1000)
        now_ms = round(NOON.timestamp() * 1000)
        with Store.open(tmp_path / "tank.db") as store:
            for at_ms in (began, now_ms - 3_600_000, now_ms):
                epoch = store.begin_epoch(f"boot at {at_ms}", Moment(0, at_ms), True)
                store.put([Reading("water-a", Moment(0, at_ms, epoch), 25.0, Flag.PASS)])
            for job, local_date in done:
                store.mark_done(job, local_date)
            store.commit()
            # The tank is as old as its first ten minutes, whatever is left of its raw readings.
            while store.disk.apply_retention(86_400_000).more:
                pass
        with StoreReader.open(tmp_path / "tank.db") as reader:
            tasks = untold(due(facts_of(reader, PLAN, now_ms), PLAN, now_ms), reader.done())
        assert [task.local_date for task in tasks if task.name == DRILL] == ([day] if day else [])
