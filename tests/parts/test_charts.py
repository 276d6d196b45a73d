"""What the pictures in files show, by matplotlib's own objects."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from stillwell.entry import Entry
from stillwell.morning import level_points, review_of
from stillwell.notice import Message, Priority, State, Transition
from stillwell.observe.plan import BookPlan
from stillwell.ports import Published
from stillwell.reading import Flag, Moment, Quantity, Reading
from stillwell.review import BandPlan
from stillwell.review_plan import ReviewPlan
from stillwell.store import Store, StoreReader
from stillwell.units import System

pytest.importorskip("matplotlib")

HOUR, MINUTE = 3_600_000, 60_000
EVENING = dt.date(2026, 3, 10)
START = round(dt.datetime(2026, 3, 10, 22, tzinfo=dt.UTC).timestamp() * 1000)
PLAN = ReviewPlan(
    tank="Rock pool",
    zone="UTC",
    units=System.METRIC,
    night_from=dt.time(22),
    night_to=dt.time(8),
    bands=(BandPlan("water", ("water-a",), 24.8, 25.8, "Cel"),),
    channels={"water-a": Quantity.TEMPERATURE},
)


def keep(store: Store, begin: int, end: int, value: float = 25.0, flag: Flag = Flag.PASS) -> None:
    epoch = store.begin_epoch("boot", Moment(0, 0), True)
    store.put(
        [Reading("water-a", Moment(ms, ms, epoch), value, flag) for ms in range(begin, end, MINUTE)]
    )


def hourly(at_ms: int, mm: float) -> Published:
    return Published("level.now", at_ms, "mm", mm, mm - 2.0, mm + 2.0, "gauge")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = Store.open(tmp_path / "tank.db")
    yield made
    made.close()


def night(store: Store, units: System = System.METRIC) -> list[Any]:
    """The axes of the night's chart: level, loss, temperature."""
    from matplotlib.figure import Figure

    from stillwell.cli.night_chart import fill

    store.commit()
    figure, plan = Figure(), replace(PLAN, units=units)
    with StoreReader.open(store.path) as reader:
        fill(figure, reader, plan, review_of(reader, plan, plan.of(EVENING)))
    return list(figure.axes)


def texts(axes: Any) -> list[str]:
    return [text.get_text() for text in axes.texts]


class TestANightsChart:
    @pytest.mark.parametrize(
        ("units", "unit", "value", "limits"),
        [(System.METRIC, "°C", 25.0, (24.8, 25.8)), (System.US, "°F", 77.0, (76.64, 78.44))],
    )
    def test_has_the_axes_of_the_keepers_units(
        self, store: Store, units: System, unit: str, value: float, limits: tuple[float, float]
    ) -> None:
        keep(store, START, START + 10 * HOUR)
        store.put_estimates([hourly(START + n * HOUR, -25.4 - n) for n in range(3)])
        level, _, warm = night(store, units)
        assert warm.get_ylabel() == f"temperature, {unit}"
        curve, low, high = warm.lines[:3]
        assert curve.get_ydata()[0] == pytest.approx(value)
        assert (low.get_ydata()[0], high.get_ydata()[0]) == pytest.approx(limits)
        assert level.get_ylabel().endswith(", mm" if units is System.METRIC else ", in")
        first = level.lines[1].get_ydata()[0]
        assert first == pytest.approx(-25.4 if units is System.METRIC else -1.0)

    def test_says_that_there_are_no_readings(self, store: Store) -> None:
        level, lost, warm = night(store)
        assert texts(warm) == ["no readings of that night"]
        assert texts(level) == ["nothing is known of the level that night"]
        assert texts(lost) == ["not enough evidence of what was lost"]
        assert not len(warm.get_yticks())
        assert not len(warm.lines)

    def test_draws_no_line_over_what_was_not_seen(self, store: Store) -> None:
        keep(store, START, START + 2 * HOUR)
        keep(store, START + 6 * HOUR, START + 10 * HOUR)
        _, _, warm = night(store)
        assert sum(map(math.isnan, warm.lines[0].get_ydata())) == 1
        assert texts(warm) == []

    def test_draws_the_estimate_in_pieces_about_a_pour(self, store: Store) -> None:
        store.put_estimates([hourly(START + n * HOUR, -30.0 if n < 4 else 0.0) for n in range(9)])
        store.put_journal(Entry("pour", START + 3 * HOUR + 20 * MINUTE, 486.0, "mL"))
        level, *_ = night(store)
        lines = [list(line.get_ydata()) for line in level.lines if line.get_linestyle() == "-"]
        assert lines[:2] == [[-30.0] * 4, [0.0] * 5]
        assert len(level.collections) == 2

    def test_a_pour_minutes_after_the_end_is_no_level_of_the_night(self, store: Store) -> None:
        end = START + 10 * HOUR
        store.put_estimates([hourly(end, -30.0), hourly(end + 6 * MINUTE, 0.0)])
        store.commit()
        with StoreReader.open(store.path) as reader:
            water = review_of(reader, PLAN, PLAN.of(EVENING)).water
        assert water is not None
        assert water.level is not None
        assert water.level.value == -30.0


def weeks(store: Store, units: System = System.METRIC) -> list[Any]:
    """The axes of the book's chart: temperature, salinity, tests, what was done and rang."""
    from matplotlib.figure import Figure

    from stillwell.cli.book import read
    from stillwell.cli.book_chart import fill

    store.commit()
    figure, plan, kept = Figure(), replace(PLAN, units=units), BookPlan(68_000.0, "UTC")
    begin = START - 22 * HOUR
    with StoreReader.open(store.path) as reader:
        fill(figure, read(reader, plan, kept, begin, begin + 3 * 24 * HOUR), plan, kept)
    return list(figure.axes)


class TestTheBooksChart:
    def test_has_us_axes_and_the_band(self, store: Store) -> None:
        keep(store, START, START + 40 * HOUR)
        warm, *_ = weeks(store, System.US)
        assert warm.get_ylabel().endswith("°F")
        assert warm.lines[0].get_ydata()[0] == pytest.approx(77.0)
        limits = [line.get_ydata()[0] for line in warm.lines if line.get_linestyle() == ":"]
        assert limits == pytest.approx([76.64, 78.44])

    def test_shows_the_bad_night_that_the_mean_hides(self, store: Store) -> None:
        keep(store, START - 22 * HOUR, START)
        keep(store, START, START + HOUR, 21.0)
        keep(store, START + HOUR, START + 2 * HOUR)
        warm, *_ = weeks(store)
        assert min(warm.lines[0].get_ydata()) > 24.8
        [[begin, end], *_] = [bar.get_segments()[0] for bar in warm.collections]
        assert (begin[1], end[1]) == (21.0, 25.0)

    def test_marks_days_of_which_readings_are_missing_or_bad(self, store: Store) -> None:
        keep(store, START - 22 * HOUR, START + 2 * HOUR)
        keep(store, START + 2 * HOUR, START + 26 * HOUR, 85.0, Flag.FAIL)
        keep(store, START + 26 * HOUR, START + 38 * HOUR)
        keep(store, START + 49 * HOUR, START + 50 * HOUR)
        warm, *_ = weeks(store)
        assert len(warm.patches) == 2
        assert sum(map(math.isnan, warm.lines[0].get_ydata())) == 1

    def test_names_the_alarms_and_shows_salinity_checks(self, store: Store) -> None:
        keep(store, START, START + 5 * HOUR)
        store.put_journal(Entry("salinity", START, 35.4, "ppt"))
        moment = Moment(START, START, store.begin_epoch("boot", Moment(0, 0), True))
        store.put_transition(
            Transition(
                *("water.low", moment, State.NORMAL, State.UNACKNOWLEDGED, "raise"),
                *(Priority.HIGH, True, Message("Cold."), moment),
            )
        )
        _, salt, tests, work = weeks(store)
        [checks] = [line for line in salt.lines if line.get_label() == "measured"]
        assert list(checks.get_ydata()) == [35.4]
        assert [label.get_text() for label in work.get_yticklabels()] == ["salinity", "water.low"]
        assert texts(tests) == ["no tests noted"]

    def test_says_that_there_is_nothing(self, store: Store) -> None:
        said = [texts(axes) for axes in weeks(store)]
        assert said == [
            ["no readings of these days"],
            ["salinity not measured"],
            ["no tests noted"],
            ["nothing noted, no alarms"],
        ]


def test_a_level_without_a_gauge_is_not_joined_over_a_pour(store: Store) -> None:
    store.put_estimates([hourly(START, -30.0), hourly(START + HOUR, 0.0)])
    store.put_journal(Entry("pour", START + 20 * MINUTE, 486.0, "mL"))
    store.commit()
    with StoreReader.open(store.path) as reader:
        points = level_points(reader, PLAN, START, START + 2 * HOUR)
    assert points == [(START, -30.0), (START + HOUR, 0.0)]
