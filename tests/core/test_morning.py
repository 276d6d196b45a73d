"""Reviews out of a real store: which nights, the nights of the clock changes, alarms that stood
before, and the words for a phone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from in_words import told
from stillwell.morning import band_in_words, notice_of, review_of
from stillwell.notice import Message, Priority, State, Transition
from stillwell.reading import Flag, Moment, Quantity, Reading
from stillwell.review import BandPlan, Review
from stillwell.review_plan import PLAN as FORM
from stillwell.review_plan import ReviewPlan
from stillwell.store import Store, StoreReader
from stillwell.units import System, show_kept

PLAN = ReviewPlan(
    tank="Rock pool, village reading room",
    zone="Europe/Dublin",
    units=System.METRIC,
    night_from=dt.time(22),
    night_to=dt.time(8),
    bands=(BandPlan("water", ("water-a",), 24.8, 25.8, "Cel"),),
    channels={"water-a": Quantity.TEMPERATURE},
)
HOUR = 3_600_000


def utc(text: str) -> int:
    return round(dt.datetime.fromisoformat(text).timestamp() * 1000)


class Tank:
    """A store to put readings and alarms into at any UTC time."""

    def __init__(self, path: Path) -> None:
        self.store = Store.open(path)
        self.epoch = self.store.begin_epoch("boot", Moment(0, 0), True)

    def at(self, utc_ms: int) -> Moment:
        return Moment(utc_ms, utc_ms, self.epoch)

    def read(self, start_ms: int, end_ms: int, value: float = 25.3) -> None:
        self.store.put(
            [
                Reading("water-a", self.at(ms), value, Flag.PASS)
                for ms in range(start_ms, end_ms, 60_000)
            ]
        )

    def move(self, text: str, event: str, before: State, after: State) -> None:
        moment = self.at(utc(text))
        self.store.put_transition(
            Transition(
                *("water.low", moment, before, after, event, Priority.HIGH),
                *(event != "clear", Message(f"Water cold ({event}).", do="Unplug first."), moment),
            )
        )

    def review(self, night: str) -> Review:
        self.store.commit()
        with StoreReader.open(self.store.path) as reader:
            return review_of(reader, PLAN, PLAN.of(dt.date.fromisoformat(night)))


@pytest.fixture
def tank(tmp_path: Path) -> Iterator[Tank]:
    made = Tank(tmp_path / "tank.db")
    yield made
    made.store.close()


class TestNights:
    @pytest.mark.parametrize(
        ("evening", "start", "end", "hours"),
        [
            # Irish clocks go forward at 01:00 UTC on 29 March 2026 and back at 01:00 UTC on 25
            # October 2026 (tz database, Europe/Dublin, after EU directive 2000/84/EC).
            ("2026-03-28", "2026-03-28T22:00Z", "2026-03-29T07:00Z", 9),
            ("2026-10-24", "2026-10-24T21:00Z", "2026-10-25T08:00Z", 11),
            ("2026-01-14", "2026-01-14T22:00Z", "2026-01-15T08:00Z", 10),
            ("2026-07-14", "2026-07-14T21:00Z", "2026-07-15T07:00Z", 10),
        ],
    )
    def test_have_their_length_and_all_of_it_is_counted(
        self, tank: Tank, evening: str, start: str, end: str, hours: int
    ) -> None:
        tank.read(utc(start) - HOUR, utc(end) + HOUR, 24.0)
        made = tank.review(evening)
        assert (made.start_ms, made.end_ms) == (utc(start), utc(end))
        [band] = made.bands
        assert band.below_s == band.seen_s == band.night_s == hours * 3600
        [channel] = made.channels
        assert channel.readings == hours * 60

    def test_a_gap_over_the_clock_change_is_no_time_outside(self, tank: Tank) -> None:
        tank.read(utc("2026-10-24T21:00Z"), utc("2026-10-25T00:30Z"), 24.0)
        tank.read(utc("2026-10-25T02:30Z"), utc("2026-10-25T08:00Z"), 24.0)
        [band] = tank.review("2026-10-24").bands
        # 11 h less the two hours without readings; the last value before them holds 3 min, not 1.
        assert band.below_s == 9 * 3600 + 120

    def test_within_a_span_half_a_night_is_enough(self) -> None:
        span = (utc("2026-01-13T03:30Z"), utc("2026-01-15T03:30Z"))
        nights = [night.local_date.isoformat() for night in PLAN.within(*span)]
        assert nights == ["2026-01-13", "2026-01-14"]  # of the first, 4 h 30 min of 10 h are there

    def test_of_a_short_span_the_night_it_touches(self) -> None:
        span = (utc("2026-01-14T22:10Z"), utc("2026-01-14T22:40Z"))
        assert [n.local_date.isoformat() for n in PLAN.within(*span)] == ["2026-01-14"]

    def test_of_a_span_by_day_none(self) -> None:
        assert PLAN.within(utc("2026-01-14T10:00Z"), utc("2026-01-14T18:00Z")) == []


RING = ("raise", State.NORMAL, State.UNACKNOWLEDGED)
SEEN = ("acknowledge", State.UNACKNOWLEDGED, State.ACKNOWLEDGED)
OVER = ("clear", State.ACKNOWLEDGED, State.NORMAL)


class TestAlarms:
    def test_that_stood_before_and_stand_still(self, tank: Tank) -> None:
        tank.move("2026-01-14T15:00Z", *RING)
        [alarm] = tank.review("2026-01-14").alarms
        assert (alarm.raised_ms, alarm.returned_ms) == (None, None)

    def test_that_stood_all_night_and_moved_only_afterwards(self, tank: Tank) -> None:
        tank.move("2026-01-14T15:00Z", *RING)
        tank.move("2026-01-14T16:00Z", *SEEN)
        tank.move("2026-01-15T09:00Z", *OVER)
        [alarm] = tank.review("2026-01-14").alarms
        assert alarm.state is State.ACKNOWLEDGED
        assert tank.review("2026-01-13").alarms == ()
        assert tank.review("2026-01-15").alarms == ()

    def test_that_came_and_went_in_the_night(self, tank: Tank) -> None:
        tank.move("2026-01-14T23:00Z", *RING)
        tank.move("2026-01-15T01:00Z", *SEEN)
        tank.move("2026-01-15T02:00Z", *OVER)
        [alarm] = tank.review("2026-01-14").alarms
        assert alarm.raised_ms == utc("2026-01-14T23:00Z")
        assert alarm.returned_ms == utc("2026-01-15T02:00Z")


class TestWords:
    def test_of_a_calm_night(self, tank: Tank) -> None:
        tank.read(utc("2026-01-14T22:00Z"), utc("2026-01-15T08:00Z"))
        notice = notice_of(tank.review("2026-01-14"), PLAN, Moment(0, 0))
        assert told(notice).title == "Rock pool, village reading room: a calm night"
        assert told(notice).text.splitlines() == [
            "Water 25.3 °C to 25.3 °C, never outside its band.",
            "No alarms.",
        ]

    def test_of_a_night_with_an_alarm(self, tank: Tank) -> None:
        tank.read(utc("2026-01-14T22:00Z"), utc("2026-01-15T08:00Z"), 24.0)
        tank.move("2026-01-14T23:00Z", *RING)
        notice = notice_of(tank.review("2026-01-14"), PLAN, Moment(0, 0))
        assert told(notice).title.endswith(": 1 alarm")
        assert "Water 24.0 °C to 24.0 °C, 10 h below 24.8 °C." in told(notice).text
        assert "water.low: Water cold (raise)." in told(notice).text

    def test_a_night_has_one_key_however_often_it_is_made(self, tank: Tank) -> None:
        first = notice_of(tank.review("2026-01-14"), PLAN, Moment(0, 0))
        tank.move("2026-01-14T23:00Z", *RING)
        again = notice_of(tank.review("2026-01-14"), PLAN, Moment(5, 5))
        assert first.key == again.key == "review-2026-01-14"

    def test_a_title_fits_a_phone(self, tank: Tank) -> None:
        plan = replace(PLAN, tank="A tank with a very long name " * 5)
        made = tank.review("2026-01-14")
        assert len(told(notice_of(made, plan, Moment(0, 0))).title) <= 80

    def test_in_the_units_of_the_keeper(self, tank: Tank) -> None:
        tank.read(utc("2026-01-14T22:00Z"), utc("2026-01-15T08:00Z"), 25.0)
        [band] = tank.review("2026-01-14").bands
        assert band_in_words(band, System.US).startswith("Water 77.0 °F to 77.0 °F")
        assert show_kept(None, "Cel", System.US) == "–"


class TestPlan:
    def test_comes_back_from_the_store_as_it_went(self) -> None:
        assert FORM.read(FORM.text(PLAN)) == PLAN
