"""What is due, and when nights begin and end, through the changes of the clock.

The dates of the changes are those of the law: European Union, last Sundays of March and October at
01:00 UTC (Directive 2000/84/EC); United States, second Sunday of March and first of November at
02:00 local (Energy Policy Act of 2005). The C library reads the same tables by code of its own and
is asked beside ours.
"""

from __future__ import annotations

import os
import time as libc_time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from examples import examples
from stillwell.calendar import (
    Night,
    due,
    last_nights,
    local_date,
    night_of,
    utc_ms,
)

DUBLIN = ZoneInfo("Europe/Dublin")
LOS_ANGELES = ZoneInfo("America/Los_Angeles")
AZORES = ZoneInfo("Atlantic/Azores")
SYDNEY = ZoneInfo("Australia/Sydney")
SANTIAGO = ZoneInfo("America/Santiago")
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")
APIA = ZoneInfo("Pacific/Apia")
ZONES = [DUBLIN, LOS_ANGELES, AZORES, SYDNEY, SANTIAGO, LORD_HOWE, APIA, ZoneInfo("UTC")]

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
REVIEW = time(8, 5), timedelta(hours=12)
"""A job's time of day and grace."""


def z(text: str) -> int:
    """UTC milliseconds of an ISO time in UTC."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1000


def hours(night: Night) -> float:
    return (night.end_utc_ms - night.start_utc_ms) / HOUR_MS


class TestAJob:
    def test_is_not_due_before_its_time_and_due_at_it(self) -> None:
        at = z("2025-06-10T07:05")  # 08:05 Irish summer time
        assert due(at - 1, DUBLIN, *REVIEW, set()) is None
        assert due(at, DUBLIN, *REVIEW, set()) == (date(2025, 6, 10), at)

    def test_that_is_done_is_not_due(self) -> None:
        assert due(z("2025-06-10T09:00"), DUBLIN, *REVIEW, {date(2025, 6, 10)}) is None
        assert due(z("2025-06-10T09:00"), DUBLIN, *REVIEW, {date(2025, 6, 9)}) is not None

    def test_that_was_missed_is_caught_up_within_its_grace(self) -> None:
        at = z("2025-06-10T07:05")
        assert due(at + 12 * HOUR_MS, DUBLIN, *REVIEW, set()) is not None
        assert due(at + 12 * HOUR_MS + 1, DUBLIN, *REVIEW, set()) is None

    def test_that_was_missed_for_days_is_caught_up_once_for_the_newest(self) -> None:
        patient = time(8, 5), timedelta(days=30)
        now, at = z("2025-06-10T09:00"), z("2025-06-10T07:05")
        assert due(now, DUBLIN, *patient, set()) == (date(2025, 6, 10), at)
        assert due(now, DUBLIN, *patient, {date(2025, 6, 10)}) is None


def instants(zone: ZoneInfo, at: time, first: date, last: date) -> list[tuple[date, int]]:
    """Walks a wall clock through the dates, in steps of ten minutes, keeping what was done."""
    done: dict[date, int] = {}
    start = utc_ms(first, time(0), ZoneInfo("UTC")) - DAY_MS
    end = utc_ms(last, time(0), ZoneInfo("UTC")) + 2 * DAY_MS
    for now in range(start, end, 600_000):
        if found := due(now, zone, at, timedelta(hours=6), done):
            done[found[0]] = now
    return [(day, now) for day, now in done.items() if first <= day <= last]


class TestWhenTheClockChanges:
    def test_half_past_two_happens_once_in_autumn(self) -> None:
        # Ireland, 26 October 2025: 01:30 comes at 00:30Z and again at 01:30Z.
        found = instants(DUBLIN, time(1, 30), date(2025, 10, 25), date(2025, 10, 27))
        assert found == [
            (date(2025, 10, 25), z("2025-10-25T00:30")),
            (date(2025, 10, 26), z("2025-10-26T00:30")),
            (date(2025, 10, 27), z("2025-10-27T01:30")),
        ]

    def test_half_past_one_happens_in_spring_though_the_clock_skips_it(self) -> None:
        # Ireland, 30 March 2025: 01:00 becomes 02:00 at 01:00Z.
        found = instants(DUBLIN, time(1, 30), date(2025, 3, 29), date(2025, 3, 31))
        assert found == [
            (date(2025, 3, 29), z("2025-03-29T01:30")),
            (date(2025, 3, 30), z("2025-03-30T01:30")),  # the clock shows 02:30
            (date(2025, 3, 31), z("2025-03-31T00:30")),
        ]

    def test_midnight_in_los_angeles_comes_on_every_date(self) -> None:
        found = instants(LOS_ANGELES, time(0, 0), date(2025, 3, 8), date(2025, 3, 11))
        assert found == [
            (date(2025, 3, 8), z("2025-03-08T08:00")),
            (date(2025, 3, 9), z("2025-03-09T08:00")),
            (date(2025, 3, 10), z("2025-03-10T07:00")),
            (date(2025, 3, 11), z("2025-03-11T07:00")),
        ]
        found = instants(LOS_ANGELES, time(1, 30), date(2025, 11, 2), date(2025, 11, 3))
        assert found == [
            (date(2025, 11, 2), z("2025-11-02T08:30")),
            (date(2025, 11, 3), z("2025-11-03T09:30")),
        ]

    def test_the_azores_have_no_midnight_in_spring_and_two_in_autumn(self) -> None:
        found = instants(AZORES, time(0, 0), date(2025, 3, 29), date(2025, 3, 31))
        assert found == [
            (date(2025, 3, 29), z("2025-03-29T01:00")),
            (date(2025, 3, 30), z("2025-03-30T01:00")),  # the clock shows 01:00
            (date(2025, 3, 31), z("2025-03-31T00:00")),
        ]
        found = instants(AZORES, time(0, 0), date(2025, 10, 26), date(2025, 10, 27))
        assert found == [
            (date(2025, 10, 26), z("2025-10-26T00:00")),
            (date(2025, 10, 27), z("2025-10-27T01:00")),
        ]

    def test_the_southern_hemisphere_changes_the_other_way_round(self) -> None:
        # New South Wales, 6 April 2025 03:00 -> 02:00 and 5 October 2025 02:00 -> 03:00 (Standard
        # Time Act 1987 as amended).
        def offset_h(day: date, now: int) -> float:
            return (utc_ms(day, time(2, 30), ZoneInfo("UTC")) - now) / HOUR_MS

        found = instants(SYDNEY, time(2, 30), date(2025, 4, 5), date(2025, 4, 7))
        assert [
            (now - utc_ms(day, time(2, 30), ZoneInfo("UTC"))) / HOUR_MS for day, now in found
        ] == [*[-11, -11, -10]]
        found = instants(SYDNEY, time(2, 30), date(2025, 10, 4), date(2025, 10, 6))
        assert [
            (now - utc_ms(day, time(2, 30), ZoneInfo("UTC"))) / HOUR_MS for day, now in found
        ] == [*[-10, -10, -11]]

    @pytest.mark.parametrize("zone", ZONES, ids=str)
    @pytest.mark.parametrize("at", [time(0, 0), time(0, 30), time(2, 15), time(23, 45)], ids=str)
    def test_every_date_of_a_year_has_its_turn_once_and_in_order(
        self, zone: ZoneInfo, at: time
    ) -> None:
        turns = [utc_ms(date(2025, 1, 1) + timedelta(n), at, zone) for n in range(365)]
        steps = {(b - a) / HOUR_MS for a, b in pairwise(turns)}
        assert steps <= {23, 23.5, 24, 24.5, 25}

    def test_a_midnight_that_came_stays_when_the_clock_goes_back_behind_it(self) -> None:
        # Newfoundland, 7 November 2010: 00:01 became 23:01 of the day before (in force until 2011).
        st_johns = ZoneInfo("America/St_Johns")
        now = z("2010-11-07T02:45")
        assert local_date(now, st_johns) == date(2010, 11, 6)
        found = due(now, st_johns, time(0, 0), timedelta(hours=1), set())
        assert found == (date(2010, 11, 7), z("2010-11-07T02:30"))

    def test_a_date_that_was_struck_from_the_calendar_is_not_done_beside_the_next(self) -> None:
        # Samoa left out 30 December 2011 when it crossed the date line.
        found = instants(APIA, time(8, 0), date(2011, 12, 28), date(2012, 1, 1))
        days = [day for day, _ in found]
        assert days == [date(2011, 12, d) for d in (28, 29, 31)] + [date(2012, 1, 1)]


@pytest.fixture
def c_library_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Sets the zone of the C library, from the tables of the tzdata package where the system has
    none."""
    roots = [Path("/usr/share/zoneinfo")]
    package = find_spec("tzdata")
    if package is not None and package.origin is not None:
        roots.append(Path(package.origin).parent / "zoneinfo")
    before = os.environ.get("TZ")

    def use(name: str) -> None:
        file = next((r / name for r in roots if (r / name).exists()), None)
        if file is None:
            pytest.skip(f"no table of {name} for the C library")
        monkeypatch.setenv("TZ", f":{file}")
        libc_time.tzset()

    yield use
    if before is None:
        monkeypatch.delenv("TZ", raising=False)
    else:
        monkeypatch.setenv("TZ", before)
    libc_time.tzset()


class TestBesideTheCLibrary:
    @pytest.mark.parametrize("zone", [DUBLIN, LOS_ANGELES, AZORES, SYDNEY, SANTIAGO], ids=str)
    def test_instants_and_dates_agree_all_year(
        self, zone: ZoneInfo, c_library_zone: Callable[[str], None]
    ) -> None:
        c_library_zone(str(zone))
        for n in range(365):
            day = date(2025, 1, 1) + timedelta(n)
            for at in (time(8, 5), time(12, 0), time(22, 0)):
                fields = (day.year, day.month, day.day, at.hour, at.minute, 0, 0, 0, -1)
                instant = int(libc_time.mktime(fields)) * 1000
                assert utc_ms(day, at, zone) == instant
                there = libc_time.localtime(instant / 1000)
                assert local_date(instant, zone) == date(there.tm_year, there.tm_mon, there.tm_mday)


NIGHT = (time(22, 0), time(8, 0))


class TestNights:
    def test_are_named_by_their_evening(self) -> None:
        night = night_of(date(2025, 6, 9), DUBLIN, *NIGHT)
        assert night == Night(date(2025, 6, 9), z("2025-06-09T21:00"), z("2025-06-10T07:00"))

    @pytest.mark.parametrize(
        ("zone", "spring", "autumn"),
        [
            (DUBLIN, date(2025, 3, 29), date(2025, 10, 25)),
            (LOS_ANGELES, date(2025, 3, 8), date(2025, 11, 1)),
            (AZORES, date(2025, 3, 29), date(2025, 10, 25)),
            (SYDNEY, date(2025, 10, 4), date(2025, 4, 5)),
        ],
        ids=str,
    )
    def test_are_an_hour_shorter_in_spring_and_longer_in_autumn(
        self, zone: ZoneInfo, spring: date, autumn: date
    ) -> None:
        assert hours(night_of(spring, zone, *NIGHT)) == 9
        assert hours(night_of(autumn, zone, *NIGHT)) == 11
        others = [n for n in range(365) if date(2025, 1, 1) + timedelta(n) not in (spring, autumn)]
        assert {hours(night_of(date(2025, 1, 1) + timedelta(n), zone, *NIGHT)) for n in others} == {
            10
        }

    def test_may_lie_within_one_date(self) -> None:
        night = night_of(date(2025, 1, 9), DUBLIN, time(0, 30), time(7, 0))
        assert (night.start_utc_ms, night.end_utc_ms) == (
            z("2025-01-09T00:30"),
            z("2025-01-09T07:00"),
        )

    def test_of_no_length_are_refused(self) -> None:
        with pytest.raises(ValueError, match="same time of day, 22:00"):
            night_of(date(2025, 1, 9), DUBLIN, time(22), time(22))

    def test_the_last_ones_have_ended_and_come_oldest_first(self) -> None:
        now = z("2025-06-10T07:00")  # the moment the night of the 9th ends
        assert [n.local_date.day for n in last_nights(now, 3, DUBLIN, *NIGHT)] == [7, 8, 9]
        assert [n.local_date.day for n in last_nights(now - 1, 3, DUBLIN, *NIGHT)] == [6, 7, 8]
        assert last_nights(now, 0, DUBLIN, *NIGHT) == []

    @given(
        st.sampled_from(ZONES),
        st.integers(z("1971-01-01T00:00"), z("2100-01-01T00:00")),
        st.integers(1, 5),
    )
    def test_never_overlap_and_have_ended(self, zone: ZoneInfo, now: int, n: int) -> None:
        nights = last_nights(now, n, zone, *NIGHT)
        assert len(nights) == n
        edges = [edge for night in nights for edge in (night.start_utc_ms, night.end_utc_ms)]
        assert edges == sorted(edges)
        assert edges[-1] <= now
        assert now - edges[-1] < 50 * HOUR_MS


STEPS = st.lists(
    st.one_of(
        st.integers(0, 2 * HOUR_MS),
        st.integers(-2 * DAY_MS, 2 * DAY_MS),
        st.sampled_from([HOUR_MS, -HOUR_MS, 3650 * DAY_MS, -3650 * DAY_MS, 30 * DAY_MS]),
    ),
    max_size=60,
)


class TestAnyClock:
    @examples(200)
    @given(
        st.sampled_from(ZONES),
        st.builds(time, st.integers(0, 23), st.integers(0, 59)),
        st.integers(0, 72).map(lambda h: timedelta(hours=h)),
        st.integers(z("2010-01-01T00:00"), z("2030-01-01T00:00")),
        STEPS,
    )
    def test_gives_each_date_at_most_once_at_its_time_and_in_its_grace(
        self, zone: ZoneInfo, at: time, grace: timedelta, now: int, steps: list[int]
    ) -> None:
        done: set[date] = set()
        for step in steps:
            now += step
            if found := due(now, zone, at, grace, done):
                day, scheduled = found
                assert day not in done
                assert scheduled == utc_ms(day, at, zone)
                assert timedelta(0) <= timedelta(milliseconds=now - scheduled) <= grace
                done.add(day)
            assert due(now, zone, at, grace, done) is None

    @given(st.sampled_from(ZONES), st.integers(z("2015-01-01T00:00"), z("2030-01-01T00:00")))
    def test_that_is_looked_at_each_half_hour_misses_no_date(
        self, zone: ZoneInfo, start: int
    ) -> None:
        done: set[date] = set()
        for now in range(start, start + 5 * DAY_MS, 30 * 60_000):
            if found := due(now, zone, *REVIEW, done):
                done.add(found[0])
        first, last = local_date(start, zone), local_date(start + 5 * DAY_MS, zone)
        between = {first + timedelta(n) for n in range(1, (last - first).days)}
        assert between <= done

    def test_that_stood_in_the_far_future_does_not_silence_the_present(self) -> None:
        assert due(z("2025-06-10T09:00"), DUBLIN, *REVIEW, {date(2035, 6, 10)}) is not None
