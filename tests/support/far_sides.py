"""The far sides of the sinks for the tests: real time-series servers on free ports, and small HTTP
and SMTP receivers of the tests' own."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socketserver
import subprocess
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import Message as Mail
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, ClassVar

import pytest

from free_ports import free_port
from real_broker import wait_until

VICTORIA = shutil.which("victoria-metrics")
INFLUXD = shutil.which("influxd")


class Server:
    """A process that listens on 127.0.0.1 and keeps its data in a folder."""

    def __init__(self, folder: Path, port: int) -> None:
        self.port = port
        self.url = f"http://127.0.0.1:{port}"
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        raise NotImplementedError

    def start(self) -> None:
        self._folder.mkdir(exist_ok=True)
        log = self._folder / "log"
        with log.open("ab") as file:
            self._process = subprocess.Popen(self.command(), stdout=file, stderr=file)
        process = self._process

        def answers() -> bool:
            if process.poll() is not None:
                pytest.fail(f"it ended at once:\n{log.read_text()[-2000:]}")
            with contextlib.suppress(OSError), urllib.request.urlopen(f"{self.url}/ping"):
                return True
            return False

        wait_until(answers, f"{self.command()[0]} answers")

    def kill(self) -> None:
        """Kills it with SIGKILL: what it has not written to disk is lost."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    @contextlib.contextmanager
    def frozen(self) -> Any:
        """Stops it with SIGSTOP: connections are accepted, and nothing is answered."""
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGSTOP)
        try:
            yield
        finally:
            os.kill(self._process.pid, signal.SIGCONT)


class Victoria(Server):
    """Debian's VictoriaMetrics."""

    def command(self) -> list[str]:
        assert VICTORIA is not None
        return [
            VICTORIA,
            f"-storageDataPath={self._folder / 'data'}",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            "-retentionPeriod=100y",
            "-search.latencyOffset=0s",
            "-dedup.minScrapeInterval=1ms",
        ]

    def points(self, metric: str, **labels: str) -> list[tuple[int, float]]:
        """Returns (ms, value) of all points of a metric, in order of time; equal ones once."""
        urllib.request.urlopen(f"{self.url}/internal/force_flush").close()
        chosen = ",".join([f'__name__="{metric}"', *(f'{k}="{v}"' for k, v in labels.items())])
        # Without an end the server leaves out what a fast clock has dated ahead of now.
        query = urllib.parse.urlencode({"match[]": "{" + chosen + "}", "end": "4102444800"})
        with urllib.request.urlopen(f"{self.url}/api/v1/export?{query}") as answer:
            found = [json.loads(line) for line in answer.read().splitlines()]
        return sorted(
            {pair for one in found for pair in zip(one["timestamps"], one["values"], strict=True)}
        )


class Influxd1(Server):
    """Debian's InfluxDB 1.6."""

    def command(self) -> list[str]:
        assert INFLUXD is not None
        config = self._folder / "influxdb.conf"
        backup = free_port()
        config.write_text(
            f"""reporting-disabled = true
bind-address = "127.0.0.1:{backup}"
[meta]
  dir = "{self._folder}/meta"
[data]
  dir = "{self._folder}/data"
  wal-dir = "{self._folder}/wal"
[http]
  bind-address = "127.0.0.1:{self.port}"
  auth-enabled = true
[monitor]
  store-enabled = false
"""
        )
        return [INFLUXD, "-config", str(config)]

    def ask(self, query: str, user: str = "", password: str = "", db: str = "tank") -> Any:
        fields = {"db": db, "epoch": "ms"}
        if user:
            fields |= {"u": user, "p": password}
        url = f"{self.url}/query?{urllib.parse.urlencode(fields)}"
        with urllib.request.urlopen(url, urllib.parse.urlencode({"q": query}).encode()) as answer:
            return json.load(answer)


@dataclass(frozen=True)
class Asked:
    """One request as the receiver got it."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes


@dataclass(frozen=True)
class Says:
    """What the receiver answers."""

    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""


class Receiver:
    """An HTTP server of the test's own: keeps what it is asked, answers what the test says.

    `answer` is asked for each request."""

    def __init__(self) -> None:
        self.asked: list[Asked] = []
        self.answer: Callable[[Asked], Says] = lambda asked: Says()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def _take(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                asked = Asked(self.command, self.path, dict(self.headers.items()), body)
                outer.asked.append(asked)
                says = outer.answer(asked)
                self.send_response(says.status)
                for key, value in says.headers.items():
                    self.send_header(key, value)
                if says.status != 204:
                    self.send_header("Content-Length", str(len(says.body)))
                self.end_headers()
                if says.status != 204:
                    self.wfile.write(says.body)

            do_GET = do_POST = _take  # noqa: N815 - the library's names

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002
                """Logs nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        self.url = f"http://127.0.0.1:{self.port}"
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


class Trickler:
    """A server of the test's own that begins to answer and never finishes: it sends a byte of a
    header now and then, sooner than any time limit for a single receive."""

    def __init__(self) -> None:
        over = self._over = threading.Event()

        class Session(socketserver.BaseRequestHandler):
            def handle(self) -> None:
                with contextlib.suppress(OSError):
                    self.request.recv(1 << 16)
                    self.request.sendall(b"HTTP/1.1 204 No Content\r\nX-Slow: ")
                    while not over.wait(0.1):
                        self.request.sendall(b"x")

        self._server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Session)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()

    def close(self) -> None:
        self._over.set()
        self._server.shutdown()
        self._server.server_close()


class Mailbox:
    """A mail server of the test's own, with as much of SMTP (RFC 5321) as one message needs."""

    def __init__(self) -> None:
        self.mails: list[Mail] = []
        self.refuses = False
        outer = self

        class Session(socketserver.StreamRequestHandler):
            greeting: ClassVar = b"220 test\r\n"

            def handle(self) -> None:
                self.wfile.write(self.greeting)
                while line := self.rfile.readline():
                    word = line[:4].upper()
                    if word == b"DATA":
                        if outer.refuses:
                            self.wfile.write(b"451 try later\r\n")
                            continue
                        self.wfile.write(b"354 go on\r\n")
                        body = b""
                        while (more := self.rfile.readline()) not in (b".\r\n", b""):
                            body += more.removeprefix(b".") if more.startswith(b"..") else more
                        outer.mails.append(message_from_bytes(body, policy=default))
                    elif word == b"QUIT":
                        self.wfile.write(b"221 bye\r\n")
                        return
                    self.wfile.write(b"250 ok\r\n")

        self._server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Session)
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def server() -> Iterator[Receiver]:
    """Accepts everything, as a time-series server does."""
    one = Receiver()
    yield one
    one.close()


@pytest.fixture
def hook() -> Iterator[Receiver]:
    """Accepts every message, as a push service does."""
    one = Receiver()
    one.answer = lambda asked: Says(200)
    yield one
    one.close()


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    one = Mailbox()
    yield one
    one.close()
