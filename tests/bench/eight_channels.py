"""What the benches measure: a tank of eight channels, as a configuration, as a stream of samples,
and as a live daemon in a process of its own."""

from __future__ import annotations

import contextlib
import json
import math
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from stillwell.reading import Sample
from stillwell.settings import Settings, load

STILLWELL = Path(sys.executable).with_name("stillwell")
MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
START_MS = 1_735_689_600_000
"""2025-01-01T00:00:00Z."""
PATIENCE_S = 30.0

CONFIG = """
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"

[store]
path = "{store}"

[source.tank]
driver = "simulated"
every = "{every}"
seed = 7
[source.tank.channels]
water-a = {{ sees = "water", noise = "0.03 K" }}
water-b = {{ sees = "water-b", noise = "0.03 K" }}
room = {{ sees = "room" }}
humidity = {{ sees = "humidity" }}
level = {{ sees = "level", noise = "1 mm" }}
float-low = {{ sees = "float", height = "-40 mm", differential = "2 mm" }}
float-mid = {{ sees = "float", height = "-5 mm", differential = "2 mm" }}
float-high = {{ sees = "float", height = "10 mm", differential = "2 mm" }}

[channel]
water-a = {{ quantity = "temperature" }}
water-b = {{ quantity = "temperature" }}
room = {{ quantity = "temperature" }}
humidity = {{ quantity = "humidity" }}
level = {{ quantity = "level" }}
float-low = {{ quantity = "float", height = "-40 mm", differential = "2 mm" }}
float-mid = {{ quantity = "float", height = "-5 mm", differential = "2 mm" }}
float-high = {{ quantity = "float", height = "10 mm", differential = "2 mm" }}

[agreement.water]
of = ["water-a", "water-b"]
within = "0.5 K"

[band.water]
of = ["water-a", "water-b"]
target = "25.3 degC"
tolerance = "0.5 K"
deadband = "0.1 K"
on_delay = "5 min"
off_delay = "5 min"
rate = "1.5 K/h"

[state.top-up]
of = "float-low"
wrong = "below"
on_delay = "30 min"
"""

BROKER = """
[sink.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
"""


def configuration(
    folder: Path, *, every: str = "1 min", port: int | None = None, more: str = ""
) -> Path:
    """Writes the configuration of the tank; its store is `folder`/tank.db."""
    text = CONFIG.format(store=folder / "tank.db", every=every)
    if port is not None:
        text += BROKER.format(port=port)
    path = folder / "stillwell.toml"
    path.write_text(text + more, encoding="utf-8")
    return path


def settings(folder: Path) -> Settings:
    return load(configuration(folder))


def stream(minutes: int, every_s: int = 60) -> Iterator[tuple[int, tuple[Sample, ...]]]:
    """Eight channels as their sensors give them, in chronological order: (UTC ms, samples).

    A heater's saw, a room's day, a gauge's noise, and floats that turn over now and then: every
    value is new work for somebody, and nothing is wrong with the tank.
    """
    seeded = random.Random(20250610)
    noise = [seeded.gauss(0, 1) for _ in range(4096)]
    for minute in range(minutes):
        n = minute * 7
        water = 25.3 + 0.2 * math.sin(minute / 40)
        mid = 0.5 + 0.5 * math.sin(minute / 700)
        yield (
            START_MS + minute * every_s * 1000,
            (
                Sample("water-a", round((water + 0.03 * noise[n & 4095]) * 16) / 16),
                Sample("water-b", round((water + 0.03 * noise[n + 1 & 4095]) * 16) / 16),
                Sample("room", round((21 + 2 * math.sin(minute / 230)) * 16) / 16),
                Sample("humidity", round(50 + 8 * math.sin(minute / 300) + noise[n + 2 & 4095], 1)),
                Sample("level", round(-3 + math.sin(minute / 900) + noise[n + 3 & 4095], 1)),
                Sample("float-low", 1.0),
                Sample("float-mid", round(mid * 60) / 60),
                Sample("float-high", 0.0),
            ),
        )


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


@contextlib.contextmanager
def broker(folder: Path) -> Iterator[int]:
    """Starts a mosquitto on a free port of 127.0.0.1; yields the port."""
    port = free_port()
    config = folder / "mosquitto.conf"
    lines = [f"listener {port} 127.0.0.1", "allow_anonymous true", "max_queued_messages 100000"]
    if os.geteuid() == 0:
        lines.append("user root")
    config.write_text("\n".join(lines) + "\n")
    with (folder / "mosquitto.log").open("wb") as log:
        process = subprocess.Popen([MOSQUITTO, "-c", str(config)], stdout=log, stderr=log)
    try:
        _wait_for_port(port)
        yield port
    finally:
        process.terminate()
        process.wait()


def _wait_for_port(port: int) -> None:
    end = time.monotonic() + PATIENCE_S
    while True:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
            return
        if time.monotonic() > end:
            raise TimeoutError(f"nothing listens on port {port}")
        time.sleep(0.01)


@dataclass(frozen=True)
class Usage:
    """What the kernel reports about a process."""

    cpu_s: float
    resident_kib: int
    anonymous_kib: int
    """The memory that belongs to no file: it is what counts when memory is short or swapped."""
    threads: int
    wakes: int
    """Voluntary context switches of all threads since their start."""


def usage(pid: int) -> Usage:
    status = _status(Path(f"/proc/{pid}/status"))
    threads = list(Path(f"/proc/{pid}/task").iterdir())
    tasks = [_status(task / "status") for task in threads]
    # In nanoseconds; the clock ticks of /proc/PID/stat miss whatever is over within one.
    ran = [int((task / "schedstat").read_text().split()[0]) for task in threads]
    return Usage(
        sum(ran) / 1e9,
        int(status["VmRSS"].split()[0]),
        int(status["RssAnon"].split()[0]),
        int(status["Threads"]),
        sum(int(task["voluntary_ctxt_switches"]) for task in tasks),
    )


def _status(path: Path) -> dict[str, str]:
    pairs = (line.partition(":") for line in path.read_text().splitlines())
    return {key: value.strip() for key, _, value in pairs}


WRAPPED = """
import atexit, json, os, sys
def note():
    with open(os.environ["BENCH_MODULES"], "w") as out:
        json.dump(sorted(sys.modules), out)
atexit.register(note)
from stillwell.cli.main import main
main()
"""
"""`stillwell` with one thing added: at its end it writes down what it had imported."""

BARE = """
import importlib, json, sys
for name in json.load(open(sys.argv[1])):
    try:
        importlib.import_module(name)
    except Exception:
        pass
print("ready", flush=True)
sys.stdin.readline()
"""
"""An interpreter that imports the same libraries and does nothing."""


@dataclass(frozen=True)
class Live:
    """A live daemon."""

    pid: int
    ready_s: float
    """The time from the start of the process until it told systemd that it was ready."""


@contextlib.contextmanager
def live(config: Path, *, modules: Path | None = None, path: Path | None = None) -> Iterator[Live]:
    """`stillwell run`, ready, ended by SIGTERM.

    Args:
        modules: where to write down, at the end, what it had imported.
        path: a folder with further packages.
    """
    address = config.with_name("notify")
    address.unlink(missing_ok=True)
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notified,
        config.with_name("daemon.log").open("wb") as log,
    ):
        notified.bind(str(address))
        notified.settimeout(PATIENCE_S)
        environ = os.environ | {"NOTIFY_SOCKET": str(address)}
        if path is not None:
            environ["PYTHONPATH"] = str(path)
        command: Sequence[str] = [str(STILLWELL)]
        if modules is not None:
            environ["BENCH_MODULES"] = str(modules)
            command = [sys.executable, "-c", WRAPPED]
        began = time.monotonic()
        process = subprocess.Popen(
            [*command, "run", "-c", str(config)], stdout=log, stderr=log, env=environ
        )
        try:
            while b"READY=1" not in notified.recv(4096):
                pass
            yield Live(process.pid, time.monotonic() - began)
        except TimeoutError:
            raise RuntimeError(config.with_name("daemon.log").read_text()) from None
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait()


@contextlib.contextmanager
def bare(modules: Path) -> Iterator[Live]:
    """Runs an interpreter that has imported what `modules` lists, except what is ours."""
    foreign = [
        name
        for name in json.loads(modules.read_text())
        if name.partition(".")[0] not in ("stillwell", "stillwell_drivers", "__main__")
    ]
    listed = modules.with_suffix(".foreign")
    listed.write_text(json.dumps(foreign))
    began = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-c", BARE, str(listed)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        process.stdout.readline()
        yield Live(process.pid, time.monotonic() - began)
    finally:
        process.stdin.close()
        process.wait()
        process.stdout.close()
