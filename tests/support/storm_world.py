"""The surroundings of the daemon in a storm: settings with everything hostile in them, a
receiver that trickles, a disk that can be filled."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Container
from pathlib import Path

import hostile_plugins

DISK_MB = 400
HANGS_AT_START = frozenset(
    {"settings hang", "bus hangs", "made hangs", "hangs_on_import", "streams endless"}
)
"""A start waits for these, as for a slow card, up to a minute in all; then it goes on."""

TANK = """
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"

[store]
path = "{store}"

[source.good]
driver = "known"
every = "5 s"
deadline = "1000 s"
channels = {{ {channels} }}

[sink.niamh]
kind = "push"
url = "json://127.0.0.1:{hook}/"
lowest = "high"
pictures = false
[sink.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {broker}
[sink.history]
kind = "influx"
url = "http://127.0.0.1:{victoria}"
[sink.slow-phone]
kind = "push"
url = "json://127.0.0.1:{trickle}/"
pictures = false
[sink.slow-history]
kind = "influx"
url = "http://127.0.0.1:{trickle}"
[sink.slow-ping]
kind = "ping"
url = "http://127.0.0.1:{trickle}/"
"""

PROBE = """
[channel.probe-{number}]
quantity = "humidity"
[band.air-{number}]
of = ["probe-{number}"]
target = "45 %RH"
tolerance = "5 %RH"
deadband = "1 %RH"
on_delay = "5 min"
off_delay = "5 min"
"""

SOURCE = """
[source.{name}]
driver = "{driver}"
every = "60 s"
deadline = "100 s"
attack = "{attack}"
bus_name = "{bus}"
[source.{name}.channels]
{name}-probe = {{}}
[channel.{name}-probe]
quantity = "humidity"
"""

SINK = """
[sink.{name}]
kind = "{kind}"
attack = "{attack}"
"""


class Trickler:
    """Accepts every connection and answers with one byte every half second, without an end."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._server.accept()
                threading.Thread(target=self._trickle, args=(client,), daemon=True).start()

    @staticmethod
    def _trickle(client: socket.socket) -> None:
        with contextlib.suppress(OSError), client:
            client.sendall(b"HTTP/1.1 200 OK\r\nX-Slow: ")
            while True:
                time.sleep(0.5)
                client.sendall(b"a")

    def close(self) -> None:
        self._server.close()


class Disk:
    """A file system in memory for the store, which can be filled; an ordinary folder where none
    can be mounted."""

    def __init__(self, root: Path) -> None:
        self.root = root
        root.mkdir()
        size = ["-o", f"size={DISK_MB}m"]
        mount = ["mount", "-t", "tmpfs", *size, "tmpfs", str(root)]
        self.mounted = (
            os.geteuid() == 0 and subprocess.run(mount, capture_output=True).returncode == 0
        )

    def fill(self) -> None:
        if self.mounted:
            ballast = (self.root / "ballast").open("ab", buffering=0)
            with ballast, contextlib.suppress(OSError):
                while True:
                    ballast.write(b"\0" * 65_536)

    def empty(self) -> None:
        (self.root / "ballast").unlink(missing_ok=True)

    def close(self) -> None:
        if self.mounted:
            for file in self.root.glob("tank.db*"):
                shutil.copy(file, self.root.parent)  # for whoever wants to know more
            subprocess.run(["umount", "-l", str(self.root)], check=False)


def hostile(left_out: Container[str]) -> tuple[str, int, int]:
    """Returns the settings of every hostile source and sink except these, and how many there
    are."""
    drivers = [
        (attack, "hostile")
        for attacks in (
            hostile_plugins.READS,
            hostile_plugins.QUIET_READS,
            hostile_plugins.ELSEWHERE,
        )
        for attack in attacks
    ]
    drivers += [(name, name) for name in ("exits_on_import", "hangs_on_import", "no_class")]
    sinks = [*hostile_plugins.SENDS, *hostile_plugins.SINKS_ELSEWHERE]
    drivers = [pair for pair in drivers if pair[0] not in left_out]
    sinks = [attack for attack in sinks if attack not in left_out]
    parts = [_source(attack, driver) for attack, driver in drivers]
    parts += [
        SINK.format(name=_called(attack), kind="hostile_sink", attack=attack) for attack in sinks
    ]
    # The receivers that trickle are hostile too.
    return "".join(parts), len(drivers), len(sinks) + 3


def _called(attack: str) -> str:
    return "".join(sign if sign.isalnum() else "-" for sign in attack.lower())


def _source(attack: str, driver: str) -> str:
    # One that hangs holds its bus up until its deadline: it has one of its own.
    bus = _called(attack) if "hang" in attack else "shared"
    return SOURCE.format(name=_called(attack), driver=driver, attack=attack, bus=bus)
