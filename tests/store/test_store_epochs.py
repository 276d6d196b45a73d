"""Times: what a clock that was wrong, stepped or set late does to what is kept. Nothing."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest

from stillwell.ports import Stream
from stillwell.reading import Moment, Reading
from stillwell.store import Store, StoreReader

if TYPE_CHECKING:
    from tests.store.conftest import Rows

NOON = 1_767_268_800_000


class TestRebase:
    def test_moves_everything_of_the_boot_and_nothing_else(self, path: Path, rows: Rows) -> None:
        old = type(rows)(1, 1000)
        with Store.open(path) as store:
            assert store.begin_epoch("boot-1", old.at(0), True) == 1
            store.put([old.reading(5)])
            wrong = type(rows)(2, 86_400_000)  # the second day of 1970
            assert store.begin_epoch("boot-2", wrong.at(0), False) == 2
            store.put([wrong.reading(10)])
            store.put_transition(wrong.transition(2000), [wrong.notice(2000, "a")])
            store.put([wrong.reading(20)])  # in memory when the clock becomes known
            assert store.rebase("boot-2", NOON) == 1
            store.commit()
            assert store.rebase("boot-2", NOON + 5) == 0  # trusted now: no second time
            right = type(rows)(2, NOON)
            followed = [r.body for r in store.tail.rows(Stream.READINGS, 0, 9)]
            assert followed == [old.reading(5), right.reading(10), right.reading(20)]
            assert store.latest_transitions() == [right.transition(2000)]
        with StoreReader.open(path) as reader:
            assert list(reader.all_readings()) == followed
            assert reader.transitions() == [right.transition(2000)]
            assert reader.notices() == [right.notice(2000, "a")]
            assert list(reader.readings("water-a", NOON, NOON + 15)) == [right.reading(10)]

    def test_rows_in_memory_are_followed_with_the_new_time(self, path: Path, rows: Rows) -> None:
        wrong = type(rows)(1, 0)
        with Store.open(path) as store:
            store.begin_epoch("boot", wrong.at(0), False)
            store.put([wrong.reading(10)])
            store.put_transition(wrong.transition(2000))
            store.rebase("boot", NOON)
            right = type(rows)(1, NOON)
            rows_now = store.tail.rows(Stream.READINGS, 0, 9, committed_only=False)
            assert [r.body for r in rows_now] == [right.reading(10)]
            assert store.tail.rows(Stream.TRANSITIONS, 0, 9)[0].body == right.transition(2000)


class TestSteps:
    def test_a_backward_step_keeps_both_hours(self, path: Path, rows: Rows) -> None:
        with Store.open(path) as store:
            store.begin_epoch("boot", rows.at(0), True)
            store.put([rows.reading(t) for t in range(0, 7_200_000, 60_000)])
            back = type(rows)(2, NOON - 3_600_000)
            store.begin_epoch("boot", back.at(7_200_000), True)
            store.put([back.reading(t) for t in range(7_200_000, 10_800_000, 60_000)])
        with StoreReader.open(path) as reader:
            found = list(reader.readings("water-a", NOON + 3_600_000, NOON + 7_200_000))
            assert len(found) == 120
            times = [r.moment.utc_ms for r in found]
            assert times == sorted(times)
            assert len(list(reader.all_readings())) == 180

    def test_readings_of_an_epoch_that_was_never_begun_keep_their_times(self, path: Path) -> None:
        lone = Reading("water-a", Moment(5, NOON + 5, 7), 25.0, 1)  # type: ignore[arg-type]
        with Store.open(path) as store:
            store.put([lone])
        with StoreReader.open(path) as reader:
            assert list(reader.all_readings()) == [lone]
        with Store.open(path) as store:
            assert store.begin_epoch("boot", Moment(0, NOON), True) == 8


HOUR = 3_600_000
DAY = 24 * HOUR


def passed(
    path: Path, *epochs: tuple[str, int, int, bool], then_ms: int, now_ms: int
) -> int | None:
    """How long it is from a moment of the first of these epochs to one of the last: each with its
    boot, its monotonic beginning, its UTC then, and whether that is trusted. Monotonic ms."""
    with Store.open(path) as store:
        found = []
        for boot, mono_ms, utc_ms, trusted in epochs:
            number = store.begin_epoch(boot, Moment(mono_ms, utc_ms), trusted)
            found.append((number, utc_ms - mono_ms))
        ends = ((found[0], then_ms), (found[-1], now_ms))
        then, now = (Moment(ms, ms + offset, number) for (number, offset), ms in ends)
        return store.passed_ms(then, now)


class TestHowLongItWas:
    def test_within_a_boot_the_monotonic_clock_tells(self, path: Path) -> None:
        epochs = (("a", 0, 86_400_000, False), ("a", HOUR, NOON - 3650 * DAY, True))
        assert passed(path, *epochs, then_ms=10, now_ms=2 * HOUR) == 2 * HOUR - 10

    def test_over_a_boot_two_trusted_clocks_do(self, path: Path) -> None:
        epochs = (("a", 0, NOON, True), ("b", 20_000, NOON + 3 * HOUR, True))
        assert passed(path, *epochs, then_ms=HOUR, now_ms=20_000) == 2 * HOUR

    @pytest.mark.parametrize(
        "epochs",
        [
            (("a", 0, NOON, False), ("b", 0, NOON + HOUR, True)),
            (("a", 0, NOON, True), ("b", 0, NOON + HOUR, False)),
            (("unknown", 0, NOON, False), ("unknown", 9 * HOUR, NOON + 9 * HOUR, False)),
            (("a", 0, NOON - 3650 * DAY, True), ("b", 0, NOON, True)),
            (("a", 0, NOON + 3650 * DAY, True), ("b", 0, NOON, True)),
            (("a", 0, NOON, True), ("a", HOUR, NOON - 5 * DAY, True), ("b", 0, NOON, True)),
        ],
        ids=[
            "that was not trusted",
            "that is not trusted",
            "of boots without a name",
            "in the past",
            "in the future",
            "that was set in between",
        ],
    )
    def test_of_a_clock_nobody_knows(
        self, path: Path, epochs: tuple[tuple[str, int, int, bool], ...]
    ) -> None:
        assert passed(path, *epochs, then_ms=0, now_ms=1) is None


class TestLocalTime:
    def test_the_repeated_hour_in_autumn_is_two_hours(self, path: Path, rows: Rows) -> None:
        # 2026-10-25: Europe/Dublin goes from 02:00 IST to 01:00 GMT at 01:00 UTC.
        dublin = ZoneInfo("Europe/Dublin")
        start = int(datetime(2026, 10, 25, 0, 0, tzinfo=UTC).timestamp() * 1000)
        night = type(rows)(1, start)
        with Store.open(path) as store:
            store.begin_epoch("boot", night.at(0), True)
            store.put([night.reading(t) for t in range(0, 7_200_000, 600_000)])
        with StoreReader.open(path) as reader:
            times = [r.moment.utc_ms for r in reader.all_readings()]
        local = [datetime.fromtimestamp(t / 1000, dublin).strftime("%H:%M") for t in times]
        assert local[0] == local[6] == "01:00"
        assert len(set(times)) == 12
