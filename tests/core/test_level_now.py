"""What the level asks for now, and what was done since a night."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.entry import Entry
from stillwell.keeper.level_now import LevelNow, advice, level_now, since_in_words, since_night
from stillwell.ports import Published
from stillwell.units import System

EIGHT = round(datetime(2026, 3, 10, 8, tzinfo=UTC).timestamp() * 1000)
MINUTE = 60_000


def row(minutes: float, ml: float | None) -> Published:
    low, high = (None, None) if ml is None else (ml - 30.0, ml + 30.0)
    at_ms = EIGHT + round(minutes * MINUTE)
    return Published("level.to-mark", at_ms, "mL", ml, low, high, "gauge")


def done(
    minutes: float, kind: str = "pour", ml: float | None = 642.0, unit: str = "mL", late: float = 0
) -> Entry:
    at_ms = EIGHT + round(minutes * MINUTE)
    return Entry(kind, at_ms, ml, unit, entered_ms=at_ms + round(late * MINUTE), id=1)


def now(*entries: Entry, at: float = 35, gauge: str = "level", rows: object = None) -> LevelNow:
    seen = [row(0, 629.0)] if rows is None else rows
    return level_now(seen, entries, (), EIGHT + round(at * MINUTE), gauge=gauge)  # type: ignore[arg-type]


class TestWhatIsMissing:
    def test_is_less_by_what_was_poured_since_the_look(self) -> None:
        assert now().missing_ml == 629.0
        assert now(done(30)).missing_ml == pytest.approx(-13.0)
        assert now(done(30, "salt-pour", 100.0)).missing_ml == pytest.approx(529.0)

    def test_is_what_the_look_says_that_came_after_the_pour(self) -> None:
        assert now(done(30), at=70, rows=[row(0, 629.0), row(60, 31.0)]).missing_ml == 31.0

    def test_is_nothing_after_a_pour_up_to_the_mark(self) -> None:
        assert now(done(30, ml=None, unit="to mark")).missing_ml == 0.0

    def test_is_not_known_after_a_water_change_before_the_level_was_seen_again(self) -> None:
        assert now(done(30, "water-change", 10.0, "L")).missing_ml is None
        seen = [row(0, 629.0), row(120, 80.0)]
        later = now(done(30, "water-change", 10.0, "L"), at=125, rows=seen)
        assert later.missing_ml == 80.0

    def test_is_not_known_where_floats_alone_saw_nothing_of_a_pour_noted_late(self) -> None:
        late = done(-30, late=45)
        assert now(late, gauge="").missing_ml is None
        assert now(late, gauge="level").missing_ml == 629.0

    def test_is_not_known_by_what_is_hours_old(self) -> None:
        assert now(at=200).missing_ml is None
        assert now(at=170).missing_ml == 629.0

    @given(st.lists(st.floats(1.0, 900.0), max_size=4))
    def test_never_grows_by_pouring(self, pours: list[float]) -> None:
        entries = [
            Entry("pour", EIGHT + (10 + n) * MINUTE, ml, "mL", id=n + 1)
            for n, ml in enumerate(pours)
        ]
        missing = now(*entries).missing_ml
        assert missing == pytest.approx(629.0 - sum(pours))


class TestAdvice:
    @pytest.mark.parametrize(
        ("level", "said"),
        [
            (LevelNow(31.0), "add 31 mL of fresh water to the mark"),
            (LevelNow(5.0), "at the mark"),
            (LevelNow(-400.0), "400 mL above the mark; if the pump runs, wait"),
            (LevelNow(None), "look at it; fill up"),
            (LevelNow(629.0, "level.leak"), "see to level.leak first, then look"),
        ],
    )
    def test_is_about_what_is_missing(self, level: LevelNow, said: str) -> None:
        assert advice(level, System.METRIC).startswith(said)

    @pytest.mark.parametrize("alarm", ["pump.stopped", "mains.lost"])
    def test_orders_no_water_while_the_pump_may_stand(self, alarm: str) -> None:
        at_ms = EIGHT + 35 * MINUTE
        level = level_now([row(0, -600.0)], (), {alarm, "level.too-high"}, at_ms, gauge="level")
        said = advice(level, System.METRIC)
        assert said.startswith(f"see to {alarm} first")
        assert "take nothing out" in said

    def test_trusts_no_gauge_that_was_moved(self) -> None:
        level = level_now([row(0, 629.0)], (), {"level.moved"}, EIGHT, gauge="level")
        assert "mL" not in advice(level, System.METRIC)


class TestSinceTheNight:
    def words(self, *entries: Entry, rows: list[Published], at: float = 65) -> list[str]:
        now_ms = EIGHT + round(at * MINUTE)
        level = level_now(rows, entries, (), now_ms, gauge="level")
        since = since_night(EIGHT, rows, entries, level, now_ms)
        return since_in_words(since, EIGHT, "UTC", System.METRIC, "Now")

    def test_says_what_was_poured_and_what_is_left(self) -> None:
        assert self.words(done(30), rows=[row(0, 629.0), row(60, 31.0)]) == [
            "Since 08:00: 08:30 642 mL poured.",
            "Now: add 31 mL of fresh water to the mark.",
        ]

    def test_says_what_came_in_that_nobody_noted_and_what_it_may_be(self) -> None:
        risen, at_the_mark = self.words(rows=[row(0, 629.0), row(60, 9.0)])
        assert "risen by about 620 mL more than is noted since 08:00" in risen
        assert "or the pump stands" in risen
        assert at_the_mark == "Now: at the mark."

    def test_infers_nothing_within_the_error(self) -> None:
        assert len(self.words(rows=[row(0, 629.0), row(60, 560.0)])) == 1
        assert len(self.words(done(30), rows=[row(0, 629.0), row(60, -20.0)])) == 2

    def test_names_water_changes_and_infers_nothing_from_them(self) -> None:
        change = done(30, "water-change", 10.0, "L")
        said = self.words(change, rows=[row(0, 629.0), row(120, 9.0)], at=125)
        assert said == ["Since 08:00: 08:30 water changed.", "Now: at the mark."]
