"""What a review says of a night whose readings are lost or not there yet."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import damaged_store as damage
from in_words import told
from stillwell.morning import notice_of, review_of
from stillwell.reading import Moment, Quantity
from stillwell.review import BandPlan
from stillwell.review_plan import ReviewPlan
from stillwell.store import Store, StoreReader
from stillwell.units import System

CHANNELS = ("water-0", "water-1", "water-2")
PLAN = ReviewPlan(
    "tank",
    "UTC",
    System.METRIC,
    dt.time(20),
    dt.time(8),
    (BandPlan("water", CHANNELS, 0.0, 9000.0, "Cel"),),
    dict.fromkeys(CHANNELS, Quantity.TEMPERATURE),
)


def spoilt(path: Path) -> None:
    """The readings of the night of the first of January, all of them."""
    damage.live(path)
    night = PLAN.of(dt.date(2026, 1, 1))
    first, last = ((at - damage.NOON) // 20_000 for at in (night.start_utc_ms, night.end_utc_ms))
    pages = damage.rows_by_page(path).items()
    lost = [p for p, t in pages if any(first - 90 < r[0] < last + 90 for r in t.get("reading", ()))]
    damage.spoil(path, [*lost, next(p for p, t in pages if "done" in t)])


class TestALostNight:
    def test_is_told_as_lost_and_not_as_a_silent_probe(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        spoilt(path)
        with Store.open(path) as store:
            store.begin_epoch("boot-2", Moment(0, damage.NOON + 10**9), True)
            with StoreReader.open(path) as reader:
                made = review_of(reader, PLAN, PLAN.of(dt.date(2026, 1, 1)))
            assert "still being brought over" in made.odd[0]
            damage.bring_over(store)
        with StoreReader.open(path) as reader:
            made = review_of(reader, PLAN, PLAN.of(dt.date(2026, 1, 1)))
            [gap] = reader.rescues()[0].gaps
            other = review_of(reader, PLAN, PLAN.of(dt.date(2026, 1, 2)))
        said = told(notice_of(made, PLAN, Moment(0, 0))).text
        assert f"{gap.count:,} readings (Thu 01 Jan" in said
        assert "were lost with a damaged part of the store" in said
        assert "water-0 has no readings left of the night." in said
        assert "said nothing" not in said
        assert not [line for line in other.odd if "lost" in line]
