"""A machine without a network and without a battery clock, under the whole daemon: its mornings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import pytest

from live_daemon import Live, SteppedClock
from stillwell.entry import Entry
from stillwell.notice import Notice
from stillwell.reading import Flag, Moment, Reading
from stillwell.settings import Settings, load
from stillwell.store import StoreReader
from stillwell.wiring.assemble import open_store

HOUR_MS = 3_600_000
ROOM = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"
MORNING = "2090-06-10T06:52Z"
"""Shortly before the review in Dublin's summer; after any installation."""
QUARTER, LITTLE = 0.25, 0.1
"""Hours of the daemon's time; a minute of it is a fifth of a second."""


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    environ = {
        "STILLWELL__STORE__PATH": str(tmp_path / "tank.db"),
        # In the clock's own seconds, of which there are many in a real one.
        "STILLWELL__SOURCE__TANK__DEADLINE": "60 min",
    }
    return load(ROOM, environ=environ)


@pytest.fixture
def live(settings: Settings) -> Iterator[Callable[[str], Live]]:
    made: list[Live] = []

    def make(start: str) -> Live:
        made.append(Live(settings, SteppedClock(utc(start), trusted=False)))
        return made[-1]

    yield make
    for each in made:
        each.stop()


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def reviews(path: Path) -> list[Notice]:
    with StoreReader.open(path) as reader:
        return [notice for notice in reader.notices() if notice.kind == "review"]


class TestMornings:
    def test_review_and_reminders_come_all_the_same(
        self, settings: Settings, live: Callable[[str], Live]
    ) -> None:
        store = open_store(settings)
        store.put_journal(Entry("salinity", utc(MORNING) - 240 * HOUR_MS, 35.0, "ppt"))
        store.close()
        tank = live(MORNING)
        tank.pass_h(QUARTER)
        tank.stop()
        [notice] = reviews(tank.path)
        assert notice.key == "review-2090-06-09"
        with StoreReader.open(tank.path) as reader:
            assert "reminder salinity" in {job for job, _ in reader.done()}

    def test_not_before_the_network_has_had_its_ten_minutes(
        self, live: Callable[[str], Live]
    ) -> None:
        tank = live("2090-06-10T07:30Z")
        tank.pass_h(QUARTER)
        tank.stop()
        [notice] = reviews(tank.path)
        assert notice.moment.utc_ms >= utc("2090-06-10T07:40Z")

    def test_a_clock_of_1970_makes_none(self, live: Callable[[str], Live]) -> None:
        tank = live("1970-01-10T06:58Z")
        tank.pass_h(QUARTER)
        tank.stop()
        assert not reviews(tank.path)

    def test_nor_one_that_stands_before_the_last_reading_until_it_has_passed_it(
        self, settings: Settings, live: Callable[[str], Live]
    ) -> None:
        store = open_store(settings)
        at = utc(MORNING) + HOUR_MS // 4
        epoch = store.begin_epoch("boot-0", Moment(at, at), trusted=False)
        store.put([Reading("water-a", Moment(at, at, epoch), 25.3, Flag.PASS)])
        store.close()
        tank = live(MORNING)
        tank.pass_h(QUARTER + LITTLE)
        tank.stop()
        [notice] = reviews(tank.path)
        assert notice.moment.utc_ms >= at

    def test_set_later_nothing_is_announced_twice(self, live: Callable[[str], Live]) -> None:
        # The machine was off for an hour and goes on from where its clock stood.
        tank = live(MORNING)
        tank.pass_h(QUARTER)
        tank.clock.offset_ms += HOUR_MS
        tank.clock.is_trusted = True
        tank.pass_h(LITTLE)
        tank.stop()
        keys = Counter(notice.key for notice in reviews(tank.path))
        assert keys == {"review-2090-06-09": 1}
        with StoreReader.open(tank.path) as reader:
            said = Counter(notice.key for notice in reader.notices())
        assert max(said.values()) == 1

    def test_set_later_by_days_the_right_date_has_its_review_too(
        self, live: Callable[[str], Live]
    ) -> None:
        tank = live(MORNING)
        tank.pass_h(QUARTER)
        tank.clock.offset_ms += 72 * HOUR_MS
        tank.clock.is_trusted = True
        tank.pass_h(LITTLE)
        tank.stop()
        keys = Counter(notice.key for notice in reviews(tank.path))
        assert keys == {"review-2090-06-09": 1, "review-2090-06-12": 1}


class TestNotices:
    def test_of_the_calendar_keep_their_time_over_a_restart(
        self, live: Callable[[str], Live]
    ) -> None:
        for start in (MORNING, "2090-06-11T06:58Z"):
            tank = live(start)
            tank.pass_h(QUARTER)
            tank.stop()
        first, second = reviews(tank.path)
        assert 0 <= first.moment.utc_ms - utc("2090-06-10T07:00Z") < HOUR_MS
        assert 0 <= second.moment.utc_ms - utc("2090-06-11T07:00Z") < HOUR_MS
