"""stillwell on a virtual machine that boots without a network and with its clock at 1970, and reads
hardware that its kernel simulates: GPIO lines (gpio-sim), an LM75 (i2c-stub), a gauge on USB
(dummy_hcd and g_serial), DS18B20 probes (w1_simulated, ours). Each test goes on where the one
before ended.
"""

from __future__ import annotations

import shlex
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

import busy_tank
import hardware
from guest import SLOWLY_S, Emulated, disk
from hardware import BANK, pull
from machine import PYTHON, STILLWELL, Hands

pytestmark = pytest.mark.machine
Saw = Callable[[str], None]
SUITE = "bookworm"

SENSORS = (
    busy_tank.TANK
    + """
[source.floats]
driver = "gpio_float"
every = "10 s"
look = "1 s"
[source.floats.channels]
float-low = { line = "FLOAT_LOW", bias = "pull-up", closed = "low", debounce = "20 ms" }
float-high = { line = "FLOAT_HIGH" }
[source.gauge]
driver = "serial_text"
every = "10 s"
port = "/dev/serial/by-id/usb-RockPool_Gauge_0001-if00"
pattern = 'level=(?P<mm>-?\\d+\\.\\d+) mm'
channels = { level = { group = "mm" } }
[source.chip]
driver = "kernel_sensor"
every = "10 s"
channels = { room = { device = "lm75", value = "temp1_input" } }
[source.probes]
driver = "onewire"
every = "10 s"
channels = { water-a = { probe = "28-0316a2794a1f" }, water-b = { probe = "28-0316a2794a20" } }

[channel.float-low]
quantity = "float"
height = "-40 mm"
differential = "2 mm"
[channel.float-high]
quantity = "float"
height = "15 mm"
differential = "2 mm"
[channel.level]
quantity = "level"
[channel.room]
quantity = "temperature"
[channel.water-a]
quantity = "temperature"
[channel.water-b]
quantity = "temperature"
"""
)
CHIP = """modprobe i2c-dev
modprobe i2c-stub chip_addr=0x48
modprobe lm75
i2cset -f -y 0 0x48 0 0x8015 w
echo lm75 0x48 >/sys/bus/i2c/devices/i2c-0/new_device
"""


@pytest.fixture(scope="module")
def hands(installed_root: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hands]:
    """A keeper's hands on the machine."""
    folder = tmp_path_factory.mktemp("guest")
    with Emulated(SUITE, image(installed_root, folder), folder) as guest:
        guest.start(clock="1970-01-01T00:00:10")
        yield Hands(guest, SLOWLY_S)


def image(root: Path, folder: Path) -> Path:
    """A disk with stillwell on it, and what gives it its hardware."""
    files = {
        busy_tank.SETTINGS_FILE: SENSORS,
        **hardware.files({3: "FLOAT_LOW", 4: "FLOAT_HIGH"}, "0,0,0", CHIP),
    }
    command = "systemctl enable stillwell hardware; systemctl disable mosquitto systemd-timesyncd"
    return disk(SUITE, root, folder, files, command)


def value(hands: Hands, channel: str) -> float | None:
    """A channel's newest value that is kept. A command of stillwell's takes ten seconds here."""
    of = f"select id from channel where name = '{channel}'"
    rows = hands.sql(f"select value from reading where channel = ({of}) order by seq desc limit 1")
    answer: float | None = rows[0][0] if rows else None
    return answer


def standing(hands: Hands, alarm: str) -> str:
    """What an alarm that stands says; empty where it doesn't."""
    state = f"select active from transition where alarm = '{alarm}' order by seq desc limit 1"
    if hands.sql(state) != [[1]]:
        return ""
    calling = hands.json("status")[-1]["calling"]
    return next((str(a["text"]) for a in calling if a["alarm"] == alarm), "")


class TestBoot:
    def test_without_network_and_clock_it_watches(self, hands: Hands, saw: Saw) -> None:
        hands.until(lambda: hands.shown("StatusText") == "watching", "it watches")
        up = hands.ok("cut -d' ' -f1 /proc/uptime")
        hands.until(lambda: value(hands, "room") is not None, "the room's chip is read")
        # From 1970 systemd moves the clock on to its own release, which is in the past as well.
        now = hands.ok("date -u +%FT%TZ")
        saw(f"the clock says {now}, up {up} s when it watched")
        assert now < datetime.now(UTC).strftime("%Y-%m-%dT%H:%M")

    def test_each_kernel_device_is_read(self, hands: Hands, saw: Saw) -> None:
        expected = {"room": 21.5, "water-a": 25.3125, "water-b": 25.375, "float-low": 0.0}
        hands.until(
            lambda: all(value(hands, each) == right for each, right in expected.items()),
            f"channels have {expected}",
        )
        saw(", ".join(f"{channel} {right:g}" for channel, right in expected.items()))
        assert hands.json("status")[-1]["clock"]["set"] is False


class TestFloats:
    def test_that_close_are_seen_and_bounces_are_not(self, hands: Hands, saw: Saw) -> None:
        hands.ok(pull(3, "down"))
        hands.until(lambda: value(hands, "float-low") == 1.0, "the low float has closed")
        bounce = f"for i in 1 2 3 4 5; do {pull(4, 'down')}; {pull(4, 'up')}; done"
        rows = hands.sql("select max(seq) from reading")[0][0]
        hands.ok(bounce)
        channel = "select id from channel where name = 'float-high'"
        shares = f"select value, raw from reading where channel = ({channel}) and seq > {rows}"
        found = hands.until(lambda: hands.sql(shares)[1:], "it is read again")
        saw(f"float-low 1; float-high after five short bounces: {found[0]}")
        assert found[0][0] is not None
        assert found[0][0] < 0.5

    def test_that_ripples_lift_have_the_share_of_looks(self, hands: Hands, saw: Saw) -> None:
        rows = hands.sql("select max(seq) from reading")[0][0]
        ripples = f"while :; do {pull(4, 'down')}; sleep 0.7; {pull(4, 'up')}; sleep 0.7; done"
        hands.ok(f"systemd-run --quiet --unit=ripples bash -c {shlex.quote(ripples)}")
        channel = "select id from channel where name = 'float-high'"
        between = f"channel = ({channel}) and seq > {rows} and value > 0 and value < 1"
        query = f"select value, flag, raw from reading where {between}"
        found = hands.until(lambda: hands.sql(query)[1:], "ripples are seen")
        hands.ok(f"systemctl stop ripples; {pull(4, 'up')}")
        hands.until(lambda: value(hands, "float-high") == 0.0, "the water is calm")
        saw(f"float-high while ripples lift it: {found[0]}, then 0")

    def test_that_another_program_took_costs_its_channel_and_no_other(
        self, hands: Hands, saw: Saw
    ) -> None:
        hands.ok("systemctl stop stillwell")
        take = (
            "import gpiod, time; r = gpiod.request_lines('/dev/gpiochip0', "
            "config={'FLOAT_LOW': gpiod.LineSettings()}); print(r.offsets, flush=True); "
            "time.sleep(10000)"
        )
        hands.ok(f'systemd-run --quiet --unit=taker {PYTHON} -c "{take}"')
        hands.until(lambda: "[3]" in hands.ok("journalctl -u taker -o cat"), "it is taken")
        hands.ok("systemctl start stillwell")
        hands.until(
            lambda: (value(hands, "float-low"), value(hands, "float-high")) == (None, 0.0),
            "the low float has no value, the other one has",
        )
        said = hands.machine.run(f"{STILLWELL} check").said
        hands.ok("systemctl stop taker")
        hands.until(lambda: value(hands, "float-low") is not None, "the low float is back")
        saw("; ".join(line.strip() for line in said.splitlines() if "float-low" in line))

    def test_whose_chip_goes_are_down_and_come_back(self, hands: Hands, saw: Saw) -> None:
        hands.machine.run(f"echo 0 >{BANK}/live", timeout_s=60)
        alarm = "source.floats.down"
        hands.until(lambda: standing(hands, alarm), "the floats are told as down")
        saw(standing(hands, alarm))
        hands.ok(f"echo 1 >{BANK}/live")
        hands.until(lambda: not standing(hands, alarm), "the floats are back")


PLUG = (
    "modprobe dummy_hcd; modprobe cdc-acm; "
    "modprobe g_serial iManufacturer=RockPool iProduct=Gauge iSerialNumber=0001; "
    "stty -F /dev/ttyGS0 raw"
)
BABBLE = 'while printf "level=-3.2 mm\\r\\n"; do sleep 1; done >/dev/ttyGS0'


class TestGauge:
    def test_that_is_plugged_in_later_is_read(self, hands: Hands, saw: Saw) -> None:
        alarm = "source.gauge.down"
        hands.until(lambda: standing(hands, alarm), "the gauge is missing")
        said = standing(hands, alarm)
        hands.ok(PLUG)
        hands.ok(f"systemd-run --quiet --unit=gauge bash -c '{BABBLE}'")
        hands.until(lambda: value(hands, "level") == -3.2, "the gauge is read")
        saw(f"before: {said!r}; then -3.2 mm, without a restart of the unit")

    def test_that_is_pulled_in_mid_line_is_down_and_comes_back(
        self, hands: Hands, saw: Saw
    ) -> None:
        hands.ok("systemctl stop gauge; printf 'level=-9' >/dev/ttyGS0; sleep 1; rmmod g_serial")
        alarm = "source.gauge.down"
        hands.until(lambda: standing(hands, alarm), "the gauge is told as down")
        saw(standing(hands, alarm))
        assert hands.sql("select value from reading where value = -9") == []
        hands.ok(PLUG)
        hands.ok(f"systemd-run --quiet --unit=gauge bash -c '{BABBLE}'")
        hands.until(lambda: not standing(hands, alarm), "the gauge is back")


class TestProbes:
    def test_that_go_or_garble_give_no_value_and_come_back(self, hands: Hands, saw: Saw) -> None:
        faults = "/sys/module/w1_simulated/parameters/fault"
        hands.ok(f"echo 2,0,0 >{faults}")
        hands.until(lambda: value(hands, "water-a") is None, "a garbled probe has no value")
        assert value(hands, "water-b") == 25.375
        hands.ok(f"echo 0,0,0 >{faults}")
        hands.until(lambda: value(hands, "water-a") is not None, "it is back")
        hands.ok(f"echo 1,0,0 >{faults}")
        hands.until(lambda: value(hands, "water-a") is None, "a probe that is gone has no value")
        assert value(hands, "water-b") == 25.375
        hands.ok(f"echo 0,0,0 >{faults}")
        hands.until(lambda: value(hands, "water-a") is not None, "it is back")
        saw("wrong check sum, gone: no value, the other probe read all the time; both came back")


class TestTheService:
    def test_may_open_its_devices_and_no_others(self, hands: Hands, saw: Saw) -> None:
        group = "/sys/fs/cgroup/system.slice/stillwell.service/cgroup.procs"
        inside = f"bash -c 'echo $$ >{group}; exec head -c1 DEVICE'"
        done = hands.machine.run(inside.replace("DEVICE", "/dev/vda"))
        assert done.status != 0
        assert "Operation not permitted" in done.said
        opened = f"bash -c 'echo $$ >{group}; exec 3<>/dev/gpiochip0 && echo open'"
        assert "open" in hands.ok(opened)
        saw("DevicePolicy=closed: /dev/vda not permitted, /dev/gpiochip0 open")

    def test_comes_back_when_the_kernel_ends_it_for_memory(self, hands: Hands, saw: Saw) -> None:
        pid, began = hands.shown("MainPID"), time.monotonic()
        shown = hands.shown("MemoryCurrent")
        hands.ok("systemctl set-property --runtime stillwell MemoryHigh=20M MemoryMax=20M")
        hands.until(lambda: hands.shown("MainPID") != pid, "the kernel has ended it")
        hands.ok("systemctl set-property --runtime stillwell MemoryHigh=200M MemoryMax=256M")
        hands.another(pid)
        killed = hands.ok("journalctl -k | grep -c 'Killed process.*stillwell'")
        saw(
            f"{int(shown) >> 20} MiB in use; {killed} times killed at 20M, then back "
            f"{time.monotonic() - began:.0f} s later"
        )
        assert hands.sql("pragma integrity_check") == [["ok"]]

    def test_is_killed_and_started_again_when_it_hangs(self, hands: Hands, saw: Saw) -> None:
        pid, began = hands.shown("MainPID"), time.monotonic()
        hands.ok(f"kill -STOP {pid}")
        hands.another(pid)
        saw(f"after {time.monotonic() - began:.0f} s, WatchdogSec=90 as shipped")


class TestTheClock:
    def test_set_ten_years_on_it_goes_on(self, hands: Hands, saw: Saw) -> None:
        stood = calling(hands)
        hands.ok("date -u -s '2026-11-28 12:00:00'")
        hands.until(lambda: value(hands, "room") is not None, "it reads")
        hands.ok("date -u -s '2036-11-28 12:00:00'")
        before = hands.sql("select max(seq) from reading")[0][0]
        hands.until(
            lambda: hands.sql("select max(seq) from reading")[0][0] > before + 12, "it goes on"
        )
        stand = calling(hands)
        said = hands.ok(f"{STILLWELL} alarms --log 5")
        saw(f"stood before: {sorted(stood)}, after: {sorted(stand)}; {said.splitlines()[-1]}")
        assert "Nobody watched" not in said
        assert stand <= stood


def calling(hands: Hands) -> set[str]:
    """The alarms that stand."""
    return {a["alarm"] for a in hands.json("status")[-1]["calling"] if a["active"]}


class TestAPowerCut:
    def test_is_followed_by_the_watch_without_a_hand(self, hands: Hands, saw: Saw) -> None:
        guest = hands.machine
        assert isinstance(guest, Emulated)
        before = hands.sql("select max(seq) from reading")[0][0]
        guest.cut_power()
        guest.start()
        hands.until(lambda: hands.shown("StatusText") == "watching", "it watches")
        newest = hands.sql("select max(seq) from reading")
        hands.until(lambda: hands.sql("select max(seq) from reading") > newest, "it reads")
        saw(f"{before} readings before, {newest[0][0]} when it watched again")
        assert hands.sql("pragma integrity_check") == [["ok"]]
