"""The whole daemon as a process of its own, on the simulated tank, with its clock running fast."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from stillwell.notice import Transition
from stillwell.reading import Reading
from stillwell.store import StoreError, StoreReader

ROOT = Path(__file__).parents[2]
STILLWELL = Path(sys.executable).with_name("stillwell")
GENEROUS_S = 120.0
"""No test measures time; this only ends one whose condition never comes true."""

TANK = """
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"

[store]
path = "{store}"
commit_every = "{commit_every}"

[source.tank]
driver = "simulated"
every = "30 s"
deadline = "10 s"
seed = 7
start = "{start}"
faults = [{faults}]
[source.tank.channels]
water-a = {{ sees = "water", noise = "0.03 K" }}
water-b = {{ sees = "water-b", noise = "0.03 K" }}

[source.chamber]
driver = "simulated"
every = "30 s"
deadline = "{deadline}"
seed = 7
start = "{start}"
faults = [{chamber_faults}]
[source.chamber.channels]
level = {{ sees = "level", noise = "1 mm" }}
float-high = {{ sees = "float", height = "10 mm", differential = "2 mm" }}

[channel.water-a]
quantity = "temperature"
[channel.water-b]
quantity = "temperature"
[channel.level]
quantity = "level"
[channel.float-high]
quantity = "float"
height = "10 mm"
differential = "2 mm"

[band.water]
of = ["water-a", "water-b"]
target = "25.3 degC"
tolerance = "0.5 K"
deadband = "0.1 K"
on_delay = "5 min"
off_delay = "5 min"
"""

SINK = """
[sink.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
"""


class Daemon:
    """`stillwell run` in a process of its own."""

    def __init__(self, config: Path, store: Path, log: Path) -> None:
        self.config = config
        self.store = store
        self.log = log
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, *arguments: str, speed: float = 240) -> None:
        with self.log.open("ab") as out:
            self.process = subprocess.Popen(
                [STILLWELL, "run", "-c", self.config, f"--speed={speed}", *arguments],
                stdout=out,
                stderr=out,
                env=os.environ | {"PYTHONUNBUFFERED": "1"},
            )

    def kill(self) -> None:
        """SIGKILL: no clean-up of any kind."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        """SIGTERM, as systemd does it. Returns the exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(GENEROUS_S)

    @property
    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def until(
        self, condition: Callable[[], object], what: str, seconds: float = GENEROUS_S
    ) -> None:
        """Waits for a condition while the daemon lives; ends the test with its log otherwise.
        Between two looks it leaves the processor to the daemon for four times as long as one
        takes: many read all that is kept."""
        looked = time.monotonic()
        end = looked + seconds
        while not condition():
            took_s = time.monotonic() - looked
            if not self.running or time.monotonic() > end:
                state = "still runs" if self.running else "has ended"
                pytest.fail(f"waited in vain: {what}; the daemon {state}:\n{self.said()[-3000:]}")
            time.sleep(max(0.05, 4 * took_s))
            looked = time.monotonic()

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""

    @contextmanager
    def reader(self) -> Iterator[StoreReader | None]:
        """The store, or None while it is not made yet."""
        try:
            reader = StoreReader.open(self.store)
        except StoreError:
            yield None
            return
        with reader:
            yield reader

    def transitions(self, alarm: str = "") -> list[Transition]:
        with self.reader() as reader:
            log = reader.transitions() if reader else []
        return [t for t in log if not alarm or t.alarm == alarm]

    def readings(self, channel: str) -> list[Reading]:
        with self.reader() as reader:
            return list(reader.readings(channel, -(2**50), 2**50)) if reader else []

    def has(self, alarm: str, event: str) -> bool:
        return any(t.event == event for t in self.transitions(alarm))


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Callable[..., Daemon]]:
    """Makes a configured daemon, not yet started; all are stopped at the end."""
    made: list[Daemon] = []

    def make(
        *,
        port: int | None = None,
        faults: Sequence[str] = (),
        chamber_faults: Sequence[str] = (),
        store: Path | None = None,
        commit_every: str = "30 s",
        deadline: str = "10 s",
        more: str = "",
    ) -> Daemon:
        folder = tmp_path / f"daemon-{len(made)}"
        folder.mkdir()
        path = store or folder / "tank.db"
        text = TANK.format(
            store=path,
            commit_every=commit_every,
            deadline=deadline,
            start=time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() - 6 * 3600)),
            faults=", ".join(faults),
            chamber_faults=", ".join(chamber_faults),
        )
        if port is not None:
            text += SINK.format(port=port)
        config = folder / "stillwell.toml"
        config.write_text(text + more, encoding="utf-8")
        daemon = Daemon(config, path, folder / "log")
        made.append(daemon)
        return daemon

    yield make
    for each in made:
        if each.process is not None and each.process.poll() is None:
            each.process.kill()
            each.process.wait()


def fault(name: str, after_min: float, for_min: float | None = None, target: str = "") -> str:
    """A line of the faults list; times count from now (the tank is six hours old).

    A heater that does not heat leaves the band within 250 min (the longest when it dies in the
    afternoon, under the lamp) and, being dead for 300 min, is back within 500, whatever the hour of
    the day and wherever in its cycle it stood."""
    parts = [f'name = "{name}"', f'after = "{6 * 60 + after_min:g} min"']
    if for_min is not None:
        parts.append(f'for = "{for_min:g} min"')
    if target:
        parts.append(f'target = "{target}"')
    return "{ " + ", ".join(parts) + " }"


@pytest.fixture(name="fault")
def fault_fixture() -> Callable[..., str]:
    return fault
