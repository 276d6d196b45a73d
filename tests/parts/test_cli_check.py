"""`stillwell check`: what it says of sensors that are well, damaged, gone and hanging, of disks,
and of a broker that takes the test notice. The broker is a real mosquitto."""

from __future__ import annotations

import json
import os
import re
import subprocess
import time
from collections.abc import Callable
from functools import partial
from importlib import metadata
from pathlib import Path
from pwd import getpwnam
from typing import Any

import pytest

from as_user import as_user, needs_root
from command_line import STILLWELL, call, json_lines, tank
from real_broker import Broker, Listener, wait_until
from stillwell.cli.checks import machine, running
from stillwell.reading import Flag, Moment, Reading
from stillwell.settings import load, plugins
from stillwell.store import Store, StoreError, StoreReader
from stillwell.watching import KEY, RUN, Run
from stillwell_drivers.kernel_sensor import KernelSensor
from stillwell_drivers.onewire import OneWire
from stillwell_drivers.serial_text import SerialText

SINK = """
[sink.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
"""

SERVER = """
[sink.history]
kind = "influx"
url = "http://127.0.0.1:9"
bucket = "tank"
"""

BAD = """
[source.{name}]
driver = "{driver}"
deadline = "{deadline}"
bus_name = "{bus}"
[source.{name}.channels]
{name}-1 = {{}}
{name}-2 = {{}}
[channel.{name}-1]
quantity = "temperature"
[channel.{name}-2]
quantity = "temperature"
"""


GAUGE = """
[source.gauge]
driver = "serial_text"
every = "30 s"
port = "/dev/serial/by-id/a"
pattern = 'level=(?P<mm>-?\\d+) mm'
silent_after = "4 s"
[source.gauge.channels]
far-level = { group = "mm" }
[channel.far-level]
quantity = "level"
"""


def bad(name: str, driver: str, *, deadline: str = "5 s", bus: str = "bad") -> str:
    return BAD.format(name=name, driver=driver, deadline=deadline, bus=bus)


@pytest.fixture(autouse=True)
def third_party(monkeypatch: pytest.MonkeyPatch) -> None:
    """Registers the bad drivers as an installed package's entry points would be."""
    real = metadata.entry_points
    names = ("Hangs", "Unplugged", "Raises", "Silent", "Damaged", "NotThere")
    ours = [metadata.EntryPoint(n.lower(), f"bad_drivers:{n}", "stillwell.drivers") for n in names]

    def found(*, group: str) -> list[metadata.EntryPoint]:
        return [*real(group=group), *(ours if group == "stillwell.drivers" else [])]

    monkeypatch.setattr(plugins, "entry_points", found)


def points(config: Path, *more: str) -> dict[tuple[str, str], dict[str, Any]]:
    """What check found, by part and name."""
    [answer] = json_lines(call("check", "-c", config, "--json", *more))
    return {(point["part"], point["name"]): point for point in answer["points"]}


class TestSensors:
    def test_all_well_is_exit_0_and_shows_every_channel(self, tmp_path: Path) -> None:
        config = tank(tmp_path, SINK.format(port=9))
        result = call("check", "-c", config, "--no-notice")
        assert result.exit_code == 0, result.stdout
        assert "All is well." in result.stdout
        assert "water-a: 25." in result.stdout
        assert "probe A" in result.stdout
        assert "float-low: closed" in result.stdout

    def test_settings_that_name_no_heater_are_told_that_none_is_watched(
        self, tmp_path: Path
    ) -> None:
        config = tank(tmp_path, SINK.format(port=9))
        point = points(config, "--no-notice")["config", "tank.heater"]
        assert (point["grade"], point["what"][:30]) == ("note", "The settings name no heater an")
        assert "[tank.heater]" in point["do"]
        config.write_text(config.read_text() + '[tank.heater]\npower = "75 W"\n')
        assert ("config", "tank.heater") not in points(config, "--no-notice")

    def test_nothing_is_made_on_the_disk(self, tmp_path: Path) -> None:
        config = tank(tmp_path)
        call("check", "-c", config)
        assert list(tmp_path.iterdir()) == [config]

    def test_a_hanging_driver_is_reported_and_not_waited_for(self, tmp_path: Path) -> None:
        found = points(tank(tmp_path, bad("slow", "hangs", deadline="300 ms")))
        assert found["source", "slow"]["grade"] == "fix"
        assert "hangs" in found["source", "slow"]["what"]
        assert found["channel", "slow-1"]["value"] == 25.3, "what it brought before counts"
        assert found["channel", "slow-2"]["grade"] == "fix"
        assert found["channel", "water-a"]["grade"] == "well", "the others are read"

    def test_the_neighbours_of_a_hanging_driver_are_not_tried(self, tmp_path: Path) -> None:
        more = bad("slow", "hangs", deadline="300 ms") + bad("next", "silent")
        found = points(tank(tmp_path, more))
        assert "shares its bus with slow" in found["source", "next"]["what"]
        assert found["channel", "next-1"]["grade"] == "fix"

    def test_a_driver_on_another_bus_than_the_hanging_one_is_read(self, tmp_path: Path) -> None:
        more = bad("slow", "hangs", deadline="300 ms") + bad("next", "damaged", bus="other")
        assert points(tank(tmp_path, more))["source", "next"]["grade"] == "well"

    def test_a_process_with_a_hung_driver_ends(self, tmp_path: Path) -> None:
        config = tank(tmp_path, bad("slow", "hangs", deadline="300 ms"))
        script = (
            "import sys; sys.path.insert(0, 'tests/support')\n"
            "from importlib import metadata; from stillwell.settings import plugins\n"
            "real = plugins.entry_points\n"
            "hung = metadata.EntryPoint('hangs', 'bad_drivers:Hangs', 'stillwell.drivers')\n"
            "plugins.entry_points = lambda *, group: [*real(group=group), hung]\n"
            "from stillwell.cli.main import main; main()\n"
        )
        done = subprocess.run(
            [STILLWELL.with_name("python"), "-c", script, "check", "-c", config],
            cwd=Path(__file__).parents[2],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == 1, done.stderr
        assert "FIX   slow: It has not answered for 0.3 s and hangs." in done.stdout

    def test_a_driver_that_says_what_is_wrong_is_quoted(self, tmp_path: Path) -> None:
        found = points(tank(tmp_path, bad("adapter", "unplugged")))["source", "adapter"]
        assert found["what"] == "The adapter is not plugged in."
        assert re.fullmatch(
            r"Plug it in\. It stands in \S+\.toml, line \d+: source\.adapter\.", found["do"]
        )

    def test_a_driver_that_raises_is_named_as_faulty(self, tmp_path: Path) -> None:
        found = points(tank(tmp_path, bad("own", "raises")))["source", "own"]
        assert "ZeroDivisionError" in found["what"]
        assert "report it" in found["do"]

    def test_a_driver_that_cannot_be_imported_is_told_and_the_rest_is_read(
        self, tmp_path: Path
    ) -> None:
        found = points(tank(tmp_path, bad("lost", "notthere")))
        assert found["source", "lost"]["grade"] == "fix"
        assert "NotThere" in found["source", "lost"]["what"]
        assert found["channel", "water-a"]["grade"] == "well"

    def test_a_channel_of_which_nothing_is_said_is_to_fix(self, tmp_path: Path) -> None:
        found = points(tank(tmp_path, bad("mute", "silent")))
        assert found["channel", "mute-1"]["grade"] == "fix"
        assert "said nothing" in found["channel", "mute-1"]["what"]

    def test_a_damaged_reading_shows_the_test_and_the_evidence(self, tmp_path: Path) -> None:
        found = points(tank(tmp_path, bad("probe", "damaged")))
        damaged, hot = found["channel", "probe-1"], found["channel", "probe-2"]
        assert damaged["tests"] == "crc"
        assert "50 05 4b 46" in damaged["what"]
        assert "loose contact" in damaged["do"]
        assert (hot["flag"], hot["tests"]) == (4, "gross-range")
        assert "[channel.probe-2.quality]" in hot["do"]

    def test_a_source_that_is_down_counts_as_one_thing_to_fix(self, tmp_path: Path) -> None:
        config = tank(tmp_path, SINK.format(port=9) + bad("adapter", "unplugged"))
        result = call("check", "-c", config, "--no-notice")
        assert result.exit_code == 1
        assert result.stdout.endswith("1 thing to fix.\n")


class TestSettingsOnly:
    def test_no_driver_is_opened_and_no_sink_tried(self, tmp_path: Path, free_port: int) -> None:
        config = tank(tmp_path, bad("off", "unplugged") + SINK.format(port=free_port))
        assert call("check", "-c", config).exit_code == 1
        assert {part for part, _ in points(config, "--settings")} == {"config"}
        assert call("check", "-c", config, "--settings").exit_code == 0

    def test_a_driver_that_cannot_be_had_is_to_fix(self, tmp_path: Path) -> None:
        config = tank(tmp_path, bad("mine", "notthere"))
        result = call("check", "-c", config, "--settings")
        assert result.exit_code == 1
        assert "mine" in result.stdout
        assert "cannot be loaded" in result.stdout

    def test_what_is_set_is_among_it_but_not_what_only_a_missing_driver_understands(
        self, tmp_path: Path
    ) -> None:
        config = tank(tmp_path, bad("mine", "notthere", bus="s3cr3t"))
        told = json.loads(call("check", "-c", config, "--settings", "--json").stdout)["settings"]
        rows = {(one["table"], one["key"]): one["value"] for one in told}
        assert rows["source.mine", "driver"] == '"notthere"'
        assert rows["source.mine", "bus_name"] == "…"
        assert rows["tank", "volume"] == '"68 L"'


class TestOtherTanks:
    def test_what_two_must_not_share_is_to_fix_and_the_rest_is_not(self, tmp_path: Path) -> None:
        first = tank(tmp_path, GAUGE).rename(tmp_path / "stillwell.toml")
        text = first.read_text(encoding="utf-8")
        (tmp_path / "tanks").mkdir()
        second = tmp_path / "tanks" / "nursery.toml"
        second.write_text(text, encoding="utf-8")

        def odd(file: Path) -> set[str]:
            done = call("check", "--settings", "--json", "-c", file)
            found = json.loads(done.stdout)["points"]
            return {p["name"] for p in found if p["part"] == "config" and p["grade"] == "fix"}

        shared = {"tank.name", "store.path", "port"}
        assert odd(first) == odd(second) == shared
        for old, new in (
            ('name = "reading-room"', 'name = "nursery"'),
            (str(tmp_path), str(tmp_path / "other")),
            ("by-id/a", "by-id/b"),
        ):
            text = text.replace(old, new)
        second.write_text(text, encoding="utf-8")
        assert odd(first) == odd(second) == set()
        second.write_text("nothing that = anybody reads", encoding="utf-8")
        assert odd(first) == set()


class TestMachine:
    def test_a_missing_directory_of_the_store_is_to_fix(self, tmp_path: Path) -> None:
        config = tank(tmp_path)
        [answer] = json_lines(call("check", "-c", config, "-s", tmp_path / "no" / "t.db", "--json"))
        assert answer["ok"] is False
        [path] = [p for p in answer["points"] if p["part"] == "store"]
        assert "does not exist" in path["what"]

    @needs_root
    @pytest.mark.parametrize("closed", [0o555, 0o700])
    def test_a_directory_of_somebody_else_is_to_fix(self, tmp_path: Path, closed: int) -> None:
        for parent in (tmp_path, *tmp_path.parents[:-2]):
            parent.chmod(0o755)
        folder = tmp_path / "kept"
        folder.mkdir(mode=closed)
        assert "may not write" in as_user(
            "nobody", lambda: next(iter(machine.store(folder / "tank.db"))).what
        )

    @needs_root
    def test_who_asked_with_sudo_is_told_of_the_group(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """And of nothing else: not who is in it, nor where the group is root's."""
        monkeypatch.setenv("SUDO_USER", "games")
        asked = [p for p in machine.store(tmp_path / "tank.db") if p.name == "group"]
        os.chown(tmp_path, 0, getpwnam("mail").pw_gid)
        asked += [p for p in machine.store(tmp_path / "tank.db") if p.name == "group"]
        monkeypatch.setenv("SUDO_USER", "mail")
        asked += [p for p in machine.store(tmp_path / "tank.db") if p.name == "group"]
        [point] = asked
        assert point.do.endswith("sudo adduser games mail, then log in again.")

    def test_a_damaged_store_is_to_fix(self, tmp_path: Path) -> None:
        config = tank(tmp_path)
        Store.open(tmp_path / "tank.db").close()
        (tmp_path / "tank.db").write_bytes(b"not a database" * 500)
        found = points(config)["store", "path"]
        assert found["grade"] == "fix"
        assert "damaged" in found["what"]

    def test_a_faulty_configuration_is_told_with_line_and_key(self, tmp_path: Path) -> None:
        config = tank(tmp_path)
        config.write_text(config.read_text().replace('volume = "68 L"', 'volume = "68 bananas"'))
        result = call("check", "-c", config)
        assert result.exit_code == 2
        assert "line 6, tank.volume" in result.stderr
        assert result.stdout == ""

    def test_probes_and_adapters_that_nobody_named_are_listed(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        w1, serial = tmp_path / "w1", tmp_path / "serial/by-id"
        for entry in (w1 / "28-0316a2794a1f", w1 / "w1_bus_master1", serial / "usb-gauge-if00"):
            entry.mkdir(parents=True)
        monkeypatch.setattr(OneWire, "find", partial(OneWire.find, w1))
        monkeypatch.setattr(SerialText, "find", partial(SerialText.find, serial.parent))
        chip = tmp_path / "sys/devices/i2c-1/1-0044"
        own = tmp_path / "sys/devices/virtual"
        for number, (name, device) in enumerate({"sht3x": chip, "cpu_thermal": own}.items()):
            sensor = tmp_path / f"sys/class/hwmon/hwmon{number}"
            sensor.mkdir(parents=True)
            device.mkdir(parents=True)
            (sensor / "name").write_text(f"{name}\n")
            (sensor / "temp1_input").write_text("21000\n")
            (sensor / "device").symlink_to(device)
        sys = tmp_path / "sys"
        monkeypatch.setattr(KernelSensor, "find", partial(KernelSensor.find, sys))
        found = {p.name: p for p in machine.hardware(load(tank(tmp_path)))}
        assert set(found) == {"28-0316a2794a1f", "usb-gauge-if00", "sht3x"}
        assert 'device = "sht3x", value = "temp1_input"' in found["sht3x"].do
        assert 'probe = "28-0316a2794a1f"' in found["28-0316a2794a1f"].do
        assert str(serial / "usb-gauge-if00") in found["usb-gauge-if00"].do


class TestNotice:
    @pytest.mark.parametrize("more", ["", SERVER])
    def test_nobody_to_tell_is_the_first_thing_to_fix(self, tmp_path: Path, more: str) -> None:
        done = call("check", "-c", tank(tmp_path, more), "--no-notice")
        assert done.exit_code == 1
        assert "FIX   nobody: No recipient is configured" in done.stdout.splitlines()[1]

    def test_it_arrives_at_a_real_broker(
        self,
        tmp_path: Path,
        broker: Callable[..., Broker],
        listen: Callable[..., Listener],
    ) -> None:
        port = broker().port
        phone = listen(port)
        found = points(tank(tmp_path, SINK.format(port=port)))
        assert found["sink", "broker"]["grade"] == "well", found
        topic = "stillwell/reading-room/notice"
        wait_until(lambda: phone.on(topic), "the test notice")
        [notice] = phone.on(topic)
        assert b"this is not an alarm" in notice.payload

    def test_a_broker_that_denies_the_topic_is_to_fix(
        self, tmp_path: Path, broker: Callable[..., Broker]
    ) -> None:
        rules = tmp_path / "rules"
        rules.write_text("topic read #\n")
        port = broker(f"acl_file {rules}").port
        found = points(tank(tmp_path, SINK.format(port=port)))["sink", "broker"]
        assert found["grade"] == "fix", found
        assert "refused" in found["what"]

    def test_a_broker_that_is_not_there_is_to_fix(self, tmp_path: Path, free_port: int) -> None:
        found = points(tank(tmp_path, SINK.format(port=free_port)))["sink", "broker"]
        assert found["grade"] == "fix"
        assert "Nothing listens" in found["what"]

    def test_without_the_notice_no_sink_is_tried(self, tmp_path: Path, free_port: int) -> None:
        result = call("check", "-c", tank(tmp_path, SINK.format(port=free_port)), "--no-notice")
        assert result.exit_code == 0, result.stdout


class TestRunningDaemon:
    def test_it_is_asked_instead_of_its_sensors(
        self, tmp_path: Path, broker: Callable[..., Broker], free_port: int
    ) -> None:
        away = SINK.format(port=free_port).replace("sink.broker", "sink.away")
        config = tank(tmp_path, SINK.format(port=broker().port) + away + 'client_id = "second"\n')
        store = tmp_path / "tank.db"
        daemon = subprocess.Popen(
            [STILLWELL, "run", "-c", config, "--speed", "60"], stderr=subprocess.DEVNULL
        )
        try:
            wait_until(lambda: store.exists() and _has_readings(store), "readings on the disk")
            [answer] = json_lines(call("check", "-c", config, "--json", "--patience", "2 s"))
        finally:
            daemon.terminate()
            daemon.wait(30)
        found = {(p["part"], p["name"]): p for p in answer["points"]}
        assert answer["daemon_runs"] is True
        assert not [part for part, _ in found if part == "source"], "no driver was opened"
        assert found["channel", "water-a"]["grade"] == "well"
        assert "ago" in found["channel", "water-a"]["what"]
        assert found["sink", "broker"]["grade"] == "well"
        assert found["sink", "away"]["grade"] == "fix"
        assert "not gone out within 2 s" in found["sink", "away"]["what"]

    def test_the_first_round_of_one_that_has_just_begun_is_waited_for(self, tmp_path: Path) -> None:
        config, store = tank(tmp_path), tmp_path / "tank.db"
        daemon = subprocess.Popen([STILLWELL, "run", "-c", config], stderr=subprocess.DEVNULL)
        try:
            wait_until(lambda: store.exists() and _has_begun(store), "its beginning")
            found = points(config, "--no-notice")
        finally:
            daemon.terminate()
            daemon.wait(30)
        assert found["daemon", "watch"]["grade"] == "well"
        assert {found["channel", name]["grade"] for name in ("water-a", "float-low")} == {"well"}

    def test_where_it_takes_too_long_it_is_too_early_to_say(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(running, "LONGEST_WAIT_S", 0.0)
        now_ms = time.time_ns() // 1_000_000
        with Store.open(tmp_path / "tank.db") as store:
            epoch = store.begin_epoch("boot", Moment(0, now_ms), trusted=True)
            store.describe(KEY, RUN.text(Run(Moment(0, now_ms, epoch), "0")))
            store.commit()
            found = points(tank(tmp_path), "--no-notice")
        assert found["channel", "water-a"]["grade"] == "note"
        assert "Too early to say" in found["channel", "water-a"]["what"]

    def test_one_that_has_died_is_to_fix_and_one_that_never_ran_is_not(
        self, tmp_path: Path
    ) -> None:
        config = tank(tmp_path)
        assert points(config, "--no-notice")["daemon", "watch"]["grade"] == "note"
        then_ms = time.time_ns() // 1_000_000 - 4 * 86_400_000
        with Store.open(tmp_path / "tank.db") as store:
            epoch = store.begin_epoch("boot", Moment(0, then_ms), trusted=True)
            store.describe(KEY, RUN.text(Run(Moment(0, then_ms, epoch), "0")))
            store.put([Reading("water-a", Moment(0, then_ms, epoch), 25.3, Flag.PASS)])
        found = points(config, "--no-notice")["daemon", "watch"]
        assert found["grade"] == "fix"
        assert found["what"].startswith("NOT WATCHING since ")

    def test_a_reading_from_a_time_to_come_is_to_fix(self, tmp_path: Path) -> None:
        ahead_ms = time.time_ns() // 1_000_000 + 6 * 3_600_000
        with Store.open(tmp_path / "tank.db") as store:
            epoch = store.begin_epoch("boot", Moment(0, ahead_ms), trusted=True)
            store.describe(KEY, RUN.text(Run(Moment(0, ahead_ms, epoch), "0")))
            store.put([Reading("water-a", Moment(0, ahead_ms, epoch), 25.3, Flag.PASS)])
            store.commit()
            found = points(tank(tmp_path), "--no-notice")["daemon", "watch"]
        assert found["grade"] == "fix"
        assert "ahead of this clock" in found["what"]

    def test_a_holder_that_answers_nothing_is_told(self, tmp_path: Path) -> None:
        config = tank(tmp_path, SINK.format(port=1))
        with Store.open(tmp_path / "tank.db"):
            [answer] = json_lines(call("check", "-c", config, "--json", "--patience", "1 s"))
        found = {(p["part"], p["name"]): p for p in answer["points"]}
        assert "did not answer" in found["sink", "notice"]["what"]
        assert "kept no reading of it yet" in found["channel", "water-a"]["what"]


def _has_begun(store: Path) -> bool:
    try:
        with StoreReader.open(store) as reader:
            return reader.described(KEY) is not None
    except StoreError:
        return False


def _has_readings(store: Path) -> bool:
    try:
        with StoreReader.open(store) as reader:
            return len(reader.latest_readings()) == 3
    except StoreError:
        return False
