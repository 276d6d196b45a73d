"""Runs as fast as the machine can: the cadence, the ticks, the silences in between."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, ClassVar

import pytest
from pydantic import BaseModel

from in_words import said
from stillwell.acquire.source import Source
from stillwell.alarm.plan import ChannelWatch, WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.forward import TICK_MS, Run, drive
from stillwell.notice import Transition
from stillwell.pipeline import Pipeline
from stillwell.ports import Clock, DriverError
from stillwell.quality.judge import Judge
from stillwell.quality.limits import default_limits
from stillwell.reading import Quantity, Sample
from stillwell.store import Store, StoreReader

NOON = 1_768_478_400_000
HOUR = 3_600_000


class Told:
    """A run on a store of its own, and what it said."""

    def __init__(self, path: Path, looks: list[int] | None = None) -> None:
        self.told: list[Transition] = []
        self.path = path
        channels = tuple(
            ChannelWatch(name, "probes", Quantity.TEMPERATURE, gap_s=180.0, label="")
            for name in ("water-a", "room")
        )
        self.line = Pipeline(
            Store.open(path, bulk=True),
            Watch(WatchPlan(channels=channels, zone="Europe/Dublin")),
            {c.name: Judge(default_limits(Quantity.TEMPERATURE)) for c in channels},
            told=self.told.append,
        )
        look: Callable[[int], None] | None = None if looks is None else looks.append
        self.run = Run(self.line, NOON, boot_id="test", look=look)

    def times(self, channel: str) -> list[int]:
        self.run.end()
        with StoreReader.open(self.path) as reader:
            rows = reader.readings(channel, 0, 1 << 53)
            return [(row.moment.utc_ms - NOON) // 1000 for row in rows]


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[..., Told]]:
    made: list[Told] = []

    def make(**more: Any) -> Told:
        made.append(Told(tmp_path / f"{len(made)}.db", **more))
        return made[-1]

    yield make
    for one in made:
        one.line.end()


class Clockwork:
    """A driver on the daemon's clock that says what time it is; `broken` at some of its reads."""

    Settings: ClassVar[type[BaseModel]] = BaseModel

    def __init__(self, channel: str = "water-a", broken: Iterable[int] = ()) -> None:
        self.channel = channel
        self.broken = set(broken)
        self.reads: list[int] = []
        self.closed = 0
        self._clock: Clock | None = None

    @classmethod
    def bus(cls, settings: Any) -> str:
        return "clockwork"

    def use_clock(self, clock: Clock) -> None:
        self._clock = clock

    def open(self) -> None:
        assert self._clock is not None, "the clock comes before the opening"

    def read(self) -> Iterable[Sample]:
        assert self._clock is not None
        self.reads.append((self._clock.wall_ms() - NOON) // 1000)
        if len(self.reads) in self.broken:
            raise DriverError("It has stopped.", "Wind it up.")
        return [Sample(self.channel, 25.0 + 0.1 * (len(self.reads) % 2))]

    def close(self) -> None:
        self.closed += 1


def source(driver: Clockwork, every_s: float, name: str = "probes") -> Source:
    return Source(name, lambda: driver, (driver.channel,), every_s=every_s)


class TestTake:
    def test_keeps_an_instant_at_its_time(self, run: Callable[..., Told]) -> None:
        one = run()
        for second in (0, 7, 61, 62):
            one.run.take(NOON + second * 1000, "probes", [Sample("water-a", 25.0)])
        assert one.times("water-a") == [0, 7, 61, 62]

    def test_an_instant_in_the_past_is_taken_as_the_latest(self, run: Callable[..., Told]) -> None:
        one = run()
        one.run.take(NOON + 60_000, "probes", [Sample("water-a", 25.0)])
        one.run.take(NOON + 30_000, "probes", [Sample("water-a", 25.1)])
        assert one.times("water-a") == [60, 60]

    def test_a_gap_is_noticed_when_it_is_one_and_not_when_it_ends(
        self, run: Callable[..., Told]
    ) -> None:
        one = run()
        one.run.take(NOON, "probes", [Sample("water-a", 25.0), Sample("room", 20.0)])
        one.run.take(NOON + 2 * HOUR, "probes", [Sample("water-a", 25.0)])
        raised = next(t for t in one.told if t.alarm == "water-a.silent")
        assert 180_000 <= raised.moment.utc_ms - NOON <= 180_000 + 2 * TICK_MS

    def test_a_month_without_a_reading_is_one_silence(self, run: Callable[..., Told]) -> None:
        one = run()
        one.run.take(NOON, "probes", [Sample("water-a", 25.0), Sample("room", 20.0)])
        one.run.pass_to(NOON + 30 * 24 * HOUR)
        assert sorted(t.alarm for t in one.told) == ["room.silent", "water-a.silent"]


class TestLook:
    def test_comes_about_every_ten_minutes_and_at_the_end(self, run: Callable[..., Told]) -> None:
        looks: list[int] = []
        one = run(looks=looks)
        one.run.pass_to(NOON + HOUR)
        one.run.end()
        assert [(at - NOON) // 60_000 for at in looks] == [10, 20, 30, 40, 50, 60, 60]


class TestDrive:
    def test_reads_each_source_at_its_own_cadence(self, run: Callable[..., Told]) -> None:
        one = run()
        water, room = Clockwork("water-a"), Clockwork("room")
        drive(one.run, [source(water, 30), source(room, 50, "air")], NOON + 300_000)
        assert water.reads == list(range(0, 301, 30))
        assert room.reads == list(range(0, 301, 50))
        assert one.times("room") == room.reads

    def test_closes_what_it_opened(self, run: Callable[..., Told]) -> None:
        driver = Clockwork()
        assert drive(run().run, [source(driver, 30)], NOON + 60_000) == [driver]
        assert driver.closed == 1

    def test_a_driver_that_fails_is_a_source_that_is_down_until_it_reads_again(
        self, run: Callable[..., Told]
    ) -> None:
        one = run()
        driver = Clockwork(broken=[4, 5, 6])
        drive(one.run, [source(driver, 30)], NOON + 600_000)
        about = [(t.event, str(said(t))) for t in one.told if t.alarm == "source.probes.down"]
        assert about[0] == ("raise", "Sensors of probes can't be read. Wind it up. It has stopped.")
        assert [event for event, _ in about] == ["raise", "clear"]
