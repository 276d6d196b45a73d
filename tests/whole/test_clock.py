"""Clocks that stand wrong, step, and change to summer time, under the whole daemon."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from live_daemon import Live, SteppedClock
from stillwell.forward import Run, drive
from stillwell.morning import review_of
from stillwell.settings import Settings, load
from stillwell.store import StoreReader
from stillwell.supervise.calendar_look import CalendarLook
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store
from stillwell.wiring.plans.review import review_plan
from stillwell.wiring.sources import sources

YEAR_MS = 365 * 86_400_000
HOUR_MS = 3_600_000
ROOM = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    environ = {
        "STILLWELL__STORE__PATH": str(tmp_path / "tank.db"),
        # In the clock's own seconds, of which there are many in a real one.
        "STILLWELL__SOURCE__TANK__DEADLINE": "60 min",
    }
    return load(ROOM, environ=environ)


@pytest.fixture
def live(settings: Settings) -> Iterator[Callable[..., Live]]:
    made: list[Live] = []

    def make(start: str = "2026-06-10T03:00Z", trusted: bool = True) -> Live:
        start_ms = round(datetime.fromisoformat(start).astimezone(UTC).timestamp() * 1000)
        made.append(Live(settings, SteppedClock(start_ms, trusted)))
        return made[-1]

    yield make
    for each in made:
        each.stop()


def mono_times(path: Path, channel: str = "water-a") -> list[int]:
    """Monotonic ms of the channel's readings in the order in which they were kept."""
    with StoreReader.open(path) as reader:
        readings = list(reader.readings(channel, -(2**50), 2**50))
    return sorted(reading.moment.mono_ms for reading in readings)


class TestSteps:
    @pytest.mark.parametrize("by_ms", [-10 * YEAR_MS, 10 * YEAR_MS, -HOUR_MS, HOUR_MS])
    def test_a_step_changes_no_cadence_and_is_told_once(
        self, live: Callable[..., Live], by_ms: int
    ) -> None:
        tank = live()
        tank.pass_h(0.2)
        tank.clock.offset_ms += by_ms
        tank.pass_h(0.4)
        tank.stop()
        times = mono_times(tank.path)
        assert max(b - a for a, b in pairwise(times)) <= 150_000, "readings were left out"
        assert len(times) <= times[-1] / 30_000 + 2, "readings came in a flood"
        events = Counter((t.alarm, t.event) for t in tank.told)
        assert events.pop(("clock.stepped", "raise")) == 1
        events.pop(("clock.stepped", "clear"), None)
        assert not events, "the step had other consequences"

    def test_back_and_forth_by_years_gives_one_review_a_date(
        self, live: Callable[..., Live]
    ) -> None:
        tank = live("2026-06-10T07:01Z")
        for by_ms in (YEAR_MS, -YEAR_MS, -YEAR_MS, YEAR_MS):
            tank.pass_h(0.15)
            tank.clock.offset_ms += by_ms
        tank.pass_h(0.15)
        tank.stop()
        with StoreReader.open(tank.path) as reader:
            keys = Counter(n.key for n in reader.notices() if n.kind == "review")
        assert keys["review-2026-06-09"] == 1
        assert max(keys.values()) == 1

    def test_a_boot_in_1970_is_put_right_when_the_clock_is_known(
        self, live: Callable[..., Live]
    ) -> None:
        tank = live("1970-01-01T00:00:20Z", trusted=False)
        tank.pass_h(0.2)
        right_ms = round(datetime(2026, 6, 10, 3, tzinfo=UTC).timestamp() * 1000)
        tank.clock.offset_ms = right_ms
        tank.clock.is_trusted = True
        tank.pass_h(0.2)
        tank.stop()
        with StoreReader.open(tank.path) as reader:
            early = list(reader.readings("water-a", 0, YEAR_MS))
            late = list(reader.readings("water-a", right_ms, right_ms + HOUR_MS))
            notices = [n for n in reader.notices() if n.kind == "review"]
        assert not early, "readings were left behind in 1970"
        assert len(late) >= 40
        assert not any("1969" in n.key or "1970" in n.key for n in notices)
        assert not [t for t in tank.told if t.alarm == "clock.stepped" and t.event == "raise"]


class TestSummerTime:
    @pytest.mark.parametrize(
        ("start", "nights"),
        [
            ("2026-03-27T12:00Z", {date(2026, 3, 27): 10, date(2026, 3, 28): 9}),
            ("2026-10-23T12:00Z", {date(2026, 10, 23): 10, date(2026, 10, 24): 11}),
        ],
        ids=["spring", "autumn"],
    )
    def test_each_night_has_its_length_and_one_review(
        self, tmp_path: Path, start: str, nights: dict[date, int]
    ) -> None:
        environ = {
            "STILLWELL__STORE__PATH": str(tmp_path / "tank.db"),
            "STILLWELL__SOURCE__TANK__EVERY": "5 min",
        }
        settings = load(ROOM, environ=environ)
        start_ms = round(datetime.fromisoformat(start).timestamp() * 1000)
        end_ms = start_ms + 3 * 24 * HOUR_MS
        store = open_store(settings, bulk=True)
        line = assemble.pipeline(settings, store)
        plan = review_plan(settings)
        looks: list[CalendarLook] = []

        def look(_: int) -> None:
            store.commit()
            looks[0]()

        run = Run(line, start_ms, boot_id="dst", look=look)

        def keep(item: Any) -> None:
            line.announce(item.notice, item.job, item.local_date)

        looks.append(CalendarLook(store.path, plan, settings.night.review_at, run.clock, keep))
        drive(run, [s for bus in sources(settings).values() for s in bus], end_ms)
        run.end()
        line.end()
        with StoreReader.open(store.path) as reader:
            keys = Counter(n.key for n in reader.notices() if n.kind == "review")
            for evening, hours in nights.items():
                review = review_of(reader, plan, plan.of(evening))
                assert review.end_ms - review.start_ms == hours * HOUR_MS
                water = review.bands[0]
                assert water.seen_s == pytest.approx(hours * 3600, abs=60)
                assert keys[f"review-{evening.isoformat()}"] == 1
            times = mono_times(store.path)
        assert {b - a for a, b in pairwise(times)} == {300_000}
