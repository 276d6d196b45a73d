"""Hardware that hangs or dies under the whole daemon, for simulated hours: a 1-Wire read that
never returns, a serial line whose far end is gone.

The drivers are the real ones. The 1-Wire probe is a named pipe in a sysfs tree: opening it blocks
in the kernel as a hung probe does. The serial line is a pseudo-terminal."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from in_words import said
from live_daemon import Live, SteppedClock
from stillwell.settings import load
from stillwell.store import StoreReader

PROBE = "28-0316a2794a1f"
START_MS = 1_780_000_000_000
FRAME = "91 01 4b 46 7f ff 0c 10 70"  # 25.0625 °C, from the DS18B20 data sheet

CONFIG = """
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[store]
path = "tank.db"
[source.probes]
driver = "onewire"
every = "60 s"
deadline = "10 min"
root = "{sysfs}"
[source.probes.channels]
water-a = {{ probe = "{probe}" }}
[source.gauge]
driver = "serial_text"
every = "10 min"
deadline = "60 min"
port = "{port}"
baud = 9600
pattern = 'level=(?P<mm>-?\\d+\\.\\d+) mm'
silent_after = "0.5 s"
[source.gauge.channels]
level = {{ group = "mm" }}
[source.tank]
driver = "simulated"
every = "60 s"
deadline = "15 min"
[source.tank.channels]
water-b = {{ sees = "water" }}
[channel.water-a]
quantity = "temperature"
[channel.water-a.quality]
gap = "15 min"
[channel.water-b]
quantity = "temperature"
[channel.water-b.quality]
gap = "15 min"
[channel.level]
quantity = "level"
[channel.level.quality]
gap = "90 min"
"""


class Bench:
    """A sysfs tree with one probe, a serial line, and the daemon between them."""

    def __init__(self, folder: Path) -> None:
        self.sysfs = folder / "w1"
        (self.sysfs / "w1_bus_master1").mkdir(parents=True)
        self.probe = self.sysfs / PROBE / "w1_slave"
        self.probe.parent.mkdir()
        self.answer()
        self.far, near = os.openpty()
        # Named by a link, as a device is by its id: the kernel gives the number of a terminal that
        # is gone to the next one, which may be another test's.
        self.port = folder / "gauge"
        self.port.symlink_to(os.ttyname(near))
        os.close(near)
        config = folder / "stillwell.toml"
        config.write_text(CONFIG.format(sysfs=self.sysfs, probe=PROBE, port=self.port))
        self.live = Live(load(config, environ={}), SteppedClock(START_MS))

    def answer(self) -> None:
        """The probe answers, in the kernel's own form."""
        self.probe.unlink(missing_ok=True)
        self.probe.write_text(f"{FRAME} : crc=70 YES\n{FRAME} t=25062\n")

    def hang(self) -> None:
        """From now on a read of the probe never returns."""
        self.probe.unlink()
        os.mkfifo(self.probe)

    def release(self) -> None:
        """Lets every reader that hangs come back, so that the process can end."""
        if self.probe.is_fifo():
            for _ in range(8):
                try:
                    os.close(os.open(self.probe, os.O_WRONLY | os.O_NONBLOCK))
                except OSError:
                    return
                time.sleep(0.01)

    def said(self, alarm: str) -> list[str]:
        return [t.event for t in self.live.told if t.alarm == alarm]

    def longest_gap_min(self, channel: str) -> float:
        with StoreReader.open(self.live.path) as reader:
            times = [r.moment.mono_ms for r in reader.readings(channel, 0, 2**50)]
        assert len(times) > 60
        return max(b - a for a, b in pairwise(times)) / 60_000


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Callable[[], Bench]]:
    made: list[Bench] = []

    def make() -> Bench:
        made.append(Bench(tmp_path))
        return made[-1]

    yield make
    for each in made:
        each.release()
        os.close(each.far) if each.far >= 0 else None


class TestHungProbe:
    def test_for_hours_the_others_keep_their_cadence_and_the_alarm_names_the_source(
        self, bench: Callable[[], Bench]
    ) -> None:
        room = bench()
        room.live.pass_h(0.3)
        room.hang()
        room.live.pass_h(2.0)
        assert room.said("source.probes.down") == ["raise"]
        told = next(t for t in room.live.told if t.alarm == "source.probes.down")
        assert "probes" in str(said(told))
        room.release()
        room.live.stop()
        assert room.longest_gap_min("water-b") <= 5
        assert not room.said("source.tank.down")
        assert not room.said("water-b.silent")

    def test_a_probe_that_answers_again_is_read_again(self, bench: Callable[[], Bench]) -> None:
        room = bench()
        room.live.pass_h(0.2)
        room.hang()
        # Midway between the first read that hangs for ten minutes and the second.
        room.live.pass_h(0.27)
        pipe = room.probe.with_suffix(".pipe")
        room.probe.rename(pipe)
        room.answer()
        room.live.pass_h(0.4)
        os.close(os.open(pipe, os.O_RDWR | os.O_NONBLOCK))
        room.live.stop()
        assert room.said("source.probes.down")[:2] == ["raise", "clear"]


class TestDeadSerialLine:
    def test_for_hours_the_others_keep_their_cadence_and_the_alarm_names_the_source(
        self, bench: Callable[[], Bench]
    ) -> None:
        room = bench()
        os.write(room.far, b"level=-3.5 mm\n")
        room.live.pass_h(0.2)
        room.port.unlink()
        os.close(room.far)
        room.far = -1
        room.live.pass_h(2.0)
        room.live.stop()
        assert room.said("source.gauge.down") == ["raise"]
        assert room.longest_gap_min("water-a") <= 5
        assert room.longest_gap_min("water-b") <= 5
        assert not room.said("water-a.silent")
