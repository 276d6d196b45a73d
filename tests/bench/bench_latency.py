"""From a change at a sensor to an MQTT subscriber's screen.

    python tests/bench/bench_latency.py [--quick]

A driver of the bench's own (an entry point, as a third party would have it) blocks in `read` until
a number comes through a pipe; a live daemon with that driver and eight more channels at 1 Hz
publishes to a real mosquitto; a subscriber here takes the time. The reference is a process that
reads the same kind of pipe and calls paho's `publish`, QoS 1 and retained, with a payload of the
same size, to the same broker and a subscriber of the same kind. The two take turns.
"""

from __future__ import annotations

import contextlib
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import eight_channels
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from table import Line, main

DRIVER = '''
import os
from pydantic import BaseModel
from stillwell.ports import DriverError
from stillwell.reading import Sample

class Settings(BaseModel):
    channels: dict[str, dict[str, str]]
    pipe: str

class Piped:
    """Returns a number as soon as it comes through a pipe."""
    Settings = Settings
    def __init__(self, settings):
        self._settings, self._pipe = settings, None
    @classmethod
    def bus(cls, settings):
        return "pipe:" + settings.pipe
    def open(self):
        if self._pipe is None:
            self._pipe = open(self._settings.pipe, "rb", buffering=0)
    def read(self):
        line = self._pipe.read(64)
        if not line:
            raise DriverError("The pipe has ended.")
        return [Sample(name, float(line)) for name in self._settings.channels]
    def close(self):
        pass
'''

SOURCE = """
[source.pipe]
driver = "bench-pipe"
every = "1 ms"
deadline = "1 h"
pipe = "{pipe}"
[source.pipe.channels]
probe = {{}}
[channel.probe]
quantity = "level"
"""

BARE = """
import sys
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
client.connect("127.0.0.1", int(sys.argv[2]))
client.loop_start()
topic, form = sys.argv[3], sys.argv[4]
with open(sys.argv[1], "rb", buffering=0) as pipe:
    while line := pipe.read(64):
        client.publish(topic, form.replace("VALUE", line.decode().strip()), qos=1, retain=True)
"""


WARM = 5
"""How many first changes are not counted, because nothing is warm yet."""


class Watcher:
    """Subscribes to one topic and returns the time of the next message."""

    def __init__(self, port: int, topic: str) -> None:
        self.payload = b""
        self._came = threading.Event()
        self._at = 0.0
        self._there = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.on_message = self._heard
        self._client.on_subscribe = lambda *_: self._there.set()
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(topic, qos=1)
        self._client.loop_start()
        if not self._there.wait(eight_channels.PATIENCE_S):
            raise TimeoutError("the subscriber could not subscribe")

    def _heard(self, _: Client, __: object, message: MQTTMessage) -> None:
        self._at = time.perf_counter()
        self.payload = bytes(message.payload)
        self._came.set()

    def after(self, deed: Callable[[], object]) -> float:
        """Returns the seconds from just before `deed` until the next message."""
        self._came.clear()
        began = time.perf_counter()
        deed()
        if not self._came.wait(eight_channels.PATIENCE_S):
            raise TimeoutError("nothing arrived")
        return self._at - began

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def install_driver(folder: Path) -> Path:
    """Installs the driver and its entry point, as a package does."""
    (folder / "bench_pipe.py").write_text(DRIVER)
    about = folder / "bench_pipe-0.dist-info"
    about.mkdir(parents=True)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: bench-pipe\nVersion: 0\n")
    (about / "entry_points.txt").write_text("[stillwell.drivers]\nbench-pipe = bench_pipe:Piped\n")
    return folder


def timed(
    ours: tuple[Watcher, int], bare: tuple[Watcher, int], count: int
) -> tuple[list[float], list[float]]:
    """Returns the times of changes to both, in turn, at uneven moments; sorted."""
    seeded = random.Random(1)
    times: tuple[list[float], list[float]] = ([], [])
    for n in range(count + WARM):
        line = f"{n % 200 / 10 - 10:.1f}\n".encode()
        for (watcher, pipe), of_one in zip((ours, bare), times, strict=True):
            took = watcher.after(lambda line=line, pipe=pipe: os.write(pipe, line))  # type: ignore[misc]
            if n >= WARM:
                of_one.append(took)
            time.sleep(seeded.uniform(0.005, 0.035))
    return sorted(times[0]), sorted(times[1])


@contextlib.contextmanager
def piped(path: Path) -> Iterator[int]:
    """Returns the writing end of a named pipe, without waiting for a reader."""
    os.mkfifo(path)
    end = os.open(path, os.O_RDWR)
    try:
        yield end
    finally:
        os.close(end)


def measure(quick: bool) -> list[Line]:
    count = 100 if quick else 1000
    with tempfile.TemporaryDirectory() as name, eight_channels.broker(Path(name)) as port:
        folder = Path(name)
        pipe = folder / "pipe"
        config = eight_channels.configuration(
            folder, every="1 s", port=port, more=SOURCE.format(pipe=pipe)
        )
        (folder / "packages").mkdir()
        packages = install_driver(folder / "packages")
        with (
            piped(pipe) as to_ours,
            piped(folder / "bare") as to_bare,
            eight_channels.live(config, path=packages),
        ):
            ours = Watcher(port, "stillwell/reading-room/reading/probe")
            ours.after(lambda: os.write(to_ours, b"0.0\n"))
            form = "VALUE" + "." * max(0, len(ours.payload) - 5)
            process = subprocess.Popen(
                [sys.executable, "-c", BARE, folder / "bare", str(port), "bare/probe", form]
            )
            bare = Watcher(port, "bare/probe")
            times = timed((ours, to_ours), (bare, to_bare), count)
            ours.close()
            bare.close()
            process.terminate()
            process.wait()
    against = "a bare paho publish"
    return [
        Line(
            f"change to subscriber, p{percent}",
            1000 * times[0][count * percent // 100],
            "ms",
            1000 * times[1][count * percent // 100],
            against,
            3 if percent == 99 else None,
        )
        for percent in (50, 99)
    ]


if __name__ == "__main__":
    main(measure, __doc__)
