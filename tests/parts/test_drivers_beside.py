"""Each driver of sensors beside one that hangs, one that is dead and one that babbles, in one
daemon on a fast clock: all of its readings come."""

from __future__ import annotations

import json
import re
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pymodbus.server import ModbusTcpServer

import hostile_plugins
from command_line import call
from far_gauge import Gauge
from far_modbus import Serving, instruments
from live_daemon import Live, SteppedClock
from real_broker import Broker, Listener
from stillwell.reading import Flag
from stillwell.settings import load
from stillwell.store import StoreReader

# What a generator that can't be closed says when it is let go.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")

EVERY_MIN = 5

TANK = """\
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[store]
path = "tank.db"
commit_every = "1 min"
"""
SOURCE = """
[source.{name}]
driver = "{driver}"
every = "5 min"
deadline = "{deadline}"
{more}
[source.{name}.channels]
{name} = {at}
[channel.{name}]
quantity = "temperature"
"""


def source(name: str, driver: str, at: str, more: str = "", deadline: str = "50 min") -> str:
    return SOURCE.format(name=name, driver=driver, at=at, more=more, deadline=deadline)


def hostile(name: str, attack: str, deadline: str) -> str:
    more = f'attack = "{attack}"\nbus_name = "{name}"'
    return source(name, "hostile", "{}", more, deadline)


class Hardware:
    """What the drivers read: a tree like /sys, a program, a Modbus server, a broker with a board, a
    serial line with a gauge that says 25.0."""

    def __init__(self, folder: Path, port: int, broker: Broker, board: Listener) -> None:
        self.folder, self.port, self.broker, self._board = folder, port, broker, board
        chip = folder / "sys/class/hwmon/hwmon0"
        chip.mkdir(parents=True)
        (chip / "name").write_text("lm75\n")
        (chip / "temp1_input").write_text("25000\n")
        self._server = Serving(lambda: ModbusTcpServer(instruments(), address=("127.0.0.1", port)))
        self.gauge = Gauge(folder)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._speak, daemon=True)
        self._thread.start()

    def _speak(self) -> None:
        while not self._over.wait(0.05):
            self._board.client.publish("shelf/t", "25.0")
            self.gauge.say(b"\0\x02\xfa\x01\0")  # 250, by consistent overhead byte stuffing

    def stop(self) -> None:
        self._over.set()
        self._thread.join()
        self.gauge.unplug()
        self._server.stop()

    def sources(self) -> dict[str, str]:
        here = "127.0.0.1"
        return {
            "kernel": source(
                "kernel",
                "kernel_sensor",
                '{ device = "lm75", value = "temp1_input" }',
                f'root = "{self.folder}/sys"',
            ),
            "program": source("program", "command", "{}", 'run = ["/bin/echo", "25.0"]'),
            "modbus": source(
                "modbus",
                "modbus_rtu",
                '{ unit = 1, register = 1, type = "float32" }',
                f'host = "{here}"\ntcp_port = {self.port}\ntimeout = "5 s"',
            ),
            "board": source(
                "board",
                "mqtt_in",
                '{ topic = "shelf/t" }',
                f'host = "{here}"\nport = {self.broker.port}\nsilent_after = "50 min"',
            ),
            "frames": source(
                "frames",
                "serial_frame",
                "{ field = 0, scale = 0.1 }",
                f'port = "{self.gauge.name}"\nframing = "cobs"\nfields = "<h"',
            ),
        }


@pytest.fixture
def hardware(
    tmp_path: Path,
    free_ports: Callable[[], int],
    broker: Callable[..., Broker],
    listen: Callable[..., Listener],
) -> Iterator[Hardware]:
    shelf = broker()
    made = Hardware(tmp_path, free_ports(), shelf, listen(shelf.port, "nothing"))
    yield made
    made.stop()


def test_each_goes_on_beside_a_hung_a_dead_and_a_babbling_one(
    hardware: Hardware, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, long_run: bool
) -> None:
    hours = 12 if long_run else 1
    hostile_plugins.RELEASE.clear()
    monkeypatch.syspath_prepend(hostile_plugins.install(tmp_path / "site"))
    ours = hardware.sources()
    bad = [
        hostile("hung", "hangs", "10 min"),
        hostile("dead", "open raises", "50 min"),
        hostile("babbling", "endless", "50 min"),
    ]
    file = tmp_path / "stillwell.toml"
    file.write_text("".join([TANK, *ours.values(), *bad]))
    live = Live(load(file, environ={}), SteppedClock(round(time.time() * 1000)))
    try:
        live.pass_h(hours)
    finally:
        hostile_plugins.RELEASE.set()
        live.stop()
    down = {t.alarm for t in live.told if t.alarm.startswith("source.")}
    assert down == {"source.hung.down", "source.dead.down", "source.babbling.down"}
    due = hours * 60 / EVERY_MIN
    with StoreReader.open(live.path) as reader:
        for name in ours:
            kept = list(reader.readings(name, -(2**50), 2**50))
            good = [r for r in kept if r.flag in (Flag.PASS, Flag.SUSPECT)]
            # One may fall to the edges, and a busy machine may be late once.
            assert len(good) >= due - 2, f"{name}: {len(good)} of {due:.0f}"
            # Before the first one of a board nothing has been published since we listen.
            assert all(r in good for r in kept[1:]), [r for r in kept if r not in good][:3]


def test_what_only_the_sensor_can_tell_is_told_by_check_on_its_line(
    hardware: Hardware, tmp_path: Path
) -> None:
    """A register, a pointer's place and a program may be well written and not be there."""
    right = hardware.sources()
    wrong = {
        "modbus": right["modbus"].replace("register = 1", "register = 4000"),
        "board": right["board"].replace('"shelf/t" }', '"shelf/t", pointer = "/away" }'),
        "program": right["program"].replace("/bin/echo", "/bin/none"),
        "kernel": right["kernel"].replace('"lm75"', '"lm76"'),
    }
    file = tmp_path / "stillwell.toml"
    file.write_text("".join([TANK, *wrong.values()]))
    lines = file.read_text().splitlines()
    asked = call("check", "--json", "--no-notice", "-c", file)
    points = json.loads(asked.stdout)["points"]
    said: defaultdict[str, str] = defaultdict(str)
    for point in points:
        if point["grade"] == "fix":
            said[point["name"]] += f"{point['what']} {point['do']}\n"
    for name, what, key in (
        ("modbus", "holding 4000: it has no such register", "source.modbus.channels.modbus"),
        ("board", "nothing at /away in 25.0", "source.board.channels.board"),
        ("program", "There is no program /bin/none. Install it", "source.program"),
        ("kernel", "lm76", "source.kernel"),
    ):
        assert what in said[name]
        at = re.search(rf"It stands in {file.name}, line (\d+): {re.escape(key)}\.\n", said[name])
        assert at is not None, said[name]
        head = key.removesuffix(f".{name}") if "channels" in key else key
        assert f"{name} = {{" in lines[int(at[1]) - 1] or lines[int(at[1]) - 1] == f"[{head}]"
