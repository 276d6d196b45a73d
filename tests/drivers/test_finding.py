"""What each driver finds to read on a machine, and what is made of a driver that can't be asked."""

from __future__ import annotations

import os
import pty
import threading
import time
from collections.abc import Callable, Iterator
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import gpiod
import pytest
from gpiod.line import Direction
from hypothesis import given
from hypothesis import strategies as st

from fake_header import Header
from pseudo_pi import PROBE, PseudoPi
from real_broker import Broker, Listener
from stillwell.acquire.clock import SystemClock
from stillwell.commissioning import found as finding
from stillwell.commissioning.found import found
from stillwell.commissioning.live import Live
from stillwell.ports import Candidate, DriverError, FindsSensors
from stillwell_drivers import gpio_float
from stillwell_drivers.gpio_float import GpioFloat
from stillwell_drivers.kernel_sensor import KernelSensor
from stillwell_drivers.line_pattern import LinePattern
from stillwell_drivers.line_shape import shape_of
from stillwell_drivers.mqtt_in import MqttIn
from stillwell_drivers.onewire import OneWire
from stillwell_drivers.serial_text import SerialText


@pytest.fixture
def pi(tmp_path: Path) -> PseudoPi:
    return PseudoPi(tmp_path / "pi")


@pytest.fixture
def header(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Header:
    made = Header()
    (tmp_path / "gpiochip0").touch()
    monkeypatch.setattr(gpio_float, "_CHIPS", str(tmp_path / "gpiochip*"))
    monkeypatch.setattr(gpiod, "Chip", made.chip)
    return made


def values(made: type[Any], *candidates: Candidate) -> dict[str, float]:
    with Live(made, candidates, SystemClock()) as live:
        return live.values()


class TestProbes:
    def test_are_found_and_can_be_read_before_any_settings_name_them(self, pi: PseudoPi) -> None:
        pi.probe(PROBE, 25.125)
        pi.probe("28-0316a27948c3", 20.0)
        candidates = list(OneWire.find(pi.w1))
        assert [each.name for each in candidates] == sorted((PROBE, "28-0316a27948c3"))
        assert {each.role for each in candidates} == {"water"}
        assert values(OneWire, *candidates) == {PROBE: 25.125, "28-0316a27948c3": 20.0}

    def test_a_bus_without_one_says_how_it_is_wired(self, pi: PseudoPi) -> None:
        with pytest.raises(DriverError, match=r"4\.7 kΩ"):
            list(OneWire.find(pi.w1))

    def test_no_bus_says_what_to_write_into_config_txt(self, tmp_path: Path) -> None:
        with pytest.raises(DriverError, match="dtoverlay=w1-gpio"):
            list(OneWire.find(tmp_path / "away"))


class TestFloats:
    def test_may_be_on_every_free_line_that_is_an_input(self, header: Header) -> None:
        header.lines[22].holder = "spi"
        header.lines[23].direction = Direction.OUTPUT
        names = {each.name for each in GpioFloat.find()}
        assert "GPIO17" in names
        assert not names & {"GPIO22", "GPIO23", "GPIO2", "GPIO4", "GPIO14"}
        assert not header.asked, "looking takes no line"
        assert all(chip.closed for chip in header.chips)

    def test_are_read_by_inputs_alone_and_given_back(self, header: Header) -> None:
        candidates = list(GpioFloat.find())
        header.lines[17].level = 0
        read = values(GpioFloat, *candidates)
        assert [name for name, value in read.items() if value] == ["GPIO17"]
        [config] = header.asked
        assert {line.direction for line in config.values()} == {Direction.INPUT}
        assert all(request.released for request in header.requests)


class TestKernelSensors:
    def test_are_those_on_a_bus_and_named_so_that_a_restart_changes_nothing(
        self, tmp_path: Path
    ) -> None:
        at = {"sht3x": "i2c-1/1-0044", "cpu_thermal": "virtual", "vl53": "i2c-1/1-0029"}
        for number, (name, place) in enumerate([*at.items(), ("sht3x", "i2c-1/1-0045")]):
            device = tmp_path / "sys/devices" / place
            sensor = tmp_path / f"sys/class/hwmon/hwmon{number}"
            for folder in (device, sensor):
                folder.mkdir(parents=True)
            (sensor / "name").write_text(f"{name}\n")
            value = "in_distance_raw" if name == "vl53" else "temp1_input"
            (sensor / value).write_text("21000\n")
            (sensor / "device").symlink_to(device)
        found = list(KernelSensor.find(tmp_path / "sys"))
        assert [each.role for each in found] == ["room", "distance", "room"]
        paths = [str(tmp_path / "sys/devices/i2c-1" / place) for place in ("1-0044", "1-0045")]
        assert [each.channel["device"] for each in found] == [paths[0], "vl53", paths[1]]
        assert values(KernelSensor, found[0]) == {paths[0]: 21.0}


@pytest.fixture
def gauge(tmp_path: Path) -> Iterator[Callable[[bytes], Path]]:
    """A gauge that prints this again and again, at a pseudo-terminal of the kernel's."""
    over = threading.Event()
    ours, theirs = pty.openpty()

    def make(line: bytes) -> Path:
        def prints() -> None:
            while not over.wait(0.02):
                os.write(ours, line)

        names = tmp_path / "serial"
        (names / "by-id").mkdir(parents=True)
        (names / "by-path").mkdir()
        for name in ("by-id/usb-gauge-if00", "by-path/platform-usb-0"):
            (names / name).symlink_to(os.ttyname(theirs))
        threading.Thread(target=prints, daemon=True).start()
        return names

    yield make
    over.set()
    time.sleep(0.05)
    os.close(ours)
    os.close(theirs)


class TestGauges:
    def test_are_named_once_by_what_stays_and_not_opened(self, tmp_path: Path) -> None:
        names = tmp_path / "serial"
        (names / "by-id").mkdir(parents=True)
        (names / "by-id/usb-gauge-if00").symlink_to(tmp_path / "no-such-tty")
        [found] = SerialText.find(names)
        assert found.name == str(names / "by-id/usb-gauge-if00")
        assert found.listen is not None

    def test_are_listened_to_and_read_with_the_pattern_that_is_proposed(
        self, gauge: Callable[[bytes], Path]
    ) -> None:
        [found] = SerialText.find(gauge(b"level=-3.2 cm t=21.4\r\n"))
        assert found.listen is not None
        level, t = found.listen()
        assert (level.role, t.role) == ("level", "room")
        assert level.channel == {"group": "level", "scale": 10.0}
        assert values(SerialText, level, t) == {level.name: -32.0, t.name: 21.4}

    def test_one_that_prints_no_number_says_what_else_it_may_be(
        self, gauge: Callable[[bytes], Path], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from stillwell_drivers import serial_text

        names = gauge(b"hello\n")
        with pytest.raises(DriverError, match="Modbus"):
            serial_text.listened(str(names / "by-id/usb-gauge-if00"), 0.2)


class TestTheShapeOfALine:
    @pytest.mark.parametrize(
        ("lines", "pattern", "roles"),
        [
            (["level=-3.2", "level=10"], r"level=(?P<level>[-+]?\d+(?:\.\d+)?)", ["level"]),
            (["12.5 mm"], r"(?P<mm>[-+]?\d+(?:\.\d+)?)\s+mm", ["level"]),
            (["-7"], r"(?P<n>[-+]?\d+(?:\.\d+)?)", [""]),
            (["Distance: 18.2 cm"], None, ["distance"]),
            (["T=21.4 C RH=48 %", "ready"], None, ["room", "humidity"]),
            (["a=1 a=2"], None, ["", ""]),
        ],
    )
    def test_is_what_its_lines_have_in_common(
        self, lines: list[str], pattern: str | None, roles: list[str]
    ) -> None:
        shape = shape_of(lines)
        assert shape is not None
        assert pattern in (None, shape.pattern)
        assert [figure.role for figure in shape.figures] == roles

    def test_there_is_none_without_a_number(self) -> None:
        assert shape_of(["hello", "", "v2beta"]) is None

    @given(st.lists(st.text(st.characters(codec="utf-8", exclude_categories=["C"])), max_size=4))
    def test_whatever_comes_the_pattern_is_allowed_and_matches(self, lines: list[str]) -> None:
        shape = shape_of(line[:100] for line in lines)
        if shape is None or len(shape.pattern) > 900:
            return
        pattern = LinePattern(shape.pattern)
        assert any(pattern.groups_of(line[:100].strip()) for line in lines)


class TestABroker:
    def test_is_listened_to_for_what_boards_publish(
        self, broker: Callable[..., Broker], listen: Callable[..., Listener]
    ) -> None:
        port = broker().port
        board = listen(port)
        board.say("old/value", b"7", retain=True)
        from stillwell_drivers.mqtt_in import overheard

        over = threading.Event()

        def publishes() -> None:
            while not over.wait(0.05):
                board.say("shelf/temperature", b"21.5")
                board.say("shelf/air", b'{"sht": {"humidity": 48.5, "a/b": true}}')
                board.say("stillwell/x/reading/water", b"1")
                board.say("shelf/status", b"online")

        thread = threading.Thread(target=publishes)
        thread.start()
        try:
            assert [each.name for each in MqttIn.find("127.0.0.1", port)] == [f"127.0.0.1:{port}"]
            heard = overheard("127.0.0.1", port, 1.0)
        finally:
            over.set()
            thread.join()
        assert [each.channel for each in heard] == [
            {"topic": "shelf/air", "pointer": "/sht/humidity"},
            {"topic": "shelf/temperature"},
        ]
        assert heard[1].source == {"host": "127.0.0.1", "port": port}
        assert "now 21.5" in heard[1].what

    def test_is_none_where_nothing_answers(self, free_port: int) -> None:
        assert list(MqttIn.find("127.0.0.1", free_port)) == []


class TestDriversOfOthers:
    """Entry points as an installed package has them; the classes are in `strange_finders`."""

    @pytest.mark.parametrize(
        ("name", "says"),
        [
            ("Hangs", "hangs"),
            ("Raises", "ValueError: no"),
            ("Exits", "SystemExit"),
            ("Endless", ""),
            ("Junk", "found what is no sensor"),
            ("Unplugged", "It is not there."),
        ],
    )
    def test_one_that_fails_is_left_out_with_a_word_and_the_others_are_asked(
        self, name: str, says: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(finding, "FIND_WITHIN_S", 0.3)
        points = {
            each: EntryPoint(each, f"strange_finders:{each}", "stillwell.drivers")
            for each in (name, "NoFinder", "Missing", "Good")
        }
        strange, good = found(points)
        assert says in strange.what
        assert strange.at_fault is (name not in ("Endless", "Unplugged"))
        assert len(strange.candidates) <= finding.MOST
        assert [each.name for each in good.candidates] == ["good-1"]

    def test_ours_declare_how_they_are_found(self) -> None:
        for made in (OneWire, GpioFloat, KernelSensor, SerialText, MqttIn):
            assert isinstance(made, FindsSensors)
