"""Reminders through the calendar's look: each once, ticked off by the journal, over a change of the
clocks and a restart."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date, datetime
from itertools import chain
from pathlib import Path
from typing import Any

import pytest

from command_line import tank
from in_words import told
from stillwell.acquire.source import Source
from stillwell.entry import Entry
from stillwell.forward import Run, drive
from stillwell.notice import Notice, Priority
from stillwell.settings import Settings, load
from stillwell.store import StoreReader
from stillwell.supervise.calendar_look import CalendarLook
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store
from stillwell.wiring.plans.book import book_plan
from stillwell.wiring.plans.review import review_plan
from stillwell.wiring.sources import sources

HOUR_MS = 3_600_000
START_MS = round(datetime.fromisoformat("2026-03-26T12:00Z").timestamp() * 1000)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return load(tank(tmp_path, every="5 min"))


def lived(
    settings: Settings, days: float, entries: list[Entry], *, runs: int = 1, remind: bool = True
) -> list[Notice]:
    """Lets the simulated tank live with the calendar, in so many runs of the daemon."""
    for number in range(runs):
        begin = START_MS + round(days * 24 * HOUR_MS * number / runs)
        end = START_MS + round(days * 24 * HOUR_MS * (number + 1) / runs)
        store = open_store(settings, bulk=True)
        line = assemble.pipeline(settings, store)
        looks: list[CalendarLook] = []

        def look(now_ms: int, store: Any = store, looks: list[CalendarLook] = looks) -> None:
            for entry in entries:
                if now_ms - 600_000 < entry.at_ms <= now_ms:
                    store.put_journal(entry)
            store.commit()
            looks[0]()

        def keep(item: Any, line: Any = line) -> None:
            line.announce(item.notice, item.job, item.local_date)

        run = Run(line, begin, boot_id=f"run-{number}", look=look)
        plan, book = review_plan(settings), book_plan(settings)
        at = settings.night.review_at
        looks.append(
            CalendarLook(store.path, plan, at, run.clock, keep, replace(book, remind=remind))
        )
        every: list[Source] = list(chain.from_iterable(sources(settings).values()))
        drive(run, every, end)
        run.end()
        line.end()
    with StoreReader.open(settings.store_path) as reader:
        return list(reader.notices())


def at(day: float) -> int:
    return START_MS + round(day * 24 * HOUR_MS)


class TestReminders:
    def test_are_each_told_once_whatever_the_restarts_and_the_clocks(
        self, settings: Settings
    ) -> None:
        measured = Entry("salinity", at(1.5), 35.0, "ppt")
        notices = lived(settings, 4.0, [measured], runs=3)
        reminders = [n for n in notices if n.kind == "reminder"]
        keys = Counter(n.key for n in reminders)
        assert set(keys.values()) == {1}
        assert "reminder-salinity-2026-03-27" in keys
        assert [k for k in keys if k.startswith("reminder-salinity")] == [
            "reminder-salinity-2026-03-27"  # the next is due a week after it was measured
        ]
        # 29 March: summer time begins. The time of day stays.
        days = [
            date.fromisoformat(k.removeprefix("reminder-top-up-")) for k in keys if "top-up" in k
        ]
        assert days == sorted(days)
        for notice in reminders:
            assert notice.priority is Priority.LOW
            assert notice.moment.utc_ms % (24 * HOUR_MS) >= 8 * HOUR_MS

    def test_stand_on_the_morning_after_until_they_are_done(self, settings: Settings) -> None:
        notices = lived(settings, 2.0, [])
        reviews = [n for n in notices if n.kind == "review"]
        assert "Due: measure the salinity" in told(reviews[-1]).text

    def test_can_be_switched_off(self, settings: Settings) -> None:
        notices = lived(settings, 2.0, [], remind=False)
        assert not [n for n in notices if n.kind == "reminder"]
