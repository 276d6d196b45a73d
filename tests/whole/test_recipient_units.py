"""What a tank says, for people who read other units than it does: through the watch, the observers,
the calendar and the store."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import chain
from pathlib import Path

import pytest

from command_line import tank
from in_words import told
from stillwell.forward import Run, drive
from stillwell.notice import Notice
from stillwell.settings import load
from stillwell.store import StoreReader
from stillwell.supervise.calendar_look import CalendarLook
from stillwell.supervise.inbox import Announced
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store
from stillwell.wiring.plans.book import book_plan
from stillwell.wiring.plans.review import review_plan
from stillwell.wiring.sources import sources

EVENING_MS = 1_780_000_000_000 - 1_780_000_000_000 % 86_400_000 + 20 * 3_600_000
NIGHT_MS = 12 * 3_600_000
CHAMBER = """
[tank.chamber]
length = "18 cm"
width = "9 cm"
"""


def lived(folder: Path, units: str) -> list[Notice]:
    """The notices of a tank whose heater dies in the evening."""
    text = tank(folder, CHAMBER, every="2 min").read_text()
    text = text.replace('volume = "68 L"', f'volume = "68 L"\nunits = "{units}"')
    text = text.replace("seed = 7", 'seed = 7\nfaults = [{ name = "not-heating", after = "1 h" }]')
    path = folder / "tank.toml"
    path.write_text(text)
    settings = load(path)
    store = open_store(settings, bulk=True)
    line = assemble.pipeline(settings, store)
    run = Run(line, EVENING_MS, boot_id="run")
    every = list(chain.from_iterable(sources(settings).values()))
    drive(run, every, EVENING_MS + NIGHT_MS)
    run.end()
    # Another job that was done on this date silences no review.
    store.mark_done("drill", datetime.fromtimestamp((EVENING_MS + NIGHT_MS) / 1000, UTC).date())
    store.commit()

    def keep(item: Announced) -> None:
        line.announce(item.notice, item.job, item.local_date)

    plan, book = review_plan(settings), book_plan(settings)
    CalendarLook(store.path, plan, settings.night.review_at, run.clock, keep, book)()
    line.end()
    with StoreReader.open(settings.store_path) as reader:
        return list(reader.notices())


class TestARecipientOfOtherUnits:
    @pytest.mark.parametrize(
        ("units", "other", "here", "there"),
        [("metric", "us", "°C", "°F"), ("us", "metric", "°F", "°C")],
    )
    def test_reads_alarms_and_reviews_in_them(
        self, tmp_path: Path, units: str, other: str, here: str, there: str
    ) -> None:
        notices = lived(tmp_path, units)
        assert {"raised", "review"} <= {notice.kind for notice in notices}
        assert any(notice.subject == "water.low" for notice in notices)
        for notice in notices:
            ours, theirs = told(notice, units), told(notice, other)
            assert there not in ours.title + ours.text
            assert here not in theirs.title + theirs.text
            assert (here in ours.text) == (there in theirs.text)
