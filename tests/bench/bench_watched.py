"""Whether a daemon keeps its cadence while twenty browsers watch: real processes, a tank that is
read every second, once with nobody at the page and once with twenty streams of Now.

Run it: .venv/bin/python tests/bench/bench_watched.py [--seconds 60] [--browsers 20]
"""

from __future__ import annotations

import argparse
import socket
import subprocess
import sys
import tempfile
import threading
import time
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from command_line import STILLWELL
from free_ports import free_port
from page_tank import NAME, Served, configured, until
from stillwell.store import StoreReader


class Watched:
    """What the daemon did in a time."""

    def __init__(self, store: Path, pid: int, seconds: float) -> None:
        with StoreReader.open(store) as reader:
            before = reader.newest_ms() or 0
        cpu = _cpu_s(pid)
        time.sleep(seconds)
        self.cpu = (_cpu_s(pid) - cpu) / seconds
        self.rss_mib = _pages(pid) * 4096 / (1 << 20)
        with StoreReader.open(store) as reader:
            rows = list(reader.readings("water-a", before + 1, (reader.newest_ms() or 0) + 1))
        gaps = sorted(b.moment.mono_ms - a.moment.mono_ms for a, b in pairwise(rows))
        self.count = len(rows)
        self.median, self.worst = gaps[len(gaps) // 2], gaps[-1]
        self.tail = gaps[int(len(gaps) * 0.95)]


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / 100


def _pages(pid: int) -> int:
    return int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])


def stream(port: int, heard: list[int], number: int) -> socket.socket:
    """Opens one stream of Now, as a browser does, and counts its events."""
    line = socket.create_connection(("127.0.0.1", port), timeout=60)
    line.sendall(f"GET /tank/{NAME}/live HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())

    def listen() -> None:
        try:
            while part := line.recv(65_536):
                heard[number] += part.count(b"event: now")
        except OSError:
            return

    threading.Thread(target=listen, daemon=True).start()
    return line


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--browsers", type=int, default=20)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        config = configured(Path(folder), "1 s")
        store = config.with_name("tank.db")
        with (config.with_name("log")).open("wb") as log:
            daemon = subprocess.Popen([STILLWELL, "run", "-c", config], stdout=log, stderr=log)
        until(store.exists, "the store is made")
        time.sleep(15)
        page = Served(config, free_port())
        alone = Watched(store, daemon.pid, asked.seconds)
        heard = [0] * asked.browsers
        lines = [stream(page.port, heard, n) for n in range(asked.browsers)]
        time.sleep(5)
        seen = Watched(store, daemon.pid, asked.seconds)
        print(
            "| | readings | interval median, 95 %, worst (ms) | daemon CPU | daemon MiB |\n"
            "|---|---|---|---|---|"
        )
        for name, one in (("nobody looks", alone), (f"{asked.browsers} browsers", seen)):
            print(
                f"| {name} | {one.count} | {one.median:.0f}, {one.tail:.0f}, {one.worst:.0f} "
                f"| {100 * one.cpu:.1f} % | {one.rss_mib:.1f} |"
            )
        print(f"cadence, watched against alone: {seen.median / alone.median:.3f}")
        told = f"{min(heard)} to {max(heard)}"
        print(f"events of Now a browser: {told}; page {page.memory_mib():.1f} MiB")
        for line in lines:
            line.close()
        page.stop()
        daemon.terminate()
        daemon.wait(60)


if __name__ == "__main__":
    main()
