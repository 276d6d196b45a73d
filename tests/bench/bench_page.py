"""What the page costs: the first byte of every screen over five years against a bare "hello" by the
same server, and against the same screen over a week; memory. Now is measured as it is asked again
(worked out for all who look), and anew, after the store has changed.

Run it: .venv/bin/python tests/bench/bench_page.py
"""

from __future__ import annotations

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


def anew_ms(port: int, path: str, store: Path, times: int = 12) -> float:
    """Returns the median of the first byte where the store has changed since the last visit."""
    took = []
    for _ in range(times):
        os.utime(store)
        took.append(first_byte_ms(port, path, 1))
    return sorted(took)[len(took) // 2]


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


BARE = """
import uvicorn
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route
app = Starlette(routes=[Route("/", lambda _: PlainTextResponse("hello"))])
uvicorn.run(app, port=18311, http="h11", log_level="error")
"""


def hello() -> subprocess.Popen[bytes]:
    """Starts a bare server, in a process like ours."""
    bare = subprocess.Popen([sys.executable, "-c", BARE])
    while True:
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", 18_311)).close()
            return bare
        time.sleep(0.05)


def main() -> None:
    here = f"/tank/{NAME}"
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
        young, old = lived(Path(one), 2.5), lived(Path(other), 2.5)
        grown(young, 7)
        grown(old, 5 * 365)
        bare_server = hello()
        compiled = Path(one) / "compiled"
        Served(young, 18_312, compiled=compiled).stop()
        few, many = (
            Served(config, port, compiled=compiled)
            for config, port in ((young, 18_312), (old, 18_313))
        )
        print(f"memory before the first visit: {many.memory_mib():.0f} MiB")
        bare = first_byte_ms(18_311, "/")
        print(f"a bare hello: {bare:.2f} ms")
        rows = []
        for name, path, times in (
            ("now", "", TIMES),
            ("night", "/night", 20),
            ("book", "/book", 20),
            ("machine", "/machine", 20),
        ):
            week, years = (first_byte_ms(port, here + path, times) for port in (18_312, 18_313))
            rows.append((name, week, years))
        stores = (Path(one) / "tank.db", Path(other) / "tank.db")
        anew = [anew_ms(p, here, s) for p, s in zip((18_312, 18_313), stores, strict=True)]
        rows.append(("now, anew", anew[0], anew[1]))
        first_byte_ms(18_313, "/metrics", 3)
        print("| screen | a week, ms | five years, ms | ratio | x hello |\n|---|---|---|---|---|")
        for name, week, years in rows:
            print(
                f"| {name} | {week:.1f} | {years:.1f} | {years / week:.2f} | {years / bare:.1f} |"
            )
        print(f"memory after every screen and /metrics: {many.memory_mib():.0f} MiB")
        for each in (few, many):
            each.stop()
        bare_server.kill()


if __name__ == "__main__":
    main()
