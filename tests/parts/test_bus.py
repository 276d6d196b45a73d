"""Bus threads with drivers that hang, fail, die and come back. The threads are real; the hardware
is not: what a driver does wrong is the subject here, so that drivers of the test's own stand in
for it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any, ClassVar

import pytest
from pydantic import BaseModel

from stillwell.acquire.bus import Bus
from stillwell.acquire.clock import FastClock
from stillwell.acquire.source import Batch, JournalBatch, Source, SourceState
from stillwell.foreign import MOST_LEFT_BEHIND
from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample

SPEED = 200.0
"""One real second is 200 of the test's: cadences of 10 s come every 50 ms."""


class Scripted:
    """A driver that does what its `act` says at each read."""

    Settings: ClassVar[type[BaseModel]] = BaseModel

    def __init__(self, act: Callable[[], Iterable[Sample]]) -> None:
        self.act = act
        self.opened = 0
        self.closed = 0

    @classmethod
    def bus(cls, settings: Any) -> str:
        return "test"

    def open(self) -> None:
        self.opened += 1

    def read(self) -> Iterable[Sample]:
        return self.act()

    def close(self) -> None:
        self.closed += 1


class Collector:
    def __init__(self) -> None:
        self.items: list[Batch | SourceState | JournalBatch] = []
        self._more = threading.Condition()

    def __call__(self, item: Batch | SourceState | JournalBatch) -> None:
        with self._more:
            self.items.append(item)
            self._more.notify_all()

    def batches(self, source: str) -> list[Batch]:
        return [i for i in self.items if isinstance(i, Batch) and i.source == source]

    def states(self, source: str) -> list[SourceState]:
        return [i for i in self.items if isinstance(i, SourceState) and i.source == source]

    def until(self, condition: Callable[[], bool], seconds: float = 20.0) -> None:
        with self._more:
            assert self._more.wait_for(condition, seconds), "did not happen in time"


@pytest.fixture
def got() -> Collector:
    return Collector()


@pytest.fixture
def started() -> Iterator[Callable[[Bus], Bus]]:
    buses: list[Bus] = []

    def start(bus: Bus) -> Bus:
        buses.append(bus)
        bus.start()
        return bus

    yield start
    for bus in buses:
        bus.stop()
        bus.join(5.0)


def good() -> list[Sample]:
    return [Sample("water-a", 25.0)]


def source(act: Callable[[], Iterable[Sample]], name: str = "probes", **more: Any) -> Source:
    return Source(name, lambda: Scripted(act), ("water-a",), **{"every_s": 10.0, **more})


def drive(bus: Bus, got: Collector, condition: Callable[[], bool]) -> None:
    """Does the supervisor's part, replacing what hangs, until `condition` holds."""
    end = time.monotonic() + 30.0
    while not condition():
        assert time.monotonic() < end, "did not happen in time"
        if bus.overdue():
            bus.replace()
        time.sleep(0.005)


class TestCadence:
    def test_readings_come_on_a_grid_of_the_period(self, got: Collector, started: Any) -> None:
        started(Bus("w1", [source(good)], FastClock(0, SPEED), got))
        got.until(lambda: len(got.batches("probes")) >= 8)
        slots = [round(b.mono_ms / 10_000) for b in got.batches("probes")]
        assert slots == sorted(set(slots)), "a period was read twice"

    def test_a_source_that_comes_up_says_so_once(self, got: Collector, started: Any) -> None:
        started(Bus("w1", [source(good)], FastClock(0, SPEED), got))
        got.until(lambda: len(got.batches("probes")) >= 3)
        assert got.states("probes") == [SourceState("probes", up=True)]

    def test_looks_are_folded_into_one_reading(self, got: Collector, started: Any) -> None:
        looks = iter([1.0, 0.0] * 10_000)
        floats = Source(
            "floats",
            lambda: Scripted(lambda: [Sample("float-low", next(looks))]),
            ("float-low",),
            shares=frozenset({"float-low"}),
            every_s=60.0,
            look_s=6.0,
        )
        started(Bus("gpio", [floats], FastClock(0, SPEED), got))
        got.until(lambda: len(got.batches("floats")) >= 3)
        later = got.batches("floats")[2].samples[0]
        assert later.value is not None
        assert 0.3 <= later.value <= 0.7
        assert "changes" in later.raw

    def test_channels_that_nobody_configured_are_dropped(
        self, got: Collector, started: Any
    ) -> None:
        started(
            Bus(
                "w1", [source(lambda: [*good(), Sample("stranger", 1.0)])], FastClock(0, SPEED), got
            )
        )
        got.until(lambda: bool(got.batches("probes")))
        assert {s.channel for s in got.batches("probes")[0].samples} == {"water-a"}


class TestFailures:
    def test_a_driver_error_takes_the_source_down_and_it_is_opened_again(
        self, got: Collector, started: Any
    ) -> None:
        turns = iter([False, True] + [False] * 999)

        def act() -> list[Sample]:
            return fail(DriverError("The port is gone.", "Plug it in.")) if next(turns) else good()

        started(Bus("serial", [source(act)], FastClock(0, SPEED), got))
        got.until(lambda: len(got.states("probes")) >= 3)
        up, down, again = got.states("probes")[:3]
        assert (up.up, down.up, again.up) == (True, False, True)
        assert (down.what, down.do) == ("The port is gone.", "Plug it in.")

    def test_a_missed_reading_is_kept_as_missed(self, got: Collector, started: Any) -> None:
        started(
            Bus("serial", [source(lambda: fail(DriverError("Gone.")))], FastClock(0, SPEED), got)
        )
        got.until(lambda: len(got.batches("probes")) >= 2)
        (sample,) = got.batches("probes")[1].samples
        assert (sample.value, sample.failure, sample.raw) == (None, Failure.DRIVER, "Gone.")

    def test_a_mistake_in_a_driver_does_not_end_its_bus(self, got: Collector, started: Any) -> None:
        broken = source(lambda: fail(ZeroDivisionError("division by zero")), "broken")
        started(Bus("w1", [broken, source(good)], FastClock(0, SPEED), got))
        got.until(lambda: len(got.batches("probes")) >= 5)
        assert "ZeroDivisionError" in got.states("broken")[0].what

    def test_a_driver_that_cannot_be_made_is_a_source_that_is_down(
        self, got: Collector, started: Any
    ) -> None:
        def make() -> Scripted:
            raise DriverError("The package gpiod is not installed.", "Install it.")

        started(Bus("gpio", [Source("floats", make, ("float-low",))], FastClock(0, SPEED), got))
        got.until(lambda: bool(got.states("floats")))
        assert got.states("floats")[0].do == "Install it."


class TestHanging:
    def test_a_hung_read_is_left_behind_and_the_bus_goes_on(
        self, got: Collector, started: Any
    ) -> None:
        release = threading.Event()
        hang_once = iter([True] + [False] * 10_000)

        def act() -> list[Sample]:
            if next(hang_once):
                release.wait()
            return good()

        bus = started(Bus("w1", [source(act, deadline_s=5.0)], FastClock(0, SPEED), got))
        drive(bus, got, lambda: len(got.batches("probes")) >= 4)
        first = got.batches("probes")[0].samples[0]
        assert first.failure is Failure.SILENT
        assert got.batches("probes")[3].samples[0].value == 25.0
        down, up = got.states("probes")[:2]
        assert not down.up
        assert "hangs" in down.what
        assert up.up
        release.set()

    def test_what_an_abandoned_thread_brings_late_is_thrown_away(
        self, got: Collector, started: Any
    ) -> None:
        release = threading.Event()
        came_back = threading.Event()
        hang_once = iter([True] + [False] * 10_000)

        def act() -> list[Sample]:
            if next(hang_once):
                release.wait()
                came_back.set()
                return [Sample("water-a", 99.0)]
            return good()

        bus = started(Bus("w1", [source(act, deadline_s=5.0)], FastClock(0, SPEED), got))
        drive(bus, got, lambda: len(got.batches("probes")) >= 2)
        release.set()
        assert came_back.wait(5.0)
        drive(bus, got, lambda: len(got.batches("probes")) >= 5)
        assert 99.0 not in [s.value for b in got.batches("probes") for s in b.samples]
        assert [state.up for state in got.states("probes")] == [False, True]

    def test_one_that_hangs_every_time_is_left_alone_until_a_thread_comes_back(
        self, got: Collector, started: Any
    ) -> None:
        release = threading.Event()
        tried: list[bool] = []

        def act() -> list[Sample]:
            tried.append(release.is_set())
            release.wait()
            return good()

        clock = FastClock(0, 20_000.0)
        neighbour = source(good, "neighbour", deadline_s=60_000.0)
        bus = started(Bus("w1", [source(act, deadline_s=1000.0), neighbour], clock, got))
        before = threading.active_count()
        drive(bus, got, lambda: len(tried) == MOST_LEFT_BEHIND)
        drive(bus, got, lambda: "left alone" in got.states("probes")[-1].do)
        seen, began = len(got.batches("neighbour")), clock.monotonic_ns()
        drive(bus, got, lambda: clock.monotonic_ns() - began > 12 * 3600e9)
        assert len(tried) == MOST_LEFT_BEHIND
        assert threading.active_count() <= before + MOST_LEFT_BEHIND
        assert len(got.batches("neighbour")) > seen + 20
        assert not any(state.up for state in got.states("probes"))
        release.set()
        drive(bus, got, lambda: got.states("probes")[-1].up)

    def test_a_source_beside_it_is_read_at_once_again(self, got: Collector, started: Any) -> None:
        release = threading.Event()
        hangs = source(lambda: [*good()] * release.wait(), deadline_s=5.0)
        bus = started(Bus("w1", [hangs, source(good, "neighbour")], FastClock(0, SPEED), got))
        drive(bus, got, lambda: len(got.batches("neighbour")) >= 10)
        assert any("hangs" in state.what for state in got.states("probes"))
        release.set()

    @pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
    def test_a_thread_that_dies_is_told_for_all_and_replaced(
        self, got: Collector, started: Any
    ) -> None:
        bus = started(
            Bus("w1", [source(good), source(good, "neighbour")], FastClock(0, SPEED), got)
        )
        got.until(lambda: len(got.batches("neighbour")) >= 2)
        dies = bus._serve
        bus._serve = lambda *_: fail(MemoryError())
        drive(bus, got, lambda: not got.states("neighbour")[-1].up)
        assert not got.states("probes")[-1].up
        assert "w1 has died" in got.states("probes")[-1].what
        bus._serve = dies
        drive(bus, got, lambda: got.states("neighbour")[-1].up and got.states("probes")[-1].up)

    def test_for_hours_the_other_bus_keeps_its_cadence(self, got: Collector, started: Any) -> None:
        """Two simulated hours beside a 1-Wire read that never returns."""
        release = threading.Event()
        clock = FastClock(0, 2_000.0)

        def hang() -> list[Sample]:
            release.wait()
            return []

        hung = started(Bus("w1", [source(hang, deadline_s=60.0)], clock, got))
        floats = Source(
            "floats",
            lambda: Scripted(lambda: [Sample("float-low", 1.0)]),
            ("float-low",),
            every_s=60.0,
            deadline_s=600.0,
        )
        started(Bus("gpio", [floats], clock, got))
        drive(hung, got, lambda: clock.monotonic_ns() > 7_200 * 10**9)
        minutes = [b.mono_ms // 60_000 for b in got.batches("floats")]
        assert len(set(minutes)) >= 115, "the other channel lost readings"
        release.set()


def fail(error: Exception) -> list[Sample]:
    raise error
