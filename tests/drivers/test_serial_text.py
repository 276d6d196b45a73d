"""The line-reading driver on pseudo-terminals (openpty), with the real pyserial in between."""

from __future__ import annotations

import errno
import fcntl
import os
import random
import sys
import termios
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial
from hypothesis import example, given
from hypothesis import strategies as st
from pydantic import ValidationError

from far_gauge import Gauge
from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract, within
from stillwell_drivers import serial_port, serial_text
from stillwell_drivers.serial_text import LineBuffer, SerialText, SerialTextSettings

FULL, GENEROUS_S = 4000, 20.0
"""Bytes that a terminal surely holds for its reader; a limit that only ends what hangs."""
PATTERN = r"level=(?P<mm>\S+) mm"


@pytest.fixture
def gauge(tmp_path: Path) -> Iterator[Gauge]:
    made = Gauge(tmp_path)
    yield made
    made.unplug()


class Prompted(SerialText):
    """The real driver; what the gauge says is said just before the driver waits for it, which is
    how a line comes to arrive during a read."""

    say: Callable[[], None] = staticmethod(lambda: None)

    def _wait(self, port: object) -> object:  # type: ignore[override]
        self.say()
        return super()._wait(port)  # type: ignore[arg-type]


def settings(gauge: Gauge, **more: object) -> SerialTextSettings:
    return SerialTextSettings.model_validate(
        {
            "channels": {"level": {"group": "mm"}},
            "port": str(gauge.name),
            "pattern": PATTERN,
            "silent_after": "300 ms",
            **more,
        }
    )


@pytest.fixture
def driver(gauge: Gauge) -> Iterator[Prompted]:
    """Open, and past the first line end, from where on lines count."""
    made = Prompted(settings(gauge))
    made.open()
    gauge.say(b"\n")
    yield made
    made.close()


def one(driver: SerialText) -> Sample:
    (sample,) = within(20, "SerialText.read", lambda: list(driver.read()))
    return sample


def say_before(gauge: Gauge, data: bytes) -> None:
    """Says `data` and waits until it, or as much as the line holds, can be read: the kernel hands
    it over in a thread of its own."""
    gauge.say(data)
    until = time.monotonic() + GENEROUS_S
    while (there := waiting(gauge.slave)) < min(len(data), FULL):
        assert time.monotonic() < until, f"{there} bytes have arrived"
        time.sleep(0.001)


def waiting(handle: int) -> int:
    """Returns how many bytes can be read."""
    return int.from_bytes(fcntl.ioctl(handle, termios.FIONREAD, bytes(4)), sys.byteorder)


def hear(driver: Prompted, gauge: Gauge, data: bytes) -> Sample:
    """One read during which the gauge says `data`."""
    driver.say = lambda: gauge.say(data)
    try:
        return one(driver)
    finally:
        driver.say = lambda: None


class TestSerialTextKeepsTheContract(DriverContract):
    @pytest.fixture
    def case(self, gauge: Gauge) -> DriverCase:
        raw = settings(gauge).model_dump(mode="json")
        return DriverCase(
            SerialText,
            {**raw, "silent_after": "100 ms"},
            absent={**raw, "port": str(gauge.folder / "nothing-there")},
            before_read=lambda: gauge.say(b"\nlevel=-12.5 mm\n"),
        )


class TestLines:
    def test_a_line_gives_its_number_and_stands_as_evidence(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        sample = hear(driver, gauge, b"level=-12.5 mm\r\n")
        assert sample == Sample("level", -12.5, None, "level=-12.5 mm", False)

    @pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
    def test_every_usual_line_end_ends_a_line(
        self, driver: Prompted, gauge: Gauge, end: bytes
    ) -> None:
        assert hear(driver, gauge, b"level=3 mm" + end).value == 3.0

    def test_the_latest_of_several_lines_counts(self, driver: Prompted, gauge: Gauge) -> None:
        assert hear(driver, gauge, b"level=1 mm\nlevel=2 mm\nlevel=3 mm\n").value == 3.0

    def test_half_a_line_is_kept_for_the_next_read(self, driver: Prompted, gauge: Gauge) -> None:
        assert hear(driver, gauge, b"level=-1").value is None
        assert hear(driver, gauge, b"2.5 mm\n").value == -12.5

    def test_a_piece_at_the_start_of_the_stream_is_thrown_away(self, gauge: Gauge) -> None:
        driver = Prompted(settings(gauge, pattern=r"(?P<mm>[0-9.]+)"))
        driver.open()
        try:
            # 123.4 with its first digits sent before we listened.
            assert hear(driver, gauge, b"3.4\n").failure is not None
            assert hear(driver, gauge, b"123.5\n").value == 123.5
        finally:
            driver.close()

    def test_a_line_of_now_wins_over_the_buffered_ones(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        say_before(gauge, b"level=1 mm\nlevel=2 mm\n")
        assert hear(driver, gauge, b"level=3 mm\n").value == 3.0

    def test_the_last_buffered_one_is_taken_if_none_comes(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        say_before(gauge, b"level=1 mm\nlevel=2 mm\n")
        sample = one(driver)
        assert (sample.value, sample.stale) == (2.0, False)

    def test_after_an_overflow_the_buffered_one_is_stale(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        os.set_blocking(gauge.master, False)
        try:
            for _ in range(10_000):
                gauge.say(b"level=1 mm\n")
        except BlockingIOError:
            pass
        sample = one(driver)
        assert (sample.value, sample.stale) == (1.0, True)

    def test_after_an_overflow_two_halves_do_not_make_a_line(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        say_before(gauge, b"level=1 mm\n" * 400 + b"level=12")
        sample = hear(driver, gauge, b"3 mm\n")
        assert (sample.value, sample.stale) == (1.0, True)

    def test_nor_do_they_when_the_buffer_overflows_during_the_read(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        # A pseudo-terminal holds its writer back and loses nothing, so a fake port stands here.
        arrived = [b"?", b"?" * 4086 + b"\nlevel=12", b"3", b" mm\n"]

        class Port:
            @property
            def in_waiting(self) -> int:
                return len(arrived[0]) if arrived else 0

            def read(self, size: int) -> bytes:
                return arrived.pop(0) if size and arrived else b""

        haul = SerialText._wait(driver, Port())  # type: ignore[arg-type]
        assert haul.values == {}

    def test_blanks_and_a_decimal_comma_do_not_matter_to_the_number(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        assert hear(driver, gauge, b"  level=7,25 mm \n").value == 7.25

    def test_scale_and_offset_bring_it_to_the_channels_unit(self, gauge: Gauge) -> None:
        channels = {"level": {"group": "cm", "scale": -10.0, "offset": 185.0}}
        driver = Prompted(settings(gauge, channels=channels, pattern=r"d=(?P<cm>\S+)cm"))
        driver.open()
        try:
            assert hear(driver, gauge, b"\nd=19.5cm\n").value == -10.0
        finally:
            driver.close()

    def test_channels_may_come_on_lines_of_their_own(self, gauge: Gauge) -> None:
        channels = {"room": {"group": "t"}, "humidity": {"group": "h"}}
        driver = Prompted(settings(gauge, channels=channels, pattern=r"T (?P<t>\S+)|H (?P<h>\S+)"))
        driver.open()
        driver.say = lambda: gauge.say(b"\nT 20.5\nH 48\n")
        try:
            got = {s.channel: s.value for s in driver.read()}
            assert got == {"room": 20.5, "humidity": 48.0}
            driver.say = lambda: gauge.say(b"T 20.6\n")
            late = {s.channel: (s.value, s.failure) for s in driver.read()}
            assert late == {"room": (20.6, None), "humidity": (None, Failure.SILENT)}
        finally:
            driver.close()


class TestWhatIsNoReading:
    def test_silence_is_told_with_its_length(self, driver: Prompted) -> None:
        driver.read()
        assert one(driver) == Sample("level", None, Failure.SILENT, "nothing came for 0.3 s")

    def test_lines_that_match_nothing_point_to_baud_and_pattern(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        sample = hear(driver, gauge, b"\x00\xf8\x80x\xfe\n\xe0\x1c\n")
        assert (sample.value, sample.failure) == (None, Failure.GARBAGE)
        assert sample.raw.startswith("matches nothing; check baud, pattern: ")
        assert sample.raw.isprintable()

    def test_bytes_without_a_line_end_point_to_baud(self, driver: Prompted, gauge: Gauge) -> None:
        sample = hear(driver, gauge, b"\x80\xf8" * 100)
        assert sample.failure is Failure.GARBAGE
        assert sample.raw.startswith("no line end; check baud: ")

    def test_a_good_line_among_garbage_counts_and_says_how_much_there_was(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        sample = hear(driver, gauge, b"?\n??\n\nlevel=4 mm\n")
        assert (sample.value, sample.failure) == (4.0, None)
        assert sample.raw == "level=4 mm (+2 lines that match nothing)"

    @pytest.mark.parametrize(
        "number",
        [
            b"nan",
            b"inf",
            b"-inf",
            b"1e999",
            b"1e12",
            b"-9e9",
            b"",
            b"--3",
            b"1.2.3",
            b"0x1F",
            b"1_0",
        ],
    )
    def test_what_is_no_sane_number_is_garbage(
        self, driver: Prompted, gauge: Gauge, number: bytes
    ) -> None:
        sample = hear(driver, gauge, b"level=" + number + b" mm\n")
        assert (sample.value, sample.failure) == (None, Failure.GARBAGE)

    def test_a_damaged_number_does_not_bring_back_an_older_line(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        say_before(gauge, b"level=1 mm\n")
        assert hear(driver, gauge, b"level=nan mm\n").failure is Failure.GARBAGE

    def test_an_overlong_line_is_garbage_and_the_next_one_counts(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        long = b"level=1" + b" " * 1000 + b" mm\n"
        assert hear(driver, gauge, long).failure is Failure.GARBAGE
        assert hear(driver, gauge, b"level=2 mm\n").value == 2.0

    def test_a_line_that_matches_only_because_it_was_cut_does_not_count(self, gauge: Gauge) -> None:
        driver = Prompted(settings(gauge, pattern=r"(?P<mm>\d+) x+"))
        driver.open()
        try:
            assert hear(driver, gauge, b"\n1 " + b"x" * 1000 + b"y\n").failure is Failure.GARBAGE
            assert hear(driver, gauge, b"2 " + b"x" * 100 + b"\n").value == 2.0
        finally:
            driver.close()


class TestUnplugging:
    def test_it_is_an_error_in_words_and_leaves_nothing_open(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        gauge.unplug()
        with pytest.raises(DriverError, match="stopped working") as caught:
            one(driver)
        assert str(gauge.name) in caught.value.what
        with pytest.raises(DriverError, match="not open"):
            one(driver)

    def test_while_it_is_out_opening_says_that_it_is_missing(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        driver.close()
        gauge.unplug()
        for _ in range(3):
            with pytest.raises(DriverError, match="does not exist"):
                driver.open()

    def test_plugged_in_again_under_another_number_it_is_found_by_its_name(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        assert hear(driver, gauge, b"level=1 m").value is None
        gauge.unplug()
        with pytest.raises(DriverError):
            one(driver)
        gauge.plug()
        driver.open()
        # The half line from before must not meet the first one of now.
        assert hear(driver, gauge, b"m\n").value is None
        assert hear(driver, gauge, b"level=2 mm\n").value == 2.0

    def test_any_error_of_the_port_closes_it(
        self, driver: Prompted, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        # pyserial is known to raise TypeError when a port goes away under its hands (from memory).
        def storm(size: int = 1) -> bytes:
            raise TypeError("'NoneType' object cannot be interpreted as an integer")

        monkeypatch.setattr(driver._port, "read", storm)
        with pytest.raises(DriverError, match="stopped working"):
            one(driver)
        assert driver._port is None


class TestOpening:
    def test_a_port_that_the_unit_keeps_from_the_service_is_told_with_its_remedy(
        self, driver: Prompted, gauge: Gauge, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        # As the kernel answers where a cgroup's rules for devices say no; without systemd there are
        # none to be had.
        def denied(*_: object, **__: object) -> None:
            raise serial.SerialException(errno.EPERM, "Operation not permitted")

        monkeypatch.setattr(serial, "Serial", denied)
        with pytest.raises(DriverError, match="unit does not allow it") as caught:
            driver.open()
        assert f"DeviceAllow={gauge.name} rw" in caught.value.do

    def test_a_port_that_another_has_is_told_with_the_way_to_find_it(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        with pytest.raises(DriverError, match="in use by another program") as caught:
            SerialText(settings(gauge)).open()
        assert "fuser" in caught.value.do

    def test_what_is_no_serial_port_is_told(self, tmp_path: Path, gauge: Gauge) -> None:
        plain = tmp_path / "notes.txt"
        plain.write_text("no port")
        with pytest.raises(DriverError, match="cannot be opened as a serial port"):
            SerialText(settings(gauge, port=str(plain))).open()

    def test_what_was_said_before_opening_does_not_count(self, gauge: Gauge) -> None:
        say_before(gauge, b"level=1 mm\nlevel=1 mm\n")
        driver = SerialText(settings(gauge))
        driver.open()
        try:
            assert one(driver).failure is Failure.SILENT
        finally:
            driver.close()


class TestSettings:
    @pytest.fixture
    def names(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        folder = tmp_path / "serial"
        (folder / "by-id").mkdir(parents=True)
        (folder / "by-path").mkdir()
        (folder / "by-id/usb-gauge").symlink_to("/dev/ttyUSB7")
        (folder / "by-id/usb-other").symlink_to("/dev/ttyACM0")
        (folder / "by-path/platform-1.2").symlink_to("/dev/ttyUSB7")
        monkeypatch.setattr(serial_port, "_NAMES", folder)
        return folder

    def parse(self, **more: object) -> SerialTextSettings:
        return SerialTextSettings.model_validate(
            {
                "channels": {"level": {"group": "mm"}},
                "port": "/dev/serial0",
                "pattern": PATTERN,
                **more,
            }
        )

    def test_a_bare_number_is_refused_with_the_names_to_paste(self, names: Path) -> None:
        with pytest.raises(ValidationError) as caught:
            self.parse(port="/dev/ttyUSB7")
        assert f'"{names}/by-id/usb-gauge" or "{names}/by-path/platform-1.2"' in str(caught.value)
        assert "usb-other" not in str(caught.value)

    def test_a_bare_number_of_nothing_is_refused_with_all_there_are(self, names: Path) -> None:
        with pytest.raises(ValidationError, match=r"usb-gauge.*usb-other"):
            self.parse(port="/dev/ttyACM3")

    def test_with_nothing_plugged_in_it_says_where_to_look(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(serial_port, "_NAMES", tmp_path / "nowhere")
        with pytest.raises(ValidationError, match="/dev/serial/by-id shows"):
            self.parse(port="/dev/ttyUSB0")

    @pytest.mark.parametrize(
        "port", ["/dev/serial/by-id/usb-x", "/dev/serial/by-path/p", "/dev/serial0", "/dev/pts/3"]
    )
    def test_names_that_stay_are_taken(self, port: str) -> None:
        assert self.parse(port=port).port == port

    @pytest.mark.parametrize(
        ("more", "told"),
        [
            ({"port": "COM3"}, "no path"),
            ({"pattern": "level=("}, "single quotes"),
            ({"pattern": r"(?P<cm>\d+)"}, "it has: cm"),
            ({"pattern": r"\d+"}, "it has: none"),
            ({"channels": {"level": {"group": "mm", "scale": 0}}}, "every reading the same"),
            ({"channels": {"level": {"group": "mm", "scale": float("nan")}}}, "finite"),
            ({"silent_after": "0 s"}, "100 ms"),
            ({"silent_after": "3"}, "no unit"),
            ({"baud": 0}, "50"),
        ],
    )
    def test_what_cannot_be_is_refused_in_words(self, more: dict[str, object], told: str) -> None:
        with pytest.raises(ValidationError, match=told):
            self.parse(**more)

    def test_the_bus_is_the_port(self) -> None:
        assert SerialText.bus(self.parse()) == "serial:/dev/serial0"


class TestTheLineBuffer:
    @given(st.lists(st.binary(max_size=600), max_size=20))
    def test_how_the_bytes_are_cut_into_reads_changes_nothing(self, pieces: list[bytes]) -> None:
        whole, cut = LineBuffer(), LineBuffer()
        lines = [line for piece in pieces for line in cut.feed(piece)]
        assert whole.feed(b"".join(pieces)) == lines
        assert whole.piece == cut.piece

    @given(st.lists(st.binary(max_size=600), max_size=20))
    @example([b"x" * 600])
    @example([b"\n", b"x" * 200, b"x" * 200 + b"\n"])
    def test_it_never_holds_more_than_one_longest_line(self, pieces: list[bytes]) -> None:
        buffer = LineBuffer()
        for piece in pieces:
            assert all(len(line) <= 257 for line in buffer.feed(piece))
            assert len(buffer.piece) <= 257


class TestAMillionBytesOfNoise:
    def test_they_raise_nothing_and_take_no_memory(
        self, gauge: Gauge, monkeypatch: pytest.MonkeyPatch, long_run: bool
    ) -> None:
        for module in (serial_port, serial_text):
            monkeypatch.setattr(module, "POLL_S", 0.001)
        driver = SerialText(settings(gauge, silent_after="100 ms"))
        driver.open()
        noise = random.Random(1_000_003)
        size = 20_000_000 if long_run else 1_000_000

        def talk() -> None:
            for _ in range(size // 1000):
                # Line ends and pieces of good lines are mixed in, to reach the parser too.
                seam = noise.choice([b"", b"\n", b"\r\n", b"level=", b" mm\n", b"level=nan mm\n"])
                gauge.say(noise.randbytes(1000) + seam)
            gauge.say(b"\nlevel=42 mm\n")

        talker = threading.Thread(target=talk, daemon=True)
        tracemalloc.start()
        try:
            talker.start()
            last: list[Sample] = []
            while talker.is_alive() or not last or last[0].value != 42.0:
                last = within(60, "SerialText.read", lambda: list(driver.read()))
                assert len(last) == 1
                assert len(last[0].raw) <= 80
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
            driver.close()
            talker.join(10)
        # One read drains at most 64 chunks of 4 KiB, and keeps lines of at most 257 bytes.
        assert peak < 2 * 2**20
