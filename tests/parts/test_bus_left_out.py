"""One 1-Wire probe that does not answer, on real bus threads with the real driver.

The tree has the kernel's shape and its files are real. A probe that hangs is a FIFO in place of its
file: opening it blocks in the kernel for as long as nobody writes, as a read of a sick probe does.
No 1-Wire hardware was at hand.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Any, ClassVar

import pytest
from pydantic import BaseModel

from stillwell.acquire.bus import Bus
from stillwell.acquire.clock import FastClock
from stillwell.acquire.source import Batch, JournalBatch, Source, SourceState
from stillwell.foreign import MOST_LEFT_BEHIND
from stillwell.reading import Failure, Sample
from stillwell.testing import ManualClock, within
from stillwell_drivers.onewire import OneWire, OneWireSettings

SPEED = 100.0
"""One real second is 100 of the test's: a deadline of 30 s is 0.3 s, the first pause 0.6 s."""
PROBES = {"water-a": "28-0316a2794a1f", "water-b": "28-0316a27948c3", "room": "28-0316a2794c07"}
GOOD = b"92 01 4b 46 7f ff 0e 10 24 : crc=24 YES\n92 01 4b 46 7f ff 0e 10 24 t=25125\n"


class Tree:
    """Three probes under a directory in the shape of sysfs."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "devices"
        home = folder / "w1_bus_master1"
        self.root.mkdir()
        home.mkdir()
        (self.root / home.name).symlink_to(home)
        for probe in PROBES.values():
            (home / probe).mkdir()
            (self.root / probe).symlink_to(home / probe)
            self._file(probe).write_bytes(GOOD)

    def _file(self, probe: str) -> Path:
        return self.root / probe / "w1_slave"

    def sicken(self, channel: str) -> None:
        file = self._file(PROBES[channel])
        file.unlink()
        os.mkfifo(file)

    def heal(self, channel: str) -> None:
        """Reads that hang come back, and the next ones are good."""
        file = self._file(PROBES[channel])
        hanging = file.with_name("was")
        file.rename(hanging)
        file.write_bytes(GOOD)
        handle = os.open(hanging, os.O_RDWR | os.O_NONBLOCK)  # lets every reader's open return
        os.write(handle, GOOD * 10)
        os.close(handle)


@pytest.fixture
def tree(tmp_path: Path) -> Iterator[Tree]:
    made = Tree(tmp_path)
    yield made
    for file in tmp_path.rglob("w1_slave"):
        if file.is_fifo():
            made.heal(next(c for c, p in PROBES.items() if p == file.parent.name))


class Run:
    """A bus, and the supervisor's part: it looks for a hang and has the thread replaced."""

    def __init__(self, tree: Tree, **more: Any) -> None:
        self.states: list[SourceState] = []
        self.latest: dict[str, Sample] = {}
        self.good: dict[str, int] = dict.fromkeys(PROBES, 0)
        self.replaced = 0
        settings = OneWireSettings.model_validate(
            {"channels": {c: {"probe": p} for c, p in PROBES.items()}, "root": tree.root, **more}
        )
        source = Source(
            "probes", lambda: OneWire(settings), tuple(PROBES), every_s=20.0, deadline_s=30.0
        )
        self.clock = FastClock(0, SPEED)
        self.bus = Bus("w1", [source], self.clock, self._take)

    def _take(self, item: Batch | SourceState | JournalBatch) -> None:
        if isinstance(item, SourceState):
            self.states.append(item)
        elif isinstance(item, Batch):
            for sample in item.samples:
                self.latest[sample.channel] = sample
                self.good[sample.channel] += sample.value is not None

    def until(self, condition: Callable[[], bool]) -> None:
        end = time.monotonic() + 30.0
        while not condition():
            assert time.monotonic() < end, "did not happen in time"
            if self.bus.overdue():
                self.bus.replace()
                self.replaced += 1
            time.sleep(0.005)


@pytest.fixture
def run(tree: Tree) -> Iterator[Run]:
    made = Run(tree)
    made.bus.start()
    yield made
    made.bus.stop()
    made.bus.join(5.0)


class TestAProbeThatHangs:
    def test_takes_no_healthy_one_along_for_hours(self, tree: Tree, run: Run) -> None:
        run.until(lambda: run.good["room"] >= 2)
        tree.sicken("water-b")
        run.until(lambda: run.replaced > 0)
        before = dict(run.good)
        run.until(lambda: run.good["room"] - before["room"] >= 30)
        assert run.good["water-a"] - before["water-a"] >= 30
        assert run.good["water-b"] <= before["water-b"]
        assert run.latest["water-b"].failure is Failure.SILENT
        # The source answers; the probe is what does not.
        assert all(state.up for state in run.states)

    def test_leaves_few_threads_behind_however_long_it_hangs(self, tree: Tree, run: Run) -> None:
        tree.sicken("water-b")
        run.until(lambda: run.replaced > 0)
        threads = threading.active_count()
        run.until(lambda: run.good["room"] >= 30)
        assert threading.active_count() < threads + MOST_LEFT_BEHIND
        assert run.replaced <= MOST_LEFT_BEHIND

    def test_is_read_again_by_itself_when_it_answers(self, tree: Tree, run: Run) -> None:
        tree.sicken("water-a")
        run.until(lambda: run.replaced > 0)
        tree.heal("water-a")
        good = run.good["water-a"]
        run.until(lambda: run.good["water-a"] >= good + 3)
        assert run.latest["water-a"].value == 25.125

    def test_and_all_others_too_is_a_source_that_is_down(self, tree: Tree, run: Run) -> None:
        for channel in PROBES:
            tree.sicken(channel)
        run.until(lambda: bool(run.states) and not run.states[-1].up)
        assert "All that probes reads hangs" in run.states[-1].what
        before = run.good["water-a"]
        tree.heal("room")
        run.until(lambda: run.states[-1].up)
        run.until(lambda: run.good["room"] >= 2)
        assert run.good["water-a"] == before


class Retried:
    """A driver whose first channel takes most of the deadline, as when the kernel tries a probe
    over and over; the deadline falls into its neighbour's turn."""

    Settings: ClassVar[type[BaseModel]] = BaseModel

    def __init__(self, clock: ManualClock, release: threading.Event) -> None:
        self.clock, self.release = clock, release
        self.begins: Callable[[str], None] = lambda channel: None
        self.channels: list[str] = []

    @classmethod
    def bus(cls, settings: object) -> str:
        return "w1"

    def watch_turns(self, begins: Callable[[str], None]) -> None:
        self.begins = begins

    def read_only(self, channels: Collection[str]) -> None:
        self.channels = list(channels)

    def open(self) -> None:
        pass

    def close(self) -> None:
        pass

    def read(self) -> Iterator[Sample]:
        slow = "water-a" in self.channels
        for channel in self.channels:
            self.begins(channel)
            if channel == "water-a":
                self.clock.advance(9.5)
            elif slow:
                self.clock.advance(0.8)
                self.release.wait()
            yield Sample(channel, 25.0)


class TestAProbeWithWhichTheKernelTriesOverAndOver:
    def test_is_the_one_left_out_though_its_neighbour_s_turn_has_come(self) -> None:
        clock, release = ManualClock(), threading.Event()
        batches: list[Batch] = []
        source = Source("probes", lambda: Retried(clock, release), ("water-a", "water-b"))

        def take(item: Batch | SourceState | JournalBatch) -> None:
            if isinstance(item, Batch):
                batches.append(item)

        bus = Bus("w1", [source], clock, take)
        bus.start()
        within(20, "the deadline", lambda: wait_for(lambda: bus.overdue() is not None))
        bus.replace()
        within(20, "the next read", lambda: wait_for(lambda: len(batches) >= 2))
        release.set()
        bus.stop()
        bus.join(5.0)
        values = {sample.channel: sample.value for sample in batches[1].samples}
        assert values == {"water-a": None, "water-b": 25.0}


def wait_for(condition: Callable[[], bool]) -> None:
    while not condition():
        time.sleep(0.005)
