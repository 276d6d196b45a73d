"""What the sinks cost: memory of each import, back-fill against a bare write_api loop on the same
server, push hand-over against a bare notify.

    .venv/bin/python tests/bench/bench_sinks.py [readings]

Prints ratios from one run (ours / reference); nothing here asserts a time.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from far_sides import Receiver, Says, Victoria
from stillwell.deliver.influx import Influx, InfluxSettings
from stillwell.deliver.outbox import Outbox
from stillwell.deliver.push import Push, PushSettings
from stillwell.notice import Notice, Priority
from stillwell.ports import Row, Stream
from stillwell.reading import Flag, Moment, Quantity, Reading
from stillwell.store import Store

BEGAN = 1_700_000_000_000


def memory_of(code: str) -> int:
    """KiB that a fresh interpreter holds at its peak after `code`."""
    said = subprocess.run(
        [
            sys.executable,
            "-W",
            "ignore",
            "-c",
            f"{code}\nimport resource; print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    return int(said.stdout)


def peak_kib() -> int:
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def imports() -> None:
    base = memory_of("import stillwell.wire")
    print(f"daemon's own modules: {base / 1024:.0f} MiB")
    for name, code in (
        ("influxdb-client", "from influxdb_client import InfluxDBClient"),
        ("apprise", "import apprise; apprise.Apprise.instantiate('json://h')"),
    ):
        more = memory_of(f"import stillwell.wire\n{code}") - base
        print(f"  with {name}: + {more / 1024:.0f} MiB")


def back_fill(folder: Path, port: int, n: int) -> None:
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
    server = Victoria(folder / "victoria", port)
    server.start()
    try:
        lines = [
            f"bare,channel=water-a value={25.0 + i % 9},flag=1i {BEGAN + i * 1000}"
            for i in range(n)
        ]
        client = InfluxDBClient(server.url, "t", org="o")
        api = client.write_api(write_options=SYNCHRONOUS)
        began = time.perf_counter()
        for start in range(0, n, 1000):
            api.write("b", "o", lines[start : start + 1000], write_precision="ms")  # type: ignore[arg-type]
        bare_s = time.perf_counter() - began
        del lines
        sink = Influx("history", "t", InfluxSettings(url=server.url))
        sink.use_channels({"water-a": Quantity.TEMPERATURE})
        box = Outbox("history", sink, store.tail, {}, store.move_cursor)
        idle = peak_kib()
        began = time.perf_counter()
        while box.health.accepted < n:
            box.step(time.monotonic())
        ours_s = time.perf_counter() - began
        print(
            f"back-fill of {n} readings: {n / ours_s:.0f} a second, bare write_api "
            f"{n / bare_s:.0f}; ratio of times {ours_s / bare_s:.2f}; "
            f"peak memory + {(peak_kib() - idle) / 1024:.1f} MiB"
        )
        box.close()
    finally:
        server.kill()
        store.close()


def push(n: int = 200) -> None:
    import apprise

    hook = Receiver()
    hook.answer = lambda asked: Says(200)
    url = f"json://127.0.0.1:{hook.port}/"
    sink = Push("n", "t", PushSettings.model_validate({"url": url}))
    sink.open()
    now = Moment(0, time.time_ns() // 1_000_000)
    bare = apprise.Apprise()
    bare.add(url)
    times = {"bare": 0.0, "ours": 0.0}
    for i in range(n):
        began = time.perf_counter()
        bare.notify(title="Water low", body="Water low. Look at it.")
        times["bare"] += time.perf_counter() - began
        notice = Notice(f"k{i}", "a", "raised", Priority.HIGH, now, "Water low", "Look at it.")
        began = time.perf_counter()
        sink.send([Row(Stream.NOTICES, i + 1, notice)])
        times["ours"] += time.perf_counter() - began
    hook.close()
    print(
        f"push hand-over: {times['ours'] / n * 1000:.2f} ms, bare notify "
        f"{times['bare'] / n * 1000:.2f} ms; ratio {times['ours'] / times['bare']:.2f}"
    )


if __name__ == "__main__":
    import socket

    with socket.create_server(("127.0.0.1", 0)) as probe:
        free = probe.getsockname()[1]
    imports()
    with tempfile.TemporaryDirectory() as name:
        back_fill(Path(name), free, int(sys.argv[1]) if len(sys.argv) > 1 else 86_400)
    push()
