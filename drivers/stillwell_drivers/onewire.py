"""DS18B20 temperature probes on the kernel's 1-Wire bus.

In the configuration::

    [source.probes]
    driver = "onewire"
    every = "30 s"
    [source.probes.channels]
    water-a = { probe = "28-0316a2794a1f" }
    water-b = { probe = "28-0316a27948c3", resolution = 12 }

``ls /sys/bus/w1/devices`` shows the probes' numbers. The probes need ``dtoverlay=w1-gpio`` in the
Pi's config.txt and one 4.7 kΩ resistor from data to 3.3 V.

A value comes from the nine bytes in ``w1_slave``, whose check word is computed here; the kernel's
``t=`` is not used. After a bulk conversion ``w1_slave`` returns that conversion, bytes and all, so
bulk reading loses no evidence (w1_slave_show in drivers/w1/slaves/w1_therm.c, Linux 5.8 and later;
the documentation names ``temperature`` only). ``temperature``, a bare number, is read only where
there is no ``w1_slave``.

Which conversion a value comes from is uncertain: a convert command is not acknowledged, so a lost
one can't be seen directly; the probe just returns its last conversion again.

- After a bulk conversion the kernel marks every probe as converted even if no probe was there to
  hear the command. So a bulk round in which no probe's bytes changed, and the first after `open`,
  is not believed: each probe is read once more with a conversion of its own. Only if that fails is
  the bulk frame given, marked stale.
- If another program's bulk conversion is pending and we may not start one, the first read returns
  that conversion, however old. It is discarded and the probe is read again.
- A value of one probe that stays the same for hours is judged by the flat-line test, not here.
- When the CRC fails, the second line of ``w1_slave`` repeats an earlier frame: it is never used.

Sources: Documentation/w1/slaves/w1_therm.rst and Documentation/ABI/testing/sysfs-driver-w1_therm of
the Linux kernel; Maxim DS18B20 datasheet; Maxim application note 27 (CRC).
"""

from __future__ import annotations

import errno
import logging
import math
import os
import re
import time
from collections.abc import Callable, Collection, Iterable, Iterator
from pathlib import Path
from typing import ClassVar, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from stillwell.ports import Candidate, DriverError
from stillwell.reading import Failure, Sample

_log = logging.getLogger(__name__)

_DEVICES = Path("/sys/bus/w1/devices")
_PROBE = re.compile(r"(?:22|28|3b|42)-[0-9a-f]{12}")
_FRAME = re.compile(r"\s*((?:[0-9a-f]{2}\s+){9}):\s*crc=([0-9a-f]{2})\s+(YES|NO)\b", re.IGNORECASE)
_LONGEST_RAW = 80
_LARGEST_FILE = 4096  # a sysfs attribute is at most one page

# The kernel compares with eight bytes (sizeof "trigger"), so the line end is part of the command;
# seven bytes are refused without an error.
_TRIGGER = b"trigger\n"
_STATUS_POLL_S = 0.05
_STATUS_POLLS = 40
_RESOLUTION_TRIES = 3

_CRC_TABLE = bytes(
    (
        0, 94, 188, 226, 97, 63, 221, 131, 194, 156, 126, 32, 163, 253, 31, 65,
        157, 195, 33, 127, 252, 162, 64, 30, 95, 1, 227, 189, 62, 96, 130, 220,
        35, 125, 159, 193, 66, 28, 254, 160, 225, 191, 93, 3, 128, 222, 60, 98,
        190, 224, 2, 92, 223, 129, 99, 61, 124, 34, 192, 158, 29, 67, 161, 255,
        70, 24, 250, 164, 39, 121, 155, 197, 132, 218, 56, 102, 229, 187, 89, 7,
        219, 133, 103, 57, 186, 228, 6, 88, 25, 71, 165, 251, 120, 38, 196, 154,
        101, 59, 217, 135, 4, 90, 184, 230, 167, 249, 27, 69, 198, 152, 122, 36,
        248, 166, 68, 26, 153, 199, 37, 123, 58, 100, 134, 216, 91, 5, 231, 185,
        140, 210, 48, 110, 237, 179, 81, 15, 78, 16, 242, 172, 47, 113, 147, 205,
        17, 79, 173, 243, 112, 46, 204, 146, 211, 141, 111, 49, 178, 236, 14, 80,
        175, 241, 19, 77, 206, 144, 114, 44, 109, 51, 209, 143, 12, 82, 176, 238,
        50, 108, 142, 208, 83, 13, 239, 177, 240, 174, 76, 18, 145, 207, 45, 115,
        202, 148, 118, 40, 171, 245, 23, 73, 8, 86, 180, 234, 105, 55, 213, 139,
        87, 9, 235, 181, 54, 104, 138, 212, 149, 203, 41, 119, 244, 170, 72, 22,
        233, 183, 85, 11, 136, 214, 52, 106, 43, 117, 151, 201, 74, 20, 246, 168,
        116, 42, 200, 150, 21, 75, 169, 247, 182, 232, 10, 84, 215, 137, 107, 53,
    )
)  # fmt: skip
"""CRC-8/MAXIM, x^8 + x^5 + x^4 + 1, low bit first, start 0 (Maxim application note 27)."""


def crc8(data: bytes) -> int:
    """Returns the 1-Wire check word of `data`, 0 … 255."""
    crc = 0
    for byte in data:
        crc = _CRC_TABLE[crc ^ byte]
    return crc


def celsius(scratchpad: bytes) -> float:
    """Returns the temperature in a DS18B20 scratchpad, °C in steps of 1/16, 1/8, 1/4 or 1/2.

    The register is two's complement, low byte first, in sixteenths. Below 12 bits of resolution
    (configuration byte, bits 5 and 6) the low bits are undefined and are cleared here (datasheet,
    figures 4 and 10).
    """
    register = int.from_bytes(scratchpad[:2], "little", signed=True)
    return (register & _mask(resolution(scratchpad))) / 16


def resolution(scratchpad: bytes) -> int:
    """Returns the bits of resolution in a scratchpad's configuration byte, 9 … 12."""
    return 9 + (scratchpad[4] >> 5 & 3)


def _mask(bits: int) -> int:
    return -1 << max(0, 12 - bits)


class Probe(BaseModel):
    """Where a channel finds its probe."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    probe: str
    """The probe's number as in /sys/bus/w1/devices: 28- and twelve hexadecimal digits."""
    resolution: Literal[9, 10, 11, 12] | None = None
    """Bits to set in the probe, where the kernel lets us; else it keeps its own (12 when new)."""

    @field_validator("probe")
    @classmethod
    def _is_a_probe(cls, text: str) -> str:
        number = text.strip().lower()
        if not _PROBE.fullmatch(number):
            raise ValueError(
                f'"{text}" is no DS18B20. Write its number as "ls /sys/bus/w1/devices" shows it: '
                '28- and twelve digits, as in "28-0316a2794a1f".'
            )
        return number


class OneWireSettings(BaseModel):
    """What may stand below a source with ``driver = "onewire"``."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    channels: dict[str, Probe] = Field(min_length=1)
    root: Path = _DEVICES
    """Where the kernel shows its 1-Wire devices."""
    master: str | None = Field(default=None, pattern=r"^w1_bus_master[0-9]+$")
    """The bus master that all probes of this source hang on. Only for a Pi with two 1-Wire buses:
    give each its own source, and name the master in both, so that one sick bus can't delay the
    other."""
    bulk: bool = True
    """Let all probes of a bus convert at the same time, where the kernel lets us."""

    @model_validator(mode="after")
    def _no_probe_twice(self) -> OneWireSettings:
        seen: dict[str, str] = {}
        for channel, where in self.channels.items():
            other = seen.setdefault(where.probe, channel)
            if other != channel:
                raise ValueError(
                    f"Channels {other} and {channel} have the same probe {where.probe}. "
                    "Give each channel a probe of its own."
                )
        return self


class _Frame(NamedTuple):
    """What one probe returned: a sample that is not yet known to be fresh or stale."""

    value: float | None
    failure: Failure | None
    raw: str
    scratchpad: bytes = b""
    """All nine bytes, if the CRC was right."""

    def sample(self, channel: str, stale: bool = False) -> Sample:
        return Sample(channel, self.value, self.failure, self.raw[:_LONGEST_RAW], stale)


def _devices(root: Path) -> list[str]:
    """Returns the names of the masters and their devices. Raises `DriverError` if there is no
    master."""
    do = 'Add "dtoverlay=w1-gpio" to /boot/firmware/config.txt and restart the Pi.'
    try:
        names = sorted(os.listdir(root))
    except OSError as error:
        what = f"The kernel shows no 1-Wire bus: {root} cannot be read ({error.strerror})."
        raise DriverError(what, do) from error
    if not any(name.startswith("w1_bus_master") for name in names):
        raise DriverError(f"No 1-Wire bus master in {root}.", do)
    return names


def _read_attribute(path: Path) -> bytes:
    handle = os.open(path, os.O_RDONLY)
    try:
        return os.read(handle, _LARGEST_FILE)
    finally:
        os.close(handle)


def _write_attribute(path: Path, data: bytes) -> None:
    """Writes with one call: the kernel takes each call as a whole command."""
    handle = os.open(path, os.O_WRONLY)
    try:
        os.write(handle, data)
    finally:
        os.close(handle)


def judge_w1_slave(content: bytes) -> _Frame:
    """Reads the content of ``w1_slave``: returns a value, or why there is none. Never raises."""
    if not content.strip():
        return _Frame(None, Failure.GONE, "empty read: the probe did not answer")
    text = content.decode("ascii", "backslashreplace")
    first_line = text.splitlines()[0].strip()
    found = _FRAME.match(first_line)
    if found is None:
        return _Frame(None, Failure.GARBAGE, first_line)
    frame = bytes.fromhex(found[1])
    # All nine are zero on a shorted data line, and the CRC of eight zeros is zero.
    if not any(frame):
        return _Frame(None, Failure.EMPTY_FRAME, first_line)
    # The kernel's verdict and our own must both be good: bytes damaged on their way through a file
    # would otherwise pass as YES.
    if crc8(frame[:8]) != frame[8] or int(found[2], 16) != frame[8] or found[3].upper() != "YES":
        return _Frame(None, Failure.CRC, first_line)
    value = celsius(frame)
    if _never_converted(frame):
        return _Frame(value, Failure.POWER_ON, first_line, frame)
    if not -55.0 <= value <= 125.0:  # datasheet, operating range
        return _Frame(value, Failure.GARBAGE, first_line, frame)
    return _Frame(value, None, first_line, frame)


def _never_converted(frame: bytes) -> bool:
    """Returns whether the register holds 85 °C from power-up or 127.94 °C from a supply that broke
    down during the conversion. A conversion leaves something other than 0C in byte 6 on an original
    DS18B20 (the kernel's own check: ``features`` in sysfs-driver-w1_therm); a copy may always have
    0C there, so the value is passed on and quality decides."""
    return frame[6] == 0x0C and frame[:2] in (b"\x50\x05", b"\xff\x07")


def judge_temperature(content: bytes, bits: int = 12) -> _Frame:
    """Reads the content of ``temperature`` (millidegrees), which has no check word to judge
    it by."""
    text = content.decode("ascii", "backslashreplace").strip()
    if not text:
        return _Frame(None, Failure.GONE, "empty read: the probe did not answer")
    if not re.fullmatch(r"[+-]?[0-9]{1,6}", text):
        return _Frame(None, Failure.GARBAGE, text)
    millidegrees = int(text)
    value = (math.floor(millidegrees * 16 / 1000 + 0.5) & _mask(bits)) / 16
    raw = f"temperature={text}, no CRC"
    if millidegrees in (85_000, 127_937):
        return _Frame(value, Failure.POWER_ON, raw)
    if not -55.0 <= value <= 125.0:
        return _Frame(value, Failure.GARBAGE, raw)
    return _Frame(value, None, raw)


_GONE_ERRORS = {errno.ENODEV, errno.ENOENT, errno.EIO, errno.ENXIO}


class OneWire:
    """Reads probes through sysfs; see the module's text."""

    Settings: ClassVar[type[BaseModel]] = OneWireSettings

    def __init__(self, settings: OneWireSettings) -> None:
        self._settings = settings
        self._open = False
        self._last: dict[str, bytes] = {}
        self._resolution_tries: dict[str, int] = {}
        self._begins: Callable[[str], None] = lambda channel: None
        self._channels = dict(settings.channels)

    @classmethod
    def bus(cls, settings: OneWireSettings) -> str:
        """Returns ``w1``, or ``w1/w1_bus_master2`` if the settings name the master."""
        return f"w1/{settings.master}" if settings.master else "w1"

    @classmethod
    def find(cls, root: Path = _DEVICES) -> Iterator[Candidate]:
        """Yields the probes on the bus; see `FindsSensors`."""
        probes = [name for name in _devices(root) if _PROBE.fullmatch(name)]
        if not probes:
            raise DriverError(
                "The 1-Wire bus is there, and no temperature probe is on it.",
                "Check the wiring: red to 3.3 V, black to ground, yellow to GPIO4, one 4.7 kΩ "
                "resistor between yellow and red.",
            )
        source = {} if root == _DEVICES else {"root": str(root)}
        for probe in probes:
            yield Candidate(probe, f"probe {probe}", "water", source, {"probe": probe})

    def watch_turns(self, begins: Callable[[str], None]) -> None:
        """Takes a function to call with the channel of the probe that is being read, since a probe
        can hold up a read for ever."""
        self._begins = begins

    def read_only(self, channels: Collection[str]) -> None:
        """Leaves the probes of other channels alone; see `ReadsInTurn`."""
        given = self._settings.channels
        self._channels = {name: given[name] for name in given if name in channels}

    def open(self) -> None:
        """Looks for the bus. A missing probe is no error here: `read` reports it."""
        root = self._settings.root
        masters = [name for name in _devices(root) if name.startswith("w1_bus_master")]
        wanted = self._settings.master
        if wanted is not None and wanted not in masters:
            raise DriverError(
                f"No 1-Wire bus master {wanted} in {root}; there is {', '.join(masters)}.",
                "Correct `master`, or add the second w1-gpio overlay to config.txt.",
            )
        self._last.clear()
        self._resolution_tries.clear()
        self._open = True
        for channel, where in self._channels.items():
            self._begins(channel)
            self._set_resolution(where)
        self._begins("")

    def read(self) -> Iterator[Sample]:
        """Converts and reads every probe, and yields one sample each as it comes; see
        `Driver.read`."""
        if not self._open:
            raise DriverError("The 1-Wire bus is not open.", "Open it before reading.")
        return self._read_all()

    def close(self) -> None:
        """Does nothing: nothing is held between reads."""
        self._open = False

    def _read_all(self) -> Iterator[Sample]:
        try:
            present = set(os.listdir(self._settings.root))
        except OSError as error:
            raise DriverError(
                f"The 1-Wire bus is gone: {self._settings.root} ({error.strerror}).",
                "Look whether the kernel modules w1_gpio and w1_therm are loaded; restart the Pi.",
            ) from error
        by_master: dict[Path | None, list[str]] = {}
        for channel, where in self._channels.items():
            if where.probe in present:
                by_master.setdefault(self._master_of(where.probe), []).append(channel)
            else:
                self._last.pop(channel, None)
                yield Sample(channel, None, Failure.GONE, _missing(where.probe, present))
        for master, channels in by_master.items():
            if len(channels) > 1 and master is not None and self._convert_together(master):
                yield from self._read_converted(channels)
            else:
                # A single probe gains nothing from a bulk conversion: a conversion of its own is
                # better evidence.
                pending = master is not None and _status(master) == 1
                for channel in channels:
                    if pending:
                        self._read_probe(channel)
                    yield self._read_probe(channel).sample(channel)

    def _read_converted(self, channels: list[str]) -> Iterator[Sample]:
        """Yields one sample per probe after a bulk conversion; each conversion was shown or made to
        be new."""
        before = {channel: self._last.get(channel) for channel in channels}
        frames = {channel: self._read_probe(channel) for channel in channels}
        # A probe back from a loss of supply shows other bytes without having converted: that is no
        # evidence.
        heard = any(
            frame.failure is None and before[channel] not in (None, frame.scratchpad)
            for channel, frame in frames.items()
        )
        for channel, frame in frames.items():
            if heard or frame.value is None:
                yield frame.sample(channel)
                continue
            again = self._read_probe(channel)
            if again.value is not None:
                yield again.sample(channel)
            else:
                yield frame.sample(channel, stale=True)

    def _read_probe(self, channel: str) -> _Frame:
        """Returns what the probe gives now; failures of the files are failures of the probe."""
        where = self._settings.channels[channel]
        folder = self._settings.root / where.probe
        self._begins(channel)
        try:
            try:
                frame = judge_w1_slave(_read_attribute(folder / "w1_slave"))
            except FileNotFoundError:
                frame = judge_temperature(
                    _read_attribute(folder / "temperature"), self._resolution_of(folder)
                )
        except OSError as error:
            failure = Failure.GONE if error.errno in _GONE_ERRORS else Failure.DRIVER
            name = errno.errorcode.get(error.errno or 0, "error")
            self._last.pop(channel, None)
            return _Frame(None, failure, f"{where.probe}: {name}, {error.strerror}")
        if frame.failure is Failure.GONE and _status(self._master_of(where.probe)) == -1:
            frame = _Frame(None, Failure.SILENT, "empty read: a bulk conversion does not end")
        if frame.scratchpad:
            self._last[channel] = frame.scratchpad
            if where.resolution == resolution(frame.scratchpad):
                self._resolution_tries.pop(where.probe, None)
            elif where.resolution is not None:
                # The setting is in the probe's RAM and is lost with its supply.
                self._set_resolution(where)
        else:
            self._last.pop(channel, None)
        return frame

    def _convert_together(self, master: Path) -> bool:
        """Starts a conversion on every probe of a bus and waits for its end; returns whether it was
        started.

        The kernel returns from the write when the conversion is over. The status is still read, a
        bounded number of times, because another process's conversion may be running.
        """
        if not self._settings.bulk:
            return False
        self._begins("")
        try:
            _write_attribute(master / "therm_bulk_read", _TRIGGER)
        except OSError:
            return False  # no such file before Linux 5.8, or no permission: see the udev rules
        for _ in range(_STATUS_POLLS):
            status = _status(master)
            if status != -1:
                return status == 1
            time.sleep(_STATUS_POLL_S)
        return True  # reads return nothing now, and report why

    def _master_of(self, probe: str) -> Path | None:
        """Returns the directory of the bus master of a probe (its parent among the devices)."""
        parent = (self._settings.root / probe).resolve().parent
        return parent if parent.name.startswith("w1_bus_master") else None

    @staticmethod
    def _resolution_of(folder: Path) -> int:
        try:
            bits = int(_read_attribute(folder / "resolution"))
        except (OSError, ValueError):
            return 12
        return bits if 9 <= bits <= 12 else 12

    def _set_resolution(self, where: Probe) -> None:
        """Sets the probe's resolution. A probe that does not accept it is left alone after a few
        tries, until the next `open`."""
        tries = self._resolution_tries.get(where.probe, 0)
        if where.resolution is None or tries >= _RESOLUTION_TRIES:
            return
        self._resolution_tries[where.probe] = tries + 1
        why = "the probe does not take it"
        try:
            _write_attribute(
                self._settings.root / where.probe / "resolution", b"%d\n" % where.resolution
            )
        except FileNotFoundError:
            self._resolution_tries[where.probe] = tries
            return  # not on the bus now
        except OSError as error:
            self._resolution_tries[where.probe] = _RESOLUTION_TRIES
            why = str(error.strerror)
        if self._resolution_tries[where.probe] >= _RESOLUTION_TRIES:
            _log.warning(
                "Probe %s keeps its own resolution: %d bits cannot be set (%s).",
                where.probe,
                where.resolution,
                why,
            )


def _missing(probe: str, present: Iterable[str]) -> str:
    others = sorted(name for name in present if _PROBE.fullmatch(name) and name != probe)
    return f"not on the bus; there: {' '.join(others) or 'no probe'}"[:_LONGEST_RAW]


def _status(master: Path | None) -> int | None:
    """Returns what ``therm_bulk_read`` says: -1 a bulk conversion is running, 1 one is over and not
    read by all, 0 none; None when unknown."""
    if master is None:
        return None
    try:
        return int(_read_attribute(master / "therm_bulk_read"))
    except (OSError, ValueError):
        return None
