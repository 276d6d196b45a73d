"""The daemon as systemd runs it: its log in the journal's form, its settings kept for the day on
which the file is broken. The journal's part is played by a pipe, systemd's by the environment that
it sets (systemd.exec(5)) and a socket; the rest is `stillwell run`."""

from __future__ import annotations

import os
import signal
import socket
import stat
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from command_line import STILLWELL, tank
from in_words import said, what
from stillwell.notice import Transition
from stillwell.store import StoreError, StoreReader

GENEROUS_S = 60.0

NOT_PLUGGED_IN = """
[source.gauge]
driver = "serial_text"
port = "/dev/serial/by-id/none"
pattern = '(?P<mm>[0-9]{1,9})'
channels = { level = { group = "mm" } }
[channel.level]
quantity = "level"
"""


class Service:
    """One start after the other."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.config = tank(folder)
        self.state = folder / "state"
        self.state.mkdir()
        self.process: subprocess.Popen[bytes] | None = None
        self.systemd = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.systemd.bind(str(folder / "notify"))
        self.systemd.settimeout(GENEROUS_S)

    def start(self, **environ: str) -> None:
        reads, writes = os.pipe()
        found = os.fstat(writes)
        self.process = subprocess.Popen(
            [STILLWELL, "run", "-c", self.config],
            stdin=subprocess.DEVNULL,
            stdout=writes,
            stderr=writes,
            env=os.environ
            | {
                "NOTIFY_SOCKET": str(self.folder / "notify"),
                "STATE_DIRECTORY": str(self.state),
                "JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}",
            }
            | environ,
        )
        os.close(writes)
        self.log = os.fdopen(reads, encoding="utf-8")

    def ready(self) -> None:
        while not self.systemd.recv(4096).startswith(b"READY=1"):
            pass

    def ended(self) -> tuple[int, list[str]]:
        """Exit code and log of a run that ends, or is ended here."""
        assert self.process is not None
        lines = self.log.read().splitlines()
        self.log.close()
        return self.process.wait(GENEROUS_S), lines

    def stop(self) -> list[str]:
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        code, lines = self.ended()
        assert code == 0, lines
        return lines

    def broken_alarm(self) -> Transition | None:
        return self.last("settings.broken")

    def last(self, alarm: str) -> Transition | None:
        """The last change of an alarm."""
        try:
            with StoreReader.open(self.folder / "tank.db") as reader:
                log = reader.transitions()
        except StoreError:
            return None
        return next((t for t in reversed(log) if t.alarm == alarm), None)

    def until(self, condition: Callable[[], object]) -> None:
        end = time.monotonic() + GENEROUS_S
        while not condition():
            assert self.process is not None
            assert self.process.poll() is None, self.ended()
            assert time.monotonic() < end
            time.sleep(0.05)

    @property
    def kept(self) -> Path:
        return self.state / "last-settings.toml"


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    yield made
    made.systemd.close()
    if made.process is not None and made.process.poll() is None:
        made.process.kill()
        made.process.wait()


def break_it(config: Path) -> str:
    """Puts a slip into the file. Returns what it was before."""
    good = config.read_text(encoding="utf-8")
    config.write_text(good.replace('volume = "68 L"', 'volume = "68 bananas"'), encoding="utf-8")
    return good


class TestBrokenSettings:
    def test_cost_an_alarm_and_not_the_watch(self, service: Service) -> None:
        service.start()
        service.ready()
        service.stop()
        assert stat.S_IMODE(service.kept.stat().st_mode) == 0o600  # there may be secrets in them
        good = break_it(service.config)
        service.start()
        service.ready()
        raised = service.broken_alarm()
        assert raised is not None
        assert raised.active
        assert "tank.toml, line 6, tank.volume: " in what(raised)
        assert '"bananas" is no unit' in what(raised)
        assert "sudo systemctl restart stillwell" in said(raised).do
        lines = service.stop()
        assert [line for line in lines if "settings.broken" in line and line[:3] == "<4>"]
        assert service.kept.read_text(encoding="utf-8") == good

        service.config.write_text(good, encoding="utf-8")
        service.start()
        service.ready()
        cleared = service.broken_alarm()
        assert cleared is not None
        assert not cleared.active
        service.stop()

    def test_also_where_the_file_is_gone(self, service: Service) -> None:
        service.kept.write_bytes(service.config.read_bytes())
        service.config.unlink()
        service.start()
        service.ready()
        raised = service.broken_alarm()
        assert raised is not None
        assert "There is no such file." in what(raised)
        service.stop()

    def test_also_where_a_credential_is_at_fault(self, service: Service) -> None:
        """What needs none of them works on; that a recipient may be out of reach says the alarm."""
        service.kept.write_bytes(service.config.read_bytes())
        credentials = service.folder / "given"
        credentials.mkdir()
        (credentials / "sink.brokre.password").write_text("hush")
        service.start(CREDENTIALS_DIRECTORY=str(credentials))
        service.ready()
        raised = service.broken_alarm()
        assert raised is not None
        assert "sink.brokre" in what(raised)
        assert "hush" not in str(raised)
        service.stop()

    def test_without_any_that_worked_end_it_with_the_code_that_is_not_started_again(
        self, service: Service
    ) -> None:
        break_it(service.config)
        service.start()
        code, lines = service.ended()
        assert code == 78
        assert len(lines) == 1
        assert lines[0].startswith(f"<3>{service.config}, line 6, tank.volume: ")
        assert not service.kept.exists()

    def test_are_told_at_once_to_whoever_starts_it_by_hand(self, service: Service) -> None:
        service.kept.write_bytes(service.config.read_bytes())
        break_it(service.config)
        service.start(STATE_DIRECTORY="", JOURNAL_STREAM="")
        code, lines = service.ended()
        assert code == 78
        assert '"bananas" is no unit' in " ".join(lines)

    def test_that_are_kept_and_are_broken_too_are_no_help(self, service: Service) -> None:
        service.kept.write_text("[tank\n", encoding="utf-8")
        break_it(service.config)
        service.start()
        code, lines = service.ended()
        assert code == 78
        assert '"bananas" is no unit' in lines[0]


class TestTheLog:
    def test_has_a_priority_on_every_line(self, service: Service) -> None:
        with service.config.open("a", encoding="utf-8") as config:
            config.write(NOT_PLUGGED_IN)
        service.start()
        service.until(lambda: service.last("source.gauge.down"))
        lines = service.stop()
        assert [line for line in lines if line[:1] != "<"] == []
        told = [line for line in lines if "does not exist" in line]
        assert len(told) == 1, "a thing is told once"
        assert told[0].startswith("<4>  /dev/serial/by-id")
        title = "<4>ALARM, medium priority (source.gauge.down): Sensors of gauge can't be read."
        assert title in lines

    def test_says_what_is_watched_and_in_the_end_what_was_kept(self, service: Service) -> None:
        service.start()
        service.ready()
        lines = service.stop()
        assert lines[0].startswith("<6>stillwell ")
        assert f"<6>Readings are kept in {service.folder / 'tank.db'}." in lines
        assert "<6>It tells nobody: no [sink.NAME] is set." in lines
        assert lines[-1].startswith("<6>Stopped as asked. ")
        assert lines[-1].endswith("Nobody watches the tank now.")
        assert not [line for line in lines if "Ctrl-C" in line], "nobody sits at a terminal"

    def test_a_store_that_somebody_else_writes_is_tried_again(self, service: Service) -> None:
        """Not the code of broken settings: the other one ends some day, and somebody must watch."""
        service.start()
        service.ready()
        second = subprocess.run(
            [STILLWELL, "run", "-c", service.config], capture_output=True, timeout=GENEROUS_S
        )
        assert second.returncode == 75
        service.stop()
