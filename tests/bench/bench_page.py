"""What the page costs: the first byte of every screen over five years against a bare "hello" by the
same server, and against the same screen over a week; its CPU time, which other work on the machine
does not lengthen; memory. Now is measured as it is asked again (worked out for all who look), at
once after the store has changed, and after the page has had the time to look at that (3 s); the
"hello" beside these has been left alone for as long. The first visit of all is the start too.

Run it: .venv/bin/python tests/bench/bench_page.py [--days 1825]
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import os
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from page_tank import NAME, Served, lived
from stillwell.entry import Entry
from stillwell.ports import Published
from stillwell.store import Store, StoreReader

DAY = 86_400_000
NAMES = ("level.now", "level.rate", "level.to-mark", "level.reserve")
TIMES = 300


def grown(config: Path, days: int) -> None:
    """Puts years before a tank's days: a pour a day, a check a week, four estimates an hour, and
    of each channel the means of every ten minutes."""
    path = config.with_name("tank.db")
    with StoreReader.open(path) as reader:
        span = reader.span()
    assert span is not None
    store = Store.open(path, bulk=True)
    for day in range(days):
        at = span[0] - (days - day) * DAY
        store.put_journal(Entry("pour", at, 540.0, "mL"))
        if day % 7 == 0:
            store.put_journal(Entry("salinity", at, 35.0, "ppt"))
        for hour in range(24):
            when = at + hour * 3_600_000
            store.put_estimates([Published(n, when, "mL", 10.0, -50.0, 70.0, "") for n in NAMES])
    store.commit()
    store.close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        first = (span[0] // 600_000 - days * 144) * 600_000
        db.execute(
            "INSERT INTO tenmin WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n "
            "WHERE i < ?) SELECT c.id, ? + i * 600000, 20, 20, 25.2, 25.3, 25.4 FROM channel c, n",
            (days * 144 - 1, first),
        )
        db.commit()


def anew_ms(
    served: Served, path: str, store: Path, wait_s: float
) -> tuple[tuple[float, float], float]:
    """Returns the medians of the first byte and of the CPU time, in ms, where the store has changed
    this long before the visit, and of the first byte of a "hello" at the same moments. Each visit
    has a connection of its own."""
    took, least = [], []
    for _ in range(6 if wait_s else 12):
        os.utime(store)
        time.sleep(wait_s)
        took.append(cost_ms(served, path, 1))
        least.append(first_byte_ms(BARE_PORT, "/", 1))
    first, cpu, hello = (sorted(some)[len(took) // 2] for some in (*zip(*took, strict=True), least))
    return (first, cpu), hello


def cost_ms(served: Served, path: str, times: int) -> tuple[float, float]:
    """Returns the median of the first byte and the mean of the CPU time, in ms."""
    before = cpu_ms(served)
    first = first_byte_ms(served.port, path, times)
    return first, (cpu_ms(served) - before) / times


def cpu_ms(served: Served) -> float:
    """Returns the CPU time of all threads of a process so far."""
    tasks = Path(f"/proc/{served.process.pid}/task").glob("*/schedstat")
    return sum(int(task.read_text(encoding="ascii").split()[0]) for task in tasks) / 1e6


def first_byte_ms(port: int, path: str, times: int = TIMES) -> float:
    """Returns the median, on a connection that is kept open."""
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    took = []
    for _ in range(times):
        begun = time.perf_counter()
        line.request("GET", path)
        answer = line.getresponse()
        took.append(time.perf_counter() - begun)
        answer.read()
    line.close()
    return sorted(took)[len(took) // 2] * 1000


BARE_PORT = 18_311
BARE = f"""
import uvicorn
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route
app = Starlette(routes=[Route("/", lambda _: PlainTextResponse("hello"))])
uvicorn.run(app, port={BARE_PORT}, http="h11", log_level="error")
"""


def hello() -> subprocess.Popen[bytes]:
    """Starts a bare server, in a process like ours."""
    bare = subprocess.Popen([sys.executable, "-c", BARE])
    while True:
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", BARE_PORT)).close()
            return bare
        time.sleep(0.05)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=5 * 365, help="of the old store; less: sooner")
    asked = parser.parse_args()
    here = f"/tank/{NAME}"
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
        young, old = lived(Path(one), 2.5), lived(Path(other), 2.5)
        grown(young, 7)
        grown(old, asked.days)
        bare_server = hello()
        compiled = Path(one) / "compiled"
        Served(young, 18_312, compiled=compiled).stop()
        few, many = (
            Served(config, port, compiled=compiled)
            for config, port in ((young, 18_312), (old, 18_313))
        )
        print(f"memory before the first visit: {many.memory_mib():.0f} MiB")
        print(f"CPU time of the start: {cpu_ms(many):.0f} ms", end="")
        for which in ("the first visit", "the second"):
            first, cpu = cost_ms(many, here, 1)
            print(f"; {which}: {first:.0f} ms (CPU {cpu:.0f})", end="")
        print()
        bare = first_byte_ms(BARE_PORT, "/")
        print(f"a bare hello: {bare:.2f} ms")
        rows: list[tuple[str, list[tuple[float, float]], float]] = []
        for name, path, times in (
            ("now", "", TIMES),
            ("night", "/night", 20),
            ("book", "/book", 20),
            ("machine", "/machine", 20),
        ):
            rows.append((name, [cost_ms(each, here + path, times) for each in (few, many)], bare))
        stores = (Path(one) / "tank.db", Path(other) / "tank.db")
        for name, wait_s in (
            ("now, at once after a change", 0.0),
            ("now, 4 s after a change", 4.0),
        ):
            both = zip((few, many), stores, strict=True)
            (young_cost, _), (old_cost, least) = (anew_ms(e, here, at, wait_s) for e, at in both)
            rows.append((name, [young_cost, old_cost], least))
        first_byte_ms(18_313, "/metrics", 3)
        print(
            f"| screen | a week, ms (CPU) | {asked.days} d, ms (CPU) | ratio of CPU | x hello |\n"
            "|---|---|---|---|---|"
        )
        for name, ((week, week_cpu), (years, years_cpu)), least in rows:
            print(
                f"| {name} | {week:.1f} ({week_cpu:.1f}) | {years:.1f} ({years_cpu:.1f}) "
                f"| {years_cpu / week_cpu:.2f} | {years / least:.1f} |"
            )
        print(f"memory after every screen and /metrics: {many.memory_mib():.0f} MiB")
        for each in (few, many):
            each.stop()
        bare_server.kill()


if __name__ == "__main__":
    main()
