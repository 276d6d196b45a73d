"""The driver of binary frames on pseudo-terminals, with the real pyserial, cobs and crccheck in
between. Frames are built here by binascii's CRC and by hand, not by the libraries under test."""

from __future__ import annotations

import binascii
import random
import struct
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from far_gauge import Gauge
from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract, within
from stillwell_drivers.serial_frame import FrameBuffer, SerialFrame, SerialFrameSettings

Given = dict[str, object]
BASE: Given = {"channels": {"level": {"field": 0, "scale": 0.1}}, "port": "/dev/x", "fields": "<hH"}
COBS: Given = {**BASE, "framing": "cobs", "crc": "CRC-16/XMODEM", "crc_order": "big"}
LENGTH: Given = {
    **BASE,
    "framing": "length",
    "sync": "aa 55",
    "crc": "crc-32",
    "crc_from": "length",
}
PLAIN: Given = {**BASE, "framing": "length", "sync": "aa55"}
PAYLOAD = struct.pack("<hH", -125, 7)


def stuffed(data: bytes) -> bytes:
    """Cheshire & Baker's algorithm, for data of less than 254 bytes."""
    out = b""
    for block in data.split(b"\0"):
        out += bytes([len(block) + 1]) + block
    return out + b"\0"


def cobs_frame(payload: bytes = PAYLOAD) -> bytes:
    return stuffed(payload + struct.pack(">H", binascii.crc_hqx(payload, 0)))


def length_frame(payload: bytes = PAYLOAD) -> bytes:
    checked = bytes([len(payload)]) + payload
    return b"\xaa\x55" + checked + struct.pack("<I", binascii.crc32(checked))


def plain_frame(payload: bytes = PAYLOAD) -> bytes:
    return b"\xaa\x55" + bytes([len(payload)]) + payload


FORMS = [
    pytest.param(COBS, cobs_frame, id="cobs"),
    pytest.param(LENGTH, length_frame, id="length"),
    pytest.param(PLAIN, plain_frame, id="no check word"),
]


def parsed(given: Given, **more: object) -> SerialFrameSettings:
    return SerialFrameSettings.model_validate({**given, **more})


@pytest.fixture
def gauge(tmp_path: Path) -> Iterator[Gauge]:
    made = Gauge(tmp_path)
    yield made
    made.unplug()


class Prompted(SerialFrame):
    """The real driver; what the gauge says is said just before the driver waits for it, which is
    how a frame comes to arrive during a read."""

    say: Callable[[], None] = staticmethod(lambda: None)

    def _wait(self, port: object) -> list[Sample]:
        self.say()
        return super()._wait(port)  # type: ignore[arg-type]


@pytest.fixture
def driver(gauge: Gauge) -> Iterator[Prompted]:
    made = Prompted(parsed(COBS, port=str(gauge.name), silent_after="1 s"))
    made.open()
    yield made
    made.close()


def hear(driver: Prompted, gauge: Gauge, data: bytes) -> Sample:
    driver.say = lambda: gauge.say(data)
    (sample,) = within(20, "SerialFrame.read", lambda: list(driver.read()))
    driver.say = lambda: None
    return sample


class TestSerialFrameKeepsTheContract(DriverContract):
    @pytest.fixture
    def case(self, gauge: Gauge) -> DriverCase:
        given = {**COBS, "port": str(gauge.name), "silent_after": "100 ms"}
        return DriverCase(
            SerialFrame,
            given,
            absent={**given, "port": str(gauge.folder / "nothing-there")},
            before_read=lambda: gauge.say(b"\0" + cobs_frame()),
        )


class TestFrames:
    @pytest.mark.parametrize(("given", "frame"), FORMS)
    def test_whole_frames_are_found_in_any_pieces(
        self, given: Given, frame: Callable[..., bytes]
    ) -> None:
        buffer = FrameBuffer(parsed(given))
        stream = b"\0" + frame() + frame(b"\0\xaa\x55\0") + frame(b"\0" * 4)
        got = [payload for byte in stream for payload in buffer.feed(bytes([byte])).payloads]
        assert got == [PAYLOAD, b"\0\xaa\x55\0", b"\0" * 4]

    @pytest.mark.parametrize(("given", "frame"), FORMS)
    def test_the_next_one_after_garbage_counts(
        self, given: Given, frame: Callable[..., bytes]
    ) -> None:
        spoilt = bytearray(frame())
        spoilt[-4] ^= 0x40
        stream = frame()[3:] + b"\0\xaa\x55\xff\0" + (b"" if given is PLAIN else bytes(spoilt))
        caught = FrameBuffer(parsed(given)).feed(stream + b"\xaa\xaa\x55\0" + frame())
        assert caught.payloads == [PAYLOAD]
        assert bool(caught.damaged) is (given is not PLAIN)

    def test_garbage_that_begins_like_a_frame_swallows_none(self) -> None:
        stream = b"\xaa\x55\x04" + length_frame() + b"\xaa\x55\x04\xaa" + length_frame()
        assert FrameBuffer(parsed(LENGTH)).feed(stream).payloads == [PAYLOAD, PAYLOAD]

    def test_frames_of_another_length_are_passed_over(self) -> None:
        buffer = FrameBuffer(parsed(COBS))
        caught = buffer.feed(b"\0" + cobs_frame(b"hello there") + cobs_frame())
        assert caught == ([PAYLOAD], 0)

    @given(st.binary(max_size=200), st.sampled_from([COBS, LENGTH]))
    def test_no_garbage_hides_the_frame_after_it_nor_becomes_one(
        self, garbage: bytes, given: Given
    ) -> None:
        frame = cobs_frame() if given is COBS else length_frame()
        # A zero byte ends whatever garbage has begun.
        caught = FrameBuffer(parsed(given)).feed(garbage + b"\0" + frame)
        assert caught.payloads[-1:] == [PAYLOAD]

    @pytest.mark.parametrize(("given", "frame"), FORMS[:2])
    def test_ten_million_fuzzed_bytes(
        self, given: Given, frame: Callable[..., bytes], long_run: bool
    ) -> None:
        rng = random.Random(7)
        buffer = FrameBuffer(parsed(given))
        made, sent, size = 0, 0, 10_000_000 if long_run else 200_000
        tracemalloc.start()
        while size > 0:
            good = rng.random() < 0.5
            piece = frame() if good else rng.randbytes(rng.randrange(1, 2000))
            if not good and rng.random() < 0.5:
                spoilt = bytearray(frame())
                spoilt[rng.randrange(len(spoilt))] ^= 1 << rng.randrange(8)
                piece = bytes(spoilt)
            caught = buffer.feed(b"\0" + piece)
            assert all(payload == PAYLOAD for payload in caught.payloads)
            sent, made, size = sent + good, made + len(caught.payloads), size - len(piece) - 1
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert made >= 0.95 * sent  # a head that garbage has begun may swallow the frame after it
        assert most < 200_000


class TestOnAPort:
    def test_a_frame_gives_its_field(self, driver: Prompted, gauge: Gauge) -> None:
        got = hear(driver, gauge, b"\0" + cobs_frame())
        assert got == Sample("level", -12.5, None, "83 ff 07 00")

    def test_what_was_buffered_before_the_read_is_not_taken(
        self, driver: Prompted, gauge: Gauge
    ) -> None:
        gauge.say(b"\0" + cobs_frame() * 100)
        got = hear(driver, gauge, b"")
        assert (got.value, got.failure) == (None, Failure.SILENT)

    def test_what_is_no_frame_is_told_with_its_bytes(self, driver: Prompted, gauge: Gauge) -> None:
        got = hear(driver, gauge, b"level=4\n")
        assert (got.failure, got.raw) == (
            Failure.GARBAGE,
            "no frame; check baud, framing: 6c 65 76 65 6c 3d 34 0a",
        )

    def test_a_wrong_check_word_is_told(self, driver: Prompted, gauge: Gauge) -> None:
        got = hear(driver, gauge, b"\0" + stuffed(PAYLOAD + b"xx"))
        assert (got.value, got.failure) == (None, Failure.CRC)

    def test_unplugged_and_back(self, driver: Prompted, gauge: Gauge) -> None:
        assert hear(driver, gauge, b"\0" + cobs_frame()).value == -12.5
        gauge.unplug()
        with pytest.raises(DriverError):
            list(driver.read())
        with pytest.raises(DriverError, match="does not exist"):
            driver.open()
        gauge.plug()
        driver.open()
        assert hear(driver, gauge, b"\0" + cobs_frame()).value == -12.5


class TestSettings:
    @pytest.mark.parametrize(
        ("given", "words"),
        [
            (
                {**COBS, "crc": "CRC-16/MODBUSS"},
                'is called "CRC-16/MODBUSS". Write "CRC-16/MODBUS"',
            ),
            ({**COBS, "crc": "CRC-15/CAN"}, "No check word of whole bytes"),
            ({**COBS, "fields": "<hz"}, "is no format"),
            ({**COBS, "fields": "hH"}, "says no byte order"),
            ({**COBS, "fields": "<h3s", "channels": {"a": {"field": 1}}}, "which is no number"),
            ({**COBS, "channels": {"a": {"field": 2}}}, "counted from 0 to 1"),
            ({**LENGTH, "sync": "aa5"}, "is not hexadecimal"),
            ({**LENGTH, "length_more": 255}, "does not fit"),
            ({**PLAIN, "sync": "aa"}, "at any byte of garbage"),
        ],
    )
    def test_what_cannot_work_is_refused_with_the_fix(self, given: Given, words: str) -> None:
        with pytest.raises(ValidationError) as raised:
            parsed(given)
        assert words in str(raised.value)
