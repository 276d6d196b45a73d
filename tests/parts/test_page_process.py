"""The page as a process: how it is started and ends, and what it bears from a network."""

from __future__ import annotations

import contextlib
import http.client
import os
import resource
import socket
import ssl
import subprocess
import sys
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from command_line import STILLWELL
from far_sides import Victoria
from page_tank import (
    ACT,
    NAME,
    Served,
    configured,
    lived,
    tank_of,
    until,
    with_passphrases,
)
from real_broker import wait_until
from stillwell.entry import Entry
from stillwell.page.__main__ import opened
from stillwell.page.access import access_file
from stillwell.page.site import now_ms
from stillwell.ports import Stream
from stillwell.store import Store, StoreError, StoreReader
from stillwell.watching import WORK, WORK_KEY

HERE = f"/tank/{NAME}"
MODULE = [sys.executable, "-m", "stillwell.page"]
IDLE = 1_000


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return lived(tmp_path_factory.mktemp("tank"))


@pytest.fixture
def served(config: Path, free_port: int) -> Iterator[Served]:
    page = Served(config, free_port)
    yield page
    page.stop()


def answered(served: Served, path: str = HERE) -> int:
    try:
        with urllib.request.urlopen(served.base + path, timeout=60) as answer:
            answer.read()
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code


def said(port: int, text: bytes, patience_s: float = 60.0) -> bytes:
    """What comes back for bytes that are sent as they stand."""
    with socket.create_connection(("127.0.0.1", port), timeout=patience_s) as line:
        line.sendall(text)
        got = b""
        with contextlib.suppress(ConnectionError):
            while part := line.recv(65_536):
                got += part
        return got


class TestStarting:
    def test_beyond_this_machine_it_wants_a_passphrase(self, config: Path, free_port: int) -> None:
        access_file(tank_of(config).store).unlink(missing_ok=True)
        argv = [*MODULE, f"--config={config}", f"--listen=0.0.0.0:{free_port}"]
        done = subprocess.run(argv, capture_output=True, text=True, timeout=60)
        assert done.returncode == 2
        assert "--set-passphrase" in done.stderr

    def test_its_small_answers_do_not_wait_for_more(self) -> None:
        """asyncio turns Nagle's algorithm off where a socket says that it is one of TCP."""
        (one,) = opened("127.0.0.1:0")
        with one:
            assert one.proto == socket.IPPROTO_TCP

    def test_the_command_sets_it_and_prints_a_code_for_the_phone(self, config: Path) -> None:
        stillwell = Path(sys.executable).with_name("stillwell")
        own = access_file(tank_of(config).store)
        try:
            for typed, status in (("short\n", 2), ("four words are enough\n", 0)):
                done = subprocess.run(
                    [stillwell, "page", "--set-passphrase", "-c", config],
                    input=typed,
                    capture_output=True,
                    text=True,
                    timeout=60,
                )
                assert done.returncode == status, done.stderr
            assert "four words" not in own.read_text(encoding="utf-8")
        finally:
            own.unlink(missing_ok=True)
        done = subprocess.run(
            [stillwell, "page", "--qr", "-c", config], capture_output=True, text=True, timeout=60
        )
        assert done.stdout.rstrip().endswith("http://127.0.0.1:8080")
        assert "█" in done.stdout or "▀" in done.stdout

    def test_a_visit_starts_it_and_quiet_ends_it(self, config: Path, free_port: int) -> None:
        """By systemd's own tool for the hand-over of sockets."""
        starter = subprocess.Popen(
            [
                "systemd-socket-activate",
                "-l",
                f"127.0.0.1:{free_port}",
                *MODULE,
                f"--config={config}",
                "--ends-after=1",
            ],
            stderr=subprocess.DEVNULL,
        )
        try:
            wait_until(lambda: _listens(free_port), "systemd listens")
            assert b"200 OK" in said(
                free_port,
                f"GET {HERE} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode(),
            )
            assert starter.wait(60) == 0
        finally:
            starter.kill()
            starter.wait()


def _listens(port: int) -> bool:
    """Looked up and not tried: a connection would be a visit."""
    wanted = f"0100007F:{port:04X}"
    lines = Path("/proc/net/tcp").read_text(encoding="ascii").splitlines()
    return any(line.split()[1] == wanted and line.split()[3] == "0A" for line in lines[1:])


class TestWeight:
    def test_it_takes_at_most_60_mib_after_every_screen(
        self, config: Path, tmp_path: Path, free_port: int
    ) -> None:
        """With a salinity in the book that has to be converted, over and over again."""
        with Store.open(tank_of(config).store, bulk=True) as store:
            store.put_journal(Entry("salinity", now_ms() - 1_000, 1.0264, "sg 25/25 °C"))
            store.put_journal(Entry("salinity", now_ms() - 500, 53.1, "mS/cm at 25 degC"))
        Served(config, free_port, compiled=tmp_path).stop()
        page = Served(config, free_port, compiled=tmp_path)
        try:
            for path in ("", "/night", "/book", "/machine") * 3:
                assert answered(page, HERE + path) == 200
            assert answered(page, "/metrics") == 200
            assert page.memory_mib() <= 60
        finally:
            page.stop()


class TestFromANetwork:
    def test_who_sends_no_end_is_not_waited_for_and_keeps_nobody_out(self, served: Served) -> None:
        slow = []
        for _ in range(150):
            line = socket.create_connection(("127.0.0.1", served.port), timeout=60)
            with contextlib.suppress(ConnectionError):
                line.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")
            slow.append(line)
        assert answered(served) == 200
        for line in slow:
            with contextlib.suppress(ConnectionError):
                assert line.recv(4_096) == b""  # the page has ended it
            line.close()

    def test_a_thousand_idle_connections_keep_nobody_out(self, served: Served) -> None:
        _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(most, 8_192), most))
        before = served.memory_mib()
        idle = []
        for _ in range(IDLE):
            with contextlib.suppress(OSError):
                idle.append(socket.create_connection(("127.0.0.1", served.port), timeout=60))
        assert answered(served) == 200
        assert served.memory_mib() < max(before, 45) + 20
        for line in idle:
            line.close()

    def test_a_body_of_100_mb_is_not_taken(self, served: Served) -> None:
        assert answered(served) == 200
        before = served.memory_mib()
        head = (
            f"POST {HERE}/book HTTP/1.1\r\nHost: localhost\r\n"
            "Content-Type: application/x-www-form-urlencoded\r\n"
        ).encode()
        told = said(served.port, head + b"Content-Length: 104857600\r\n\r\n" + b"x" * 65_536)
        assert told.startswith(b"HTTP/1.1 413")
        with socket.create_connection(("127.0.0.1", served.port), timeout=60) as line:
            line.sendall(head + b"Transfer-Encoding: chunked\r\n\r\n")
            with contextlib.suppress(ConnectionError):
                for _ in range(1_600):
                    line.sendall(b"10000\r\n" + b"x" * 65_536 + b"\r\n")
        assert served.memory_mib() < before + 10
        assert answered(served) == 200

    @pytest.mark.parametrize(
        "text",
        [
            b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n",
            b"GET / HTTP/1.1\r\n\r\n",
            b"GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n",
            b"GET /\r\nSet-Cookie: a=b HTTP/1.1\r\nHost: localhost\r\n\r\n",
            b"\x00\x01\x02\x03\r\n\r\n",
            b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
            b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"y" * 100_000 + b"\r\n\r\n",
            b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: -5\r\n\r\n",
            b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\n"
            b"Transfer-Encoding: chunked\r\n\r\n",
        ],
        ids=range(9),
    )
    def test_what_is_no_request_is_refused(self, served: Served, text: bytes) -> None:
        got = said(served.port, text)
        assert got == b"" or got.split()[1][:1] == b"4", got[:200]
        assert answered(served) == 200

    def test_no_line_of_a_stranger_gets_into_a_header_or_the_log(self, served: Served) -> None:
        evil = "%0d%0aSet-Cookie:%20evil=1%0d%0a"
        for path in (f"/{evil}", f"/tank/{evil}", f"/sign-in?next=/{evil}", f"/answer/{evil}"):
            head, _, _ = said(
                served.port,
                f"GET {path} HTTP/1.1\r\nHost: localhost\r\nUser-Agent: evil\r\n"
                "Connection: close\r\n\r\n".encode(),
            ).partition(b"\r\n\r\n")
            assert b"\r\nSet-Cookie" not in head
        assert "evil" not in served.log.read_text(encoding="utf-8")

    def test_twenty_who_look_are_all_told_the_same(self, served: Served) -> None:
        lines = []
        for _ in range(20):
            line = socket.create_connection(("127.0.0.1", served.port), timeout=60)
            line.sendall(f"GET {HERE}/live HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())
            lines.append(line)
        for line in lines:
            got = b""
            while b"event: now" not in got or b"</section>" not in got:
                part = line.recv(65_536)
                assert part
                got += part
            line.close()
        assert served.memory_mib() <= 60


class TestTheDaemonBeside:
    def test_loses_nothing_while_twenty_watch(self, tmp_path: Path, free_port: int) -> None:
        """Real processes. How evenly it goes on reading is measured by bench_watched.py."""
        config = configured(tmp_path, "1 s")
        store = tank_of(config).store
        with (tmp_path / "log").open("wb") as log:
            daemon = subprocess.Popen(
                [STILLWELL, "run", "--config", config], stdout=log, stderr=log
            )
        try:
            until(lambda: store.exists() and _readings(store) > 0, "it reads")
            page = Served(config, free_port)
            lines = []
            for _ in range(20):
                line = socket.create_connection(("127.0.0.1", page.port), timeout=60)
                line.sendall(f"GET {HERE}/live HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())
                lines.append(line)
            before = _readings(store)
            for line in lines:
                got = b""
                while got.count(b"event: now") < 3:
                    part = line.recv(65_536)
                    assert part
                    got += part
            until(lambda: _readings(store) >= before + 10, "it goes on reading")
            with StoreReader.open(store) as reader:
                work = WORK.known(reader.described(WORK_KEY))
                assert not [t for t in reader.alarms() if t.active and "silent" in t.alarm]
            assert work is not None
            assert (work.dropped, work.lost) == (0, 0)
            for line in lines:
                line.close()
            page.stop()
        finally:
            daemon.terminate()
            assert daemon.wait(60) == 0


def _readings(store: Path) -> int:
    with contextlib.suppress(StoreError), StoreReader.open(store) as reader:
        return reader.newest(Stream.READINGS)
    return 0


class Scraper(Victoria):
    """Debian's VictoriaMetrics, asking us every second."""

    scrapes: Path

    def command(self) -> list[str]:
        return [*super().command(), f"-promscrape.config={self.scrapes}"]


class TestMetrics:
    def test_a_real_server_takes_them(
        self, served: Served, tmp_path: Path, free_ports: Callable[[], int]
    ) -> None:
        server = Scraper(tmp_path / "data", free_ports())
        server.scrapes = tmp_path / "scrape.yml"
        server.scrapes.write_text(
            "scrape_configs:\n- job_name: tank\n  scrape_interval: 1s\n  static_configs:\n"
            f"  - targets: ['127.0.0.1:{served.port}']\n",
            encoding="utf-8",
        )
        server.start()

        def has(name: str) -> bool:
            asked = f"{server.url}/api/v1/export?match[]={name}"
            with urllib.request.urlopen(asked, timeout=60) as answer:
                return b'"channel":"water-a"' in answer.read()

        try:
            wait_until(lambda: has("stillwell_reading"), "it has asked us")
            assert has("stillwell_reading_age_seconds")
        finally:
            server.kill()


class TestByTls:
    def test_with_a_certificate_it_speaks_nothing_else_and_its_cookie_is_secure(
        self, config: Path, tmp_path: Path, free_port: int
    ) -> None:
        pem, key = tmp_path / "tank.pem", tmp_path / "tank.key"
        subprocess.run(
            [
                *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
                *("-subj", "/CN=tank.local", "-addext", "subjectAltName=IP:127.0.0.1"),
                *("-keyout", key, "-out", pem),
            ],
            check=True,
            capture_output=True,
        )
        text = config.read_text(encoding="utf-8")
        own = tmp_path / "tank.toml"
        own.write_text(
            f'{text}\n[page]\ncertificate = "{pem}"\ncertificate_key = "{key}"\n',
            encoding="utf-8",
        )
        with_passphrases(own)
        page = Served(own, free_port)
        try:
            line = http.client.HTTPSConnection(
                "127.0.0.1", free_port, context=ssl.create_default_context(cafile=pem), timeout=60
            )
            sent = urllib.parse.urlencode({"passphrase": ACT, "name": "kitchen"})
            form = {"Content-Type": "application/x-www-form-urlencoded"}
            line.request("POST", "/sign-in", sent, form)
            answer = line.getresponse()
            answer.read()
            cookie = answer.headers["set-cookie"]
            assert answer.status == 303
            assert cookie.startswith("__Host-stillwell=")
            assert "Secure" in cookie
            assert answer.headers["strict-transport-security"]
            line.request("GET", HERE, headers={"Cookie": cookie.partition(";")[0]})
            assert line.getresponse().status == 200
            line.close()
            plainly = f"GET {HERE} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode()
            assert b"HTTP" not in said(free_port, plainly)
        finally:
            page.stop()
            access_file(tank_of(config).store).unlink(missing_ok=True)


class TestByCaddy:
    def test_the_file_in_deploy_serves_it_by_tls_and_hands_on_whose_it_is(
        self, config: Path, served: Served, tmp_path: Path, free_ports: Callable[[], int]
    ) -> None:
        port, admin = free_ports(), free_ports()
        text = (Path(__file__).parents[2] / "deploy" / "Caddyfile").read_text(encoding="utf-8")
        text = text.replace("tank.example.org", f"https://localhost:{port}")
        text = text.replace("127.0.0.1:8080", f"127.0.0.1:{served.port}")
        options = ("skip_install_trust", "auto_https disable_redirects", f"admin localhost:{admin}")
        head = "{\n" + "".join(f"\t{option}\n" for option in options) + "}\n"
        file = tmp_path / "Caddyfile"
        file.write_text(head + text, encoding="utf-8")
        with_passphrases(config)
        with (tmp_path / "log").open("wb") as log:
            caddy = subprocess.Popen(
                ["caddy", "run", "--config", str(file), "--adapter", "caddyfile"],
                stdout=log,
                stderr=log,
                env={**os.environ, "XDG_DATA_HOME": str(tmp_path), "HOME": str(tmp_path)},
            )
        try:

            def asked() -> subprocess.CompletedProcess[str]:
                return subprocess.run(
                    [
                        "openssl",
                        "s_client",
                        "-quiet",
                        "-connect",
                        f"localhost:{port}",
                        "-servername",
                        "localhost",
                    ],
                    input=f"GET {HERE} HTTP/1.1\r\nHost: localhost:{port}\r\n"
                    "Connection: close\r\n\r\n",
                    capture_output=True,
                    text=True,
                    timeout=60,
                    check=False,
                )

            until(lambda: "HTTP/1.1" in asked().stdout, "Caddy answers by TLS")
            answer = asked().stdout
            assert "303" in answer.split("\r\n")[0]  # nobody is at this machine who came by a proxy
            assert "/sign-in" in answer
        finally:
            caddy.terminate()
            caddy.wait()
            access_file(tank_of(config).store).unlink(missing_ok=True)
