"""What the page costs: the first byte of Now over five years of a book against a bare "hello" by
the same server, a night of five years against one of a week, memory.

Run it: .venv/bin/python tests/bench/bench_page.py
"""

from __future__ import annotations

import contextlib
import http.client
import socket
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
    """Puts years before a tank's days: a pour a day, a check a week, four estimates an hour."""
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
        few, many = Served(young, 18_312), Served(old, 18_313)
        print(f"memory, idle: {many.memory_mib():.0f} MiB")
        bare = first_byte_ms(18_311, "/")
        now, night = first_byte_ms(18_313, here), first_byte_ms(18_313, f"{here}/night", 12)
        now_young = first_byte_ms(18_312, here)
        night_young = first_byte_ms(18_312, f"{here}/night", 12)
        print(f"first byte: hello {bare:.1f} ms, now {now:.1f} ms ({now / bare:.1f} x)")
        print(f"now, five years against a week: {now / now_young:.2f} x")
        print(f"night: {night:.0f} ms; five years against a week: {night / night_young:.2f} x")
        for path in ("/book", "/machine"):
            first_byte_ms(18_313, here + path, 3)
        print(f"memory after every screen: {many.memory_mib():.0f} MiB")
        for each in (few, many):
            each.stop()
        bare_server.kill()


if __name__ == "__main__":
    main()
