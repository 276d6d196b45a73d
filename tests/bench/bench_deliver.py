"""The last part of an alarm's way, and what the sinks cost.

    python tests/bench/bench_deliver.py [--quick]

- an alarm kept in the store until a subscriber has it, through outbox and MQTT sink on their
  thread, beside a bare paho publish to the same subscriber;
- hand-over to push services, a web hook and a mail server of the bench's own, beside a bare Apprise
  notify to the same;
- back-fill of a time-series server (VictoriaMetrics) beside a bare write_api loop on the same
  server, and the memory that it takes on top of idle;
- memory and time of each sink's import beside the daemon without it.

Mosquitto and VictoriaMetrics must be installed.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import Any

from table import Line, main

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from far_sides import Mailbox, Receiver, Says, Victoria
from real_broker import Broker
from stillwell.deliver.mqtt import Mqtt, MqttSettings
from stillwell.deliver.outbox import Outbox, OutboxThread
from stillwell.deliver.push import Push, PushSettings
from stillwell.notice import Notice, Priority, Prose
from stillwell.ports import Row, Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store
from stillwell.words import Reader

BEGAN = 1_700_000_000_000
APPRISE_HOLDS_S = 6.0
"""Apprise makes a mail account wait 5.5 s between two messages; that is no part of handing over."""
TOPIC = "stillwell/reading-room/notice"


def free_port() -> int:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


def notice(key: str) -> Notice:
    now = Moment(0, time.time_ns() // 1_000_000, 1)
    return Notice(key, "water.low", "raised", Priority.HIGH, now, Prose("Water low", "Look at it."))


class Ear:
    """A subscriber that wakes whoever waits for a message."""

    def __init__(self, port: int, topic: str) -> None:
        self.came = threading.Event()
        ready = threading.Event()
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.on_connect = lambda *_: self.client.subscribe(topic, qos=1)  # type: ignore[assignment]
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.on_message = lambda *_: self.came.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        ready.wait()

    def time(self, deed: Callable[[], object]) -> float:
        """Returns the seconds from an action to the message that it causes."""
        self.came.clear()
        began = time.perf_counter()
        deed()
        if not self.came.wait(20):
            raise TimeoutError("no message came")
        return time.perf_counter() - began


@contextmanager
def mosquitto(folder: Path) -> Iterator[Broker]:
    one = Broker(folder, free_port(), [])
    one.start()
    try:
        yield one
    finally:
        one.kill()


def to_a_subscriber(folder: Path, n: int) -> Line:
    with mosquitto(folder) as broker:
        store = Store.open(folder / "tank.db")
        store.begin_epoch("boot", Moment(0, BEGAN, 0), True)
        settings = MqttSettings.model_validate({"host": "127.0.0.1", "port": broker.port})
        sink = Mqtt("broker", "reading-room", settings)
        sink.use_words(Reader())
        # The cursor is not kept here: it is kept by the pipeline's thread, after the message.
        box = Outbox("broker", sink, store.tail, {}, lambda *_: None)
        thread = OutboxThread(box)
        thread.start()
        ear, bare_ear = Ear(broker.port, TOPIC), Ear(broker.port, "bare")
        bare = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        bare.connect("127.0.0.1", broker.port)
        bare.loop_start()
        ear.time(lambda: store.put_notice(notice("warm")))
        ours, reference = [], []
        for i in range(n):
            one = notice(f"k{i}")
            ours.append(ear.time(lambda one=one: store.put_notice(one)))  # type: ignore[misc]
            reference.append(bare_ear.time(lambda: bare.publish("bare", b"x" * 200, qos=1)))
        thread.stop()
        for client in (ear.client, bare_ear.client, bare):
            client.loop_stop()
        store.close()
    return Line(
        "alarm kept -> subscriber (median)",
        median(ours) * 1000,
        "ms",
        median(reference) * 1000,
        "a bare paho publish at QoS 1, without a store",
    )


def handed_over(url: str, n: int, pause_s: float = 0.0) -> tuple[float, float]:
    """Returns the milliseconds of ours and of a bare notify, median; each pair after a pause."""
    import apprise

    sink = Push("niamh", "reading-room", PushSettings.model_validate({"url": url}))
    sink.use_words(Reader())
    sink.open()
    bare = apprise.Apprise()
    bare.add(url)
    ours, reference = [], []
    for i in range(n):
        row = Row(Stream.NOTICES, i + 1, notice(f"k{i}"))
        time.sleep(pause_s)
        began = time.perf_counter()
        outcome = sink.send([row])
        ours.append(time.perf_counter() - began)
        began = time.perf_counter()
        taken = bare.notify(title="Water low", body="Look at it.")
        reference.append(time.perf_counter() - began)
        if outcome.accepted != 1 or not taken:
            raise RuntimeError("the receiver did not take it")
    return median(ours) * 1000, median(reference) * 1000


def push(n: int) -> list[Line]:
    hook, box = Receiver(), Mailbox()
    hook.answer = lambda asked: Says(200)
    try:
        web = handed_over(f"json://127.0.0.1:{hook.port}/", n)
        mail = handed_over(
            f"mailto://127.0.0.1:{box.port}?mode=insecure"
            "&from=tank@example.org&to=niamh@example.org",
            max(2, n // 60),
            APPRISE_HOLDS_S,
        )
    finally:
        hook.close()
        box.close()
    against = "a bare Apprise notify"
    return [
        Line("push hand-over, web hook (median)", web[0], "ms", web[1], against),
        Line("push hand-over, mail (median)", mail[0], "ms", mail[1], against),
    ]


PRINT = """
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(time.perf_counter() - began, peak.split()[1])
"""
# Not ru_maxrss: a child has that of its parent to begin with.

BACK_FILL = (
    """
import sys, time
from pathlib import Path
from stillwell.deliver.influx import Influx, InfluxSettings
from stillwell.deliver.outbox import Outbox
from stillwell.reading import Quantity
from stillwell.ports import Stream
from stillwell.store import Store
folder, url, n = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
store = Store.open(folder / "tank.db")
sink = Influx("history", "t", InfluxSettings(url=url))
sink.use_channels({"water-a": Quantity.TEMPERATURE})
# An idle daemon has sent something, so that what sending needs is loaded.
start = {} if n else {Stream.READINGS: store.tail.newest(Stream.READINGS) - 1}
box = Outbox("history", sink, store.tail, start, store.move_cursor)
box.step(time.monotonic())
began = time.perf_counter()
while box.health.accepted < n:
    box.step(time.monotonic())
"""
    + PRINT
)


def filled(folder: Path, url: str, n: int) -> tuple[float, float]:
    """Seconds, and MiB at the peak, of a process that sends `n` rows (0: the last one, as a sink
    does that idles)."""
    said = subprocess.run(
        [sys.executable, "-c", BACK_FILL, str(folder), url, str(n)],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    return float(said[0]), int(said[1]) / 1024


def back_fill(folder: Path, n: int) -> list[Line]:
    from influxdb_client.client.influxdb_client import InfluxDBClient
    from influxdb_client.client.write_api import SYNCHRONOUS

    store = Store.open(folder / "tank.db", bulk=True)
    store.begin_epoch("boot", Moment(0, BEGAN, 0), True)
    for start in range(0, n, 10_000):
        store.put(
            [
                Reading("water-a", Moment(i * 1000, BEGAN + i * 1000, 1), 25.0 + i % 9, Flag.PASS)
                for i in range(start, min(n, start + 10_000))
            ]
        )
        store.commit()
    store.close()
    server = Victoria(folder / "victoria", free_port())
    server.start()
    try:
        lines = [
            f"bare,channel=water-a value={25.0 + i % 9},flag=1i {BEGAN + i * 1000}"
            for i in range(n)
        ]
        client = InfluxDBClient(server.url, "t", org="o")
        api: Any = client.write_api(write_options=SYNCHRONOUS)
        began = time.perf_counter()
        for start in range(0, n, 1000):
            api.write("b", "o", lines[start : start + 1000], write_precision="ms")
        bare_s = time.perf_counter() - began
        _, idle_mib = filled(folder, server.url, 0)
        ours_s, peak_mib = filled(folder, server.url, n)
    finally:
        server.kill()
    what = f"back-fill of {n:,} readings"
    return [
        Line(
            f"{what}: a reading",
            ours_s / n * 1e6,
            "µs",
            bare_s / n * 1e6,
            "a bare write_api loop over lines that are made already",
            digits=1,
        ),
        Line(
            f"{what}: memory",
            peak_mib,
            "MiB",
            idle_mib,
            "the same process, idle (one sent)",
            digits=1,
        ),
    ]


def cost_of(code: str) -> tuple[float, float]:
    """Returns seconds and MiB of a fresh interpreter that runs `code`."""
    measure = f"import time\nbegan = time.perf_counter()\n{code}\n{PRINT}"
    said = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", measure], capture_output=True, text=True, check=True
    ).stdout.split()
    return float(said[0]), int(said[1]) / 1024


SINKS = {
    "mqtt": "from stillwell.deliver.mqtt import Mqtt",
    "ping": "from stillwell.deliver.ping import Ping",
    "influx": "from influxdb_client import InfluxDBClient; import stillwell.deliver.influx",
    "push": (
        "import apprise; apprise.Apprise.instantiate('json://h')\nimport stillwell.deliver.push"
    ),
}


def imports(n: int) -> list[Line]:
    daemon = "import stillwell.wiring.assemble"
    cost_of(daemon)  # what is compiled for the first time is compiled now
    base = [cost_of(daemon) for _ in range(n)]
    base_s, base_mib = median(s for s, _ in base), median(m for _, m in base)
    lines = []
    for name, code in SINKS.items():
        costs = [cost_of(f"{daemon}\n{code}") for _ in range(n)]
        s, mib = median(s for s, _ in costs), median(m for _, m in costs)
        without = "the daemon without it"
        lines += [
            Line(f"sink {name}: memory", mib, "MiB", base_mib, without, digits=1),
            Line(f"sink {name}: import", s, "s", base_s, without),
        ]
    return lines


def measure(quick: bool) -> list[Line]:
    n = 50 if quick else 300
    lines: list[Line] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("subscriber", "fill"):
            (folder / part).mkdir()
        lines.append(to_a_subscriber(folder / "subscriber", n))
        lines += push(n)
        # 30 days of one channel a minute; in full of two channels each 30 s.
        lines += back_fill(folder / "fill", 43_200 if quick else 172_800)
    return lines + imports(1 if quick else 3)


if __name__ == "__main__":
    main(measure, __doc__)
