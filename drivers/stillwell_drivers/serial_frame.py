"""A gauge or microcontroller that sends binary frames on a serial port.

In the configuration::

    [source.gauge]
    driver = "serial_frame"
    port = "/dev/serial/by-id/usb-1a86_USB_Serial-if00-port0"
    baud = 115200
    framing = "cobs"
    crc = "CRC-16/MODBUS"
    fields = "<hH"
    [source.gauge.channels]
    level = { field = 0, scale = 0.1 }

`fields` describes a frame's payload as Python's struct does, and a channel takes the field with its
number, counted from 0. Framing is one of

- ``cobs``: consistent overhead byte stuffing, each frame ended by a zero byte; the check word, if
  any, follows the payload, inside the stuffing.
- ``length``: the bytes of `sync`, the length in the form of `length`, the payload, the check word.
  The length counts the payload, plus `length_more` for a device that counts more than that.

Frames of another length are skipped. After garbage the next whole frame counts, wherever it begins.
Only a frame that ends after `read` has begun counts: nobody knows how old the frames are that the
port has buffered.

Sources: Cheshire & Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Trans. Networking 7 (1999)
159; the names of check words are those of crccheck, from the catalogue of parametrised CRC
algorithms (reveng).
"""

from __future__ import annotations

import struct
import time
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal, NamedTuple

from pydantic import AfterValidator, BaseModel, Field, field_validator, model_validator

from stillwell.reading import Failure, Sample
from stillwell_drivers.evidence import printable
from stillwell_drivers.scaled import Scaled
from stillwell_drivers.serial_port import POLL_S, OnAPort, PortSettings

if TYPE_CHECKING:
    import serial

_CHUNK = 4096
_REST_S = 0.02
_DROPS = 64
"""The most times that the buffer is emptied before a read: the data of a device that sends without
a pause is used after that."""


def _crc_named(name: str) -> type | None:
    """Returns the check word of this name, in upper or lower case; None if there is none of whole
    bytes."""
    import crccheck.crc

    for each in crccheck.crc.ALLCRCCLASSES:
        if name.upper() in (known.upper() for known in each._names) and each._width % 8 == 0:
            found: type = each
            return found
    return None


def _is_crc(name: str) -> str:
    if _crc_named(name) is None:
        import difflib

        import crccheck.crc

        names = {known for each in crccheck.crc.ALLCRCCLASSES for known in each._names}
        near = difflib.get_close_matches(name.upper(), sorted(names), 3, 0.5)
        do = " or ".join(f'"{each}"' for each in near or ("CRC-16/MODBUS", "CRC-8/MAXIM-DOW"))
        raise ValueError(f'No check word of whole bytes is called "{name}". Write {do}.')
    return name


class FrameField(Scaled):
    """Which number of a frame a channel takes."""

    field: int = Field(ge=0)
    """Counted from 0, in the order of `fields`."""


class SerialFrameSettings(PortSettings):
    """What may stand below a source with ``driver = "serial_frame"``."""

    channels: dict[str, FrameField] = Field(min_length=1)
    framing: Literal["cobs", "length"]
    fields: str = Field(min_length=1, max_length=200)
    """The payload as Python's struct writes it: "<hH" is an int16 and a uint16, low byte first."""
    sync: str = ""
    """What a frame with a length begins with, in hexadecimal: "aa 55"."""
    length: Literal["B", "<H", ">H"] = "B"
    """The length as one byte, or two with the low ("<H") or the high one (">H") first."""
    length_more: int = Field(default=0, ge=-255, le=255)
    crc: Annotated[str, AfterValidator(_is_crc)] | None = None
    """The check word's name, as in crccheck."""
    crc_order: Literal["little", "big"] = "little"
    crc_from: Literal["sync", "length", "payload"] = "payload"
    """With which part of the frame the checked bytes begin."""

    @field_validator("fields")
    @classmethod
    def _has_numbers(cls, fields: str) -> str:
        try:
            struct.calcsize(fields)
        except struct.error:
            raise ValueError(
                f'"{fields}" is no format of Python\'s struct. Write "<" or ">" and a letter for '
                'each field, such as "<hHf": h int16, H uint16, i int32, f float32.'
            ) from None
        if fields[0] not in "<>":
            raise ValueError(
                f'"{fields}" says no byte order. Begin it with "<" (low byte first) or ">".'
            )
        return fields

    @field_validator("sync")
    @classmethod
    def _is_hexadecimal(cls, sync: str) -> str:
        try:
            bytes.fromhex(sync)
        except ValueError:
            raise ValueError(
                f'"{sync}" is not hexadecimal. Write two digits a byte, such as "aa 55".'
            ) from None
        return sync

    @model_validator(mode="after")
    def _fits_together(self) -> SerialFrameSettings:
        empty = struct.unpack(self.fields, bytes(self.size))
        for channel, at in self.channels.items():
            if at.field >= len(empty) or isinstance(empty[at.field], bytes):
                raise ValueError(
                    f"Channel {channel} takes field {at.field}, which is no number in "
                    f'"{self.fields}". Numbers there are counted from 0 to {len(empty) - 1}.'
                )
        if self.framing == "length" and not 0 <= self.size + self.length_more <= self.largest:
            raise ValueError(
                f'A length of {self.size + self.length_more} does not fit in "{self.length}". '
                "Correct `length`, `length_more` or `fields`."
            )
        if self.framing == "length" and self.crc is None and len(bytes.fromhex(self.sync)) < 2:
            raise ValueError(
                "A frame could begin at any byte of garbage. Write `crc`, or a `sync` of two bytes."
            )
        return self

    @property
    def size(self) -> int:
        """Returns the bytes of a payload."""
        return struct.calcsize(self.fields)

    @property
    def largest(self) -> int:
        """Returns the largest length that the length field can hold."""
        return int(256 ** struct.calcsize(self.length)) - 1


class Caught(NamedTuple):
    """The result of a piece of the stream."""

    payloads: list[bytes]
    damaged: int
    """Number of frames whose check word or stuffing is wrong."""


class FrameBuffer:
    """Finds frames in a stream, in bounded memory."""

    def __init__(self, settings: SerialFrameSettings) -> None:
        self._size = settings.size
        self._crc = None if settings.crc is None else _crc_named(settings.crc)
        self._crc_size = 0 if self._crc is None else self._crc._width // 8  # type: ignore[attr-defined]
        self._order = settings.crc_order
        self._piece = bytearray()
        self._in_step = False
        sync = bytes.fromhex(settings.sync)
        self._head = b""
        if settings.framing == "length":
            # All frames have one length, so everything before the payload is known.
            self._head = sync + struct.pack(settings.length, self._size + settings.length_more)
        starts = {"sync": 0, "length": len(sync), "payload": len(self._head)}
        self._checked_from = starts[settings.crc_from] if self._head else 0

    def feed(self, data: bytes) -> Caught:
        """Returns the payloads of the frames that `data` completes."""
        return self._lengths(data) if self._head else self._stuffed(data)

    def _good(self, frame: bytes) -> bool:
        if self._crc is None:
            return True
        end = len(frame) - self._crc_size
        wanted = self._crc.calcbytes(frame[self._checked_from : end], byteorder=self._order)  # type: ignore[attr-defined]
        return bool(frame[end:] == wanted)

    def _lengths(self, data: bytes) -> Caught:
        payloads: list[bytes] = []
        damaged, begin = 0, 0
        whole = len(self._head) + self._size + self._crc_size
        stream = bytes(self._piece) + data
        while (found := stream.find(self._head, begin)) >= 0 and found + whole <= len(stream):
            frame = stream[found : found + whole]
            if self._good(frame):
                payloads.append(frame[len(self._head) : len(self._head) + self._size])
                begin = found + whole
            else:
                damaged += 1
                begin = found + 1
        # What may still be the beginning of a frame is kept.
        keep = max(begin, len(stream) - len(self._head) + 1 if found < 0 else found)
        self._piece[:] = stream[keep:]
        return Caught(payloads, damaged)

    def _stuffed(self, data: bytes) -> Caught:
        from cobs import cobs

        payloads: list[bytes] = []
        damaged = 0
        # Stuffing adds a byte to each 254 begun; one more shows that a frame is too long.
        most = self._size + self._crc_size + (self._size + self._crc_size) // 254 + 2
        *ended, rest = data.split(b"\0")
        for part in ended:
            self._piece += part[: most - len(self._piece)]
            piece, in_step = bytes(self._piece), self._in_step
            self._piece.clear()
            self._in_step = True
            if not piece or not in_step or len(piece) == most:
                continue
            try:
                frame = cobs.decode(piece)
            except cobs.DecodeError:
                damaged += 1
                continue
            if len(frame) != self._size + self._crc_size:
                continue
            if self._good(frame):
                payloads.append(frame[: self._size])
            else:
                damaged += 1
        self._piece += rest[: most - len(self._piece)]
        return Caught(payloads, damaged)


class SerialFrame(OnAPort):
    """Reads frames; see the module's text."""

    Settings: ClassVar[type[BaseModel]] = SerialFrameSettings

    def __init__(self, settings: SerialFrameSettings) -> None:
        super().__init__(settings)
        self._settings = settings
        self._buffer = FrameBuffer(settings)

    def read_from(self, port: serial.Serial) -> list[Sample]:
        self._drop(port)
        return self._wait(port)

    def _drop(self, port: serial.Serial) -> None:
        """Discards what was received before this read. The kernel may have held back more, which it
        then delivers."""
        for _ in range(_DROPS):
            if not port.in_waiting:
                break
            port.reset_input_buffer()
            time.sleep(_REST_S)
        self._buffer = FrameBuffer(self._settings)

    def _wait(self, port: serial.Serial) -> list[Sample]:
        """Returns the values of the first frame."""
        damaged, last = 0, b""
        for _ in range(self._settings.polls):
            first = port.read(1)
            if not first:
                continue
            data = first + port.read(min(port.in_waiting, _CHUNK))
            last = (last + data)[-24:]
            caught = self._buffer.feed(data)
            if caught.payloads:
                return self._samples(caught.payloads[-1])
            damaged += caught.damaged
            # Bytes came at once, so the poll took no time; the rest of the frame needs some.
            time.sleep(POLL_S)
        failure, raw = Failure.SILENT, f"nothing came for {self._settings.silent_after:g} s"
        if damaged:
            failure, raw = Failure.CRC, f"{damaged} damaged frames; {last.hex(' ')}"
        elif last:
            failure, raw = Failure.GARBAGE, f"no frame; check baud, framing: {last.hex(' ')}"
        return [Sample(name, None, failure, printable(raw)) for name in self._settings.channels]

    def _samples(self, payload: bytes) -> list[Sample]:
        numbers = struct.unpack(self._settings.fields, payload)
        samples = []
        for channel, at in self._settings.channels.items():
            value = at.scaled(float(numbers[at.field]))
            failure = None if value is not None else Failure.GARBAGE
            samples.append(Sample(channel, value, failure, printable(payload.hex(" "))))
        return samples
