"""Every configured sensor, read for minutes as the daemon reads it: a thread a bus, through the
daemon's own bus threads."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass, field

import pytest

from stillwell.acquire.bus import Bus
from stillwell.acquire.clock import SystemClock
from stillwell.acquire.source import Batch, JournalBatch, Source, SourceState
from stillwell.reading import Quantity, Sample
from stillwell.settings import Settings

WATCHED_S = 120.0


@dataclass
class Heard:
    """What the buses brought."""

    samples: list[Sample] = field(default_factory=list)
    down: list[SourceState] = field(default_factory=list)
    hung: set[str] = field(default_factory=set)

    def take(self, item: Batch | SourceState | JournalBatch) -> None:
        if isinstance(item, Batch):
            self.samples += item.samples
        elif isinstance(item, SourceState) and not item.up:
            self.down.append(item)


def listen(buses: dict[str, list[Source]], seconds: float) -> Heard:
    """All buses for so long."""
    heard = Heard()
    clock = SystemClock()
    running = [Bus(name, sources, clock, heard.take) for name, sources in buses.items()]
    for bus in running:
        bus.start()
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        time.sleep(0.2)
        heard.hung.update(source for bus in running if (source := bus.overdue()) is not None)
    for bus in running:
        bus.stop()
        bus.join(5.0)
    return heard


def watched_s(buses: dict[str, list[Source]]) -> float:
    """Two minutes, or three rounds of the slowest source."""
    slowest_s = max(source.every_s for on_bus in buses.values() for source in on_bus)
    return max(WATCHED_S, 3 * slowest_s + 5)


@pytest.fixture(scope="module")
def heard(buses: dict[str, list[Source]]) -> Heard:
    return listen(buses, watched_s(buses))


class TestEverySensor:
    def test_is_there_all_the_time(self, heard: Heard) -> None:
        assert [f"{state.source}: {state.what}" for state in heard.down] == []

    def test_answers_within_its_deadline(self, heard: Heard) -> None:
        assert heard.hung == set()

    def test_gives_a_value_at_each_reading(
        self, heard: Heard, buses: dict[str, list[Source]]
    ) -> None:
        failed = Counter(
            f"{s.channel}: {s.failure} {s.raw}" for s in heard.samples if s.failure is not None
        )
        assert failed == Counter()
        channels = {c for on_bus in buses.values() for source in on_bus for c in source.channels}
        assert channels - {s.channel for s in heard.samples} == set()

    def test_gives_as_many_readings_as_its_cadence_says(
        self, heard: Heard, buses: dict[str, list[Source]]
    ) -> None:
        counted = Counter(s.channel for s in heard.samples)
        for_s = watched_s(buses)
        for source in (source for on_bus in buses.values() for source in on_bus):
            for channel in source.channels:
                # One may fall on either edge.
                assert abs(counted[channel] - for_s / source.every_s) <= 2, channel

    def test_reads_a_temperature_that_a_room_or_a_tank_can_have(
        self, heard: Heard, settings: Settings
    ) -> None:
        temperatures = {
            name
            for name, channel in settings.channel.items()
            if Quantity(channel.quantity) is Quantity.TEMPERATURE
        }
        odd = [
            (s.channel, s.value)
            for s in heard.samples
            if s.channel in temperatures and s.value is not None and not 5 <= s.value <= 40
        ]
        assert odd == []


@pytest.mark.hands
class TestAFloat:
    def test_follows_the_hand_that_lifts_and_lowers_it(
        self,
        buses: dict[str, list[Source]],
        settings: Settings,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        floats = [
            name
            for name, channel in settings.channel.items()
            if Quantity(channel.quantity) is Quantity.FLOAT
        ]
        if not floats:
            pytest.skip("no float is configured")
        for name in floats:
            with capsys.disabled():
                print(f"\nUnplug heater and pump. Lower and lift {name} slowly, for a minute.")
            shares = [
                s.value
                for s in listen(buses, 60.0).samples
                if s.channel == name and s.value is not None
            ]
            assert min(shares) < 0.1, f"{name} was never open"
            assert max(shares) > 0.9, f"{name} was never closed"
