"""What a tank lost in a week where nothing measures its level: by pours that were noted and by what
the air explains."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import replace
from pathlib import Path

import pytest

from stillwell.entry import Entry
from stillwell.estimate.level.week import WaterWeek, poured, week
from stillwell.morning import notice_of, review_of, week_in_words
from stillwell.observe.chamber.plan import Surface
from stillwell.reading import Flag, Moment, Quantity, Reading
from stillwell.review_plan import ReviewPlan, Unmeasured
from stillwell.settings import Settings, load
from stillwell.store import Store, StoreReader
from stillwell.units import System
from stillwell.water.evaporation import RELATIVE_SD
from stillwell.wiring.plans.review import review_plan

DAY = 24 * 3_600_000
DEMO = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"


class TestPours:
    def test_the_first_only_says_how_the_water_stood(self) -> None:
        found = poured([(0, 900.0), (2 * DAY, 1_000.0), (4 * DAY, 1_100.0)], -1)
        assert found is not None
        assert (found.begin_ms, found.end_ms, sum(found.ml)) == (0, 4 * DAY, 2_100.0)

    def test_one_without_a_volume_is_where_the_reckoning_begins(self) -> None:
        found = poured([(0, 900.0), (DAY, None), (3 * DAY, 1_000.0), (5 * DAY, 1_000.0)], -1)
        assert found is not None
        assert (found.begin_ms, sum(found.ml)) == (DAY, 2_000.0)

    def test_before_a_water_change_count_nothing(self) -> None:
        pours = [(0, 900.0), (3 * DAY, 1_000.0), (4 * DAY, 500.0), (6 * DAY, 500.0)]
        assert poured(pours, 3 * DAY) is None
        assert poured(pours[:1], -1) is None


class TestWeek:
    def test_interval_holds_what_went_in_nineteen_of_twenty(self) -> None:
        """Consistency, not a check: the tanks keep to the spreads that are assumed."""
        rng, inside = random.Random(7), 0
        for _ in range(400):
            rate, mark = rng.gauss(24.0, 6.0), rng.gauss(0.0, 40.0)
            pours, lost = [(0, 500.0)], 0.0
            for day in range(1, 7):
                off = rng.gauss(0.0, 40.0)
                ml = 24.0 * rate - mark + off
                mark, lost = off, lost + 24.0 * rate
                pours.append((day * DAY, ml * rng.gauss(1.0, 0.05)))
            found = week(poured(pours, -1), 24.0, 0.25, 0.05, 40.0)
            assert found is not None
            inside += found.low <= lost <= found.high
        assert 0.92 <= inside / 400 <= 0.99

    def test_without_pours_it_is_what_the_air_explains(self) -> None:
        found = week(None, 25.0, 0.4, 0.05, 40.0)
        assert found is not None
        assert found.ml == pytest.approx(25.0 * 168)
        assert found.low < 0.3 * found.ml
        assert not found.pours
        assert "by what the air explains alone" in week_in_words(found, System.METRIC)

    def test_without_both_there_is_none(self) -> None:
        assert week(None, None, 0.4, 0.05, 40.0) is None

    @pytest.mark.parametrize(("each", "asks"), [(50.0, "not noted?"), (3_000.0, "floor dry?")])
    def test_pours_that_the_air_does_not_explain_widen_it_to_both(
        self, each: float, asks: str
    ) -> None:
        pours = [(day * DAY, each) for day in range(7)]
        found = week(poured(pours, -1), 25.0, 0.25, 0.05, 40.0)
        assert found is not None
        assert found.low <= 25.0 * 144 <= found.high
        assert found.low <= 6 * each <= found.high
        assert asks in week_in_words(found, System.METRIC)


PLAN = ReviewPlan(
    tank="Rock pool, village reading room",
    zone="UTC",
    units=System.METRIC,
    night_from=dt.time(22),
    night_to=dt.time(8),
    bands=(),
    channels={"water-a": Quantity.TEMPERATURE, "room": Quantity.TEMPERATURE},
    unmeasured=Unmeasured(("water-a",), "room", "", 158_000.0, 0.43, 40.0),
)


class TestReview:
    def test_tells_it_on_the_screen_and_the_phone(self, tmp_path: Path) -> None:
        night = PLAN.of(dt.date(2026, 3, 10))
        end = night.end_utc_ms
        with Store.open(tmp_path / "tank.db") as store:
            epoch = store.begin_epoch("boot", Moment(0, 0), True)
            for back in range(0, 7 * 24, 6):
                moment = Moment(end - back * DAY // 24, end - back * DAY // 24, epoch)
                store.put([Reading("water-a", moment, 25.3, Flag.PASS)])
                store.put([Reading("room", moment, 20.0, Flag.PASS)])
            for day in range(7):
                at = end - (7 - day) * DAY + DAY // 2
                store.put_journal(Entry("pour", at, 600.0, "mL"))
        with StoreReader.open(tmp_path / "tank.db") as reader:
            made = review_of(reader, PLAN, night)
            unwatched = review_of(reader, replace(PLAN, unmeasured=None), night)
        assert isinstance(made.week, WaterWeek)
        assert made.week.pours == 6
        assert made.week.low < 3_600.0 < made.week.high
        assert made.week.expected_ml is not None
        assert made.as_dict()["week"]["pours"] == 6
        said = week_in_words(made.week, System.METRIC)
        assert said.startswith("Water lost in 6.0 days: 3.")
        assert said in str(notice_of(made, PLAN, Moment(end, end, epoch)).facts)
        assert unwatched.week is None


class TestPlan:
    def test_only_of_a_tank_whose_level_nothing_measures(self) -> None:
        settings: Settings = load(DEMO)
        assert review_plan(settings).unmeasured is None
        unseen = {
            n: c for n, c in settings.channel.items() if "level" not in n and "float" not in n
        }
        bare = review_plan(replace(settings, channel=unseen, state={})).unmeasured
        assert bare is not None
        assert "water-a" in bare.water
        assert bare.mark_sd_ml > 0


class TestSurface:
    def test_physics_knows_a_tank_no_better_than_a_pool(self) -> None:
        stated, guessed = Surface.of(158_000.0, 68_000.0), Surface.of(None, 68_000.0)
        assert RELATIVE_SD < stated.tank_rel_sd < guessed.tank_rel_sd
        assert guessed.mm2 == pytest.approx(68e6 ** (2 / 3))
