r"""A gauge or microcontroller that prints lines of text on a serial port.

In the configuration::

    [source.gauge]
    driver = "serial_text"
    port = "/dev/serial/by-id/usb-1a86_USB_Serial-if00-port0"
    baud = 9600
    pattern = 'level=(?P<mm>-?\d+\.\d+) mm'
    [source.gauge.channels]
    level = { group = "mm", scale = 1.0, offset = 0.0 }

Each line must match `pattern` as a whole (blanks at its ends are dropped). A channel takes the
number in its named group, times `scale`, plus `offset`. `stillwell_drivers.line_pattern` says which
patterns are allowed.

A line counts if it ends after `read` has begun, because what the port has buffered since the last
read may be old. Only if there is none, the last buffered line is taken; if the buffer had
overflowed, nobody knows how old that line is, and it is marked stale. The part of a line at the
start of the stream, and after an overflow, is discarded: "3.4" may be the end of "123.4".

Sources: the documentation of pyserial 3.5; termios(3), "Noncanonical mode".
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, NamedTuple

from pydantic import BaseModel, Field, field_validator, model_validator

from stillwell.ports import Candidate, DriverError
from stillwell.reading import Failure, Sample
from stillwell_drivers.evidence import printable
from stillwell_drivers.line_pattern import LONGEST_LINE, LinePattern
from stillwell_drivers.line_shape import shape_of
from stillwell_drivers.scaled import Scaled
from stillwell_drivers.serial_port import (
    POLL_S,
    OnAPort,
    PortSettings,
    devices,
    opened,
    shut,
    stopped,
)

if TYPE_CHECKING:
    import serial

_CHUNK = 4096
_BACKLOG_FULL = 4095
"""A terminal's line discipline buffers 4096 bytes (N_TTY_BUF_SIZE in the kernel's
drivers/tty/n_tty.c); what comes after they and the driver's own buffer are full is lost."""
_BACKLOG_READS = 64
_REST_S = 0.02
_BAUDS = (9600, 115_200)
_ENOUGH_LINES = 5
_LISTENS_S = 4.0
"""How long a device is listened to at each speed: gauges print a line every second or so."""
_ENDS = re.compile(rb"[\r\n]")


class Number(Scaled):
    """Which number of a line a channel takes."""

    group: str
    """The named group of `pattern`."""


class SerialTextSettings(PortSettings):
    """What may stand below a source with ``driver = "serial_text"``."""

    channels: dict[str, Number] = Field(min_length=1)
    pattern: str = Field(min_length=1)
    """A Python regular expression with a named group for each number; what it may be says
    `LinePattern`."""

    @field_validator("pattern")
    @classmethod
    def _compiles(cls, pattern: str) -> str:
        LinePattern(pattern)
        return pattern

    @model_validator(mode="after")
    def _groups_exist(self) -> SerialTextSettings:
        groups = LinePattern(self.pattern).groups
        for channel, where in self.channels.items():
            if where.group not in groups:
                known = ", ".join(groups) or "none"
                raise ValueError(
                    f'Channel {channel} takes group "{where.group}", which the pattern does not '
                    f"have (it has: {known}). Name it there, as in (?P<{where.group}>[0-9.]+)."
                )
        return self


class LineBuffer:
    """Makes lines of bytes, in bounded memory, from the first line end that it sees."""

    def __init__(self) -> None:
        self._piece = bytearray()
        self._in_step = False

    def lose_step(self) -> None:
        """Notes that bytes are missing: the unfinished line is worthless up to the next
        line end."""
        self._piece.clear()
        self._in_step = False

    @property
    def piece(self) -> bytes:
        """Returns the line that has not ended yet."""
        return bytes(self._piece)

    def feed(self, data: bytes) -> list[bytes]:
        """Returns the lines that `data` completes, without their ends and without empty ones; an
        overlong line is cut to `LONGEST_LINE` bytes (and then matches nothing)."""
        *ended, rest = _ENDS.split(data)
        lines: list[bytes] = []
        for part in ended:
            self._keep(part)
            if self._in_step and self._piece:
                lines.append(bytes(self._piece))
            self._piece.clear()
            self._in_step = True
        self._keep(rest)
        return lines

    def _keep(self, part: bytes) -> None:
        # One byte more than the longest line is kept, which shows that the line was too long.
        self._piece += part[: LONGEST_LINE + 1 - len(self._piece)]


class _Value(NamedTuple):
    number: float
    line: str


@dataclass(slots=True)
class _Haul:
    """The result of one read."""

    size: int = 0
    lines: int = 0
    unmatched: int = 0
    last_unmatched: str = ""
    values: dict[str, _Value] = field(default_factory=dict)
    """The latest good number of each channel."""
    damaged: dict[str, str] = field(default_factory=dict)
    """Channels for which a line matched with something that is no number, and that line."""


class SerialText(OnAPort):
    """Reads lines; see the module's text."""

    Settings: ClassVar[type[BaseModel]] = SerialTextSettings

    def __init__(self, settings: SerialTextSettings) -> None:
        super().__init__(settings)
        self._settings = settings
        self._pattern = LinePattern(settings.pattern)
        self._buffer = LineBuffer()

    @classmethod
    def find(cls, names: Path | None = None) -> Iterator[Candidate]:
        """Yields the serial devices that have a lasting name; see `FindsSensors`."""
        for port in devices(names):
            listen = partial(listened, port)
            yield Candidate(port, f"serial device {port}", source={"port": port}, listen=listen)

    def open(self) -> None:
        """Opens the port for this process alone; raises `DriverError`."""
        super().open()
        self._buffer = LineBuffer()

    def read_from(self, port: serial.Serial) -> list[Sample]:
        backlog, overflowed = self._drain(port)
        fresh = self._wait(port)
        return [
            self._sample(channel, fresh, backlog, overflowed) for channel in self._settings.channels
        ]

    def _drain(self, port: serial.Serial) -> tuple[_Haul, bool]:
        """Returns what was received before this read, and whether some of it was lost."""
        haul = _Haul()
        rested = False
        for _ in range(_BACKLOG_READS):
            waiting = port.in_waiting
            if waiting:
                self._take(port.read(min(waiting, _CHUNK)), haul)
            if haul.size < _BACKLOG_FULL:
                if not waiting:
                    break
            elif waiting < _BACKLOG_FULL:
                # The buffer was full, so the kernel may have held back more, just as old, and
                # delivers it now. Less than a full buffer after a pause is the end of it.
                if rested:
                    break
                time.sleep(_REST_S)
                rested = True
            else:
                rested = False
        overflowed = haul.size >= _BACKLOG_FULL
        if overflowed:
            self._buffer.lose_step()
        return haul, overflowed

    def _wait(self, port: serial.Serial) -> _Haul:
        """Returns what is received now, until every channel has a number or `silent_after` is
        over."""
        haul = _Haul()
        polls = self._settings.polls
        while polls > 0:
            first = port.read(1)
            polls -= 1
            if first:
                waiting = port.in_waiting
                self._take(first + port.read(min(waiting, _CHUNK)), haul)
                if waiting >= _BACKLOG_FULL:
                    self._buffer.lose_step()
            if len(haul.values) == len(self._settings.channels):
                break
            if first:
                # Bytes came at once, so the poll took no time; the rest of the line needs some.
                time.sleep(POLL_S)
        return haul

    def _take(self, data: bytes, haul: _Haul) -> None:
        haul.size += len(data)
        for line in self._buffer.feed(data):
            text = line.decode("utf-8", "backslashreplace").strip()
            if not text:
                continue
            haul.lines += 1
            groups = self._pattern.groups_of(text) if len(line) <= LONGEST_LINE else None
            if groups is None:
                haul.unmatched += 1
                haul.last_unmatched = text
                continue
            for channel, where in self._settings.channels.items():
                written = groups[where.group]
                if written is None:
                    continue  # a line about another channel
                number = where.read(written)
                if number is None:
                    haul.damaged[channel] = text
                else:
                    haul.values[channel] = _Value(number, text)

    def _sample(self, channel: str, fresh: _Haul, backlog: _Haul, overflowed: bool) -> Sample:
        for haul, stale in ((fresh, False), (backlog, overflowed)):
            if channel in haul.values:
                value = haul.values[channel]
                note = f" (+{haul.unmatched} lines that match nothing)" if haul.unmatched else ""
                return Sample(channel, value.number, None, printable(value.line, note), stale)
            if channel in haul.damaged:
                raw = printable(haul.damaged[channel], " (no sound number)")
                return Sample(channel, None, Failure.GARBAGE, raw)
        unmatched = fresh.last_unmatched or backlog.last_unmatched
        if unmatched:
            raw = printable("matches nothing; check baud, pattern: " + unmatched)
            return Sample(channel, None, Failure.GARBAGE, raw)
        if fresh.lines or backlog.lines:
            return Sample(
                channel, None, Failure.SILENT, "lines come, none with this channel's group"
            )
        if fresh.size or backlog.size:
            piece = self._buffer.piece[-40:].decode("utf-8", "backslashreplace")
            raw = printable("no line end; check baud: " + piece)
            return Sample(channel, None, Failure.GARBAGE, raw)
        raw = f"nothing came for {self._settings.silent_after:g} s"
        return Sample(channel, None, Failure.SILENT, raw)


def listened(path: str, seconds: float = _LISTENS_S) -> list[Candidate]:
    """Listens to a device at the usual speeds; returns the numbers in its lines. Raises
    `DriverError` if it prints no lines with a number."""
    for baud in _BAUDS:
        port = opened(path, baud, POLL_S)
        buffer, lines = LineBuffer(), list[bytes]()
        try:
            for _ in range(round(seconds / POLL_S)):
                lines += buffer.feed(port.read(_CHUNK))
                if len(lines) > _ENOUGH_LINES:
                    break
        except Exception as error:  # what pyserial raises for an unplugged port: see `read`
            raise stopped(path, error) from error
        finally:
            shut(port)
        # At a wrong speed hardly a line is text.
        texts = [line.decode("utf-8", "replace").strip() for line in lines]
        shape = shape_of(text for text in texts if text.isprintable() and "\ufffd" not in text)
        if shape is None:
            continue
        source = {"port": path, "baud": baud, "pattern": shape.pattern}
        return [
            Candidate(
                f"{path}#{figure.group}",
                f"{figure.group} (now {figure.latest} {figure.unit}".rstrip() + ")",
                figure.role,
                source,
                {"group": figure.group} | ({"scale": figure.scale} if figure.scale != 1.0 else {}),
            )
            for figure in shape.figures
        ]
    speeds = " and ".join(str(baud) for baud in _BAUDS)
    raise DriverError(
        f"{path} printed no line with a number within {seconds:g} s, at {speeds} baud.",
        "Look into its manual: config/ has samples for binary frames and for Modbus.",
    )
