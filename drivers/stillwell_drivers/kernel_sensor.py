"""What Linux itself measures: the sensors of its hwmon and IIO classes.

In the configuration::

    [source.air]
    driver = "kernel_sensor"
    [source.air.channels]
    room = { device = "sht3x", value = "temp1_input" }
    humidity = { device = "sht3x", value = "humidity1_input" }

`device` is the name that the kernel's driver gives the sensor, or, where two have the same name,
the path of the device under /sys: ``/sys/bus/i2c/devices/1-0044``. Both stay after a restart, which
``hwmon2`` and ``iio:device0`` do not. `value` is the name of the file that holds the number.

Units: temperatures become °C, relative humidities %RH, voltages V, distances mm; hwmon and IIO
both give thousandths of the first three, and IIO gives distances in metres. ``in_…_raw`` is added
to its ``…_offset`` and multiplied by its ``…_scale``.

Sources: Documentation/hwmon/sysfs-interface.rst and Documentation/ABI/testing/sysfs-bus-iio of the
Linux kernel.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import ClassVar, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, field_validator

from stillwell.ports import Candidate, DriverError
from stillwell.reading import Failure, Sample
from stillwell_drivers.evidence import printable
from stillwell_drivers.scaled import Scaled

_CLASSES = ("class/hwmon", "bus/iio/devices")
_VALUE = re.compile(
    r"(?:temp|humidity|in)\d+_(?:input|average)"
    r"|in_(?:temp|humidityrelative|voltage|distance)[a-z0-9_-]*_(?:input|raw)"
)
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?", re.ASCII)
_MOVES = re.compile(r"(?:.*/)?(?:hwmon|iio:device)\d+/?")
_KIND = re.compile(r"(in_[a-z]+).*")
_OF_A_BUS = re.compile(r"/(?:i2c|spi|usb)")
"""Sensors of the machine itself are on none of these."""
_ROLES = {"temp": "room", "humidity": "humidity", "distance": "distance"}
_KERNEL = Path("/sys")
_PER_MILLE, _MM_PER_M = 0.001, 1000.0
_LARGEST_FILE = 4096  # a sysfs attribute is at most one page


class KernelValue(Scaled):
    """Where a channel finds its number."""

    device: str = Field(min_length=1)
    """The sensor's name, or its path under /sys."""
    value: str
    """The file with the number: ``temp1_input``, ``in_distance_raw``."""

    @field_validator("device")
    @classmethod
    def _stays(cls, device: str) -> str:
        if _MOVES.fullmatch(device):
            raise ValueError(
                f'"{device}" may be another sensor after the next restart. Write what its file '
                '"name" holds, such as "sht3x", or the path to which its link "device" leads.'
            )
        return device

    @field_validator("value")
    @classmethod
    def _is_measured(cls, value: str) -> str:
        if not _VALUE.fullmatch(value):
            raise ValueError(
                f'"{value}" is no file of a temperature, a relative humidity, a voltage or a '
                'distance. Write its name as "ls" shows it in the sensor\'s folder, such as '
                '"temp1_input", "humidity1_input" or "in_distance_raw".'
            )
        return value


class KernelSensorSettings(BaseModel):
    """What may stand below a source with ``driver = "kernel_sensor"``."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    channels: dict[str, KernelValue] = Field(min_length=1)
    root: Path = _KERNEL
    """Where the kernel's tree is."""


class Found(NamedTuple):
    """A sensor that the kernel shows."""

    name: str
    folder: Path
    """Its folder, whose name may be another after a restart."""
    device: str
    """Its path under /sys, which stays the same after a restart."""
    values: tuple[str, ...]
    """The files with its measured values."""


def found(root: Path) -> list[Found]:
    """Returns every sensor below `root` that measures something of use here."""
    return list(_each(root))


def _each(root: Path) -> Iterator[Found]:
    for folder in (place for each in _CLASSES for place in sorted((root / each).glob("*"))):
        try:
            name = (folder / "name").read_text(encoding="utf-8", errors="replace").strip()
            values = sorted(file for file in os.listdir(folder) if _VALUE.fullmatch(file))
        except OSError:
            continue  # it has gone meanwhile
        device = folder / "device"
        path = device.resolve() if device.exists() else folder.resolve().parent
        if values:
            yield Found(name, folder, str(path), tuple(values))


class KernelSensor:
    """Reads the kernel's files; see the module's text."""

    Settings: ClassVar[type[BaseModel]] = KernelSensorSettings

    def __init__(self, settings: KernelSensorSettings) -> None:
        self._settings = settings
        self._open = False

    @classmethod
    def bus(cls, settings: KernelSensorSettings) -> str:
        """Names one bus for each set of devices: a device that hangs holds up no other source."""
        return "kernel:" + ",".join(sorted({at.device for at in settings.channels.values()}))

    @classmethod
    def find(cls, root: Path = _KERNEL) -> Iterator[Candidate]:
        """Yields what is measured by sensors that are not the machine's own; see `FindsSensors`."""
        sensors = [each for each in found(root) if _OF_A_BUS.search(each.device)]
        names = [(each.name, value) for each in sensors for value in each.values]
        source = {} if root == _KERNEL else {"root": str(root)}
        for each in sensors:
            for value in each.values:
                role = next((role for word, role in _ROLES.items() if word in value), "")
                if not role:
                    continue
                # A path where two have one name; a name survives another place on the bus.
                device = each.name if names.count((each.name, value)) == 1 else each.device
                at = {"device": device, "value": value}
                yield Candidate(device, f"{device} {value}", role, source, at)

    def open(self) -> None:
        """Checks that at least one of the sensors is there; raises `DriverError`."""
        sensors = found(self._settings.root)
        if not any(self._of(at, sensors) for at in self._settings.channels.values()):
            wanted = ", ".join(sorted({at.device for at in self._settings.channels.values()}))
            names = ", ".join(f"{each.name} ({', '.join(each.values)})" for each in sensors)
            there = f"There is: {names}." if names else "The kernel shows no sensor at all."
            raise DriverError(
                f"The kernel shows no sensor {wanted}.",
                f"Check its wiring and its dtoverlay in config.txt, or correct `device`. {there}",
            )
        self._open = True

    def read(self) -> Iterable[Sample]:
        """Reads every channel's file once."""
        if not self._open:
            raise DriverError("The sensors are not open.", "Open them before reading.")
        sensors = found(self._settings.root)
        return [
            self._sample(channel, at, self._of(at, sensors))
            for channel, at in self._settings.channels.items()
        ]

    def close(self) -> None:
        self._open = False

    @staticmethod
    def _of(at: KernelValue, sensors: Iterable[Found]) -> list[Found]:
        if at.device.startswith("/"):
            return [each for each in sensors if each.device == os.path.realpath(at.device)]
        return [each for each in sensors if each.name == at.device]

    @staticmethod
    def _sample(channel: str, at: KernelValue, sensors: list[Found]) -> Sample:
        # One device can be in both classes under one name: the file tells which is meant.
        having = [each for each in sensors if at.value in each.values]
        if not sensors:
            return Sample(channel, None, Failure.GONE, printable(f"no sensor {at.device}"))
        if not having:
            there = ", ".join(value for each in sensors for value in each.values)
            raw = printable(f"{at.device} has no {at.value}; it has {there}")
            return Sample(channel, None, Failure.GONE, raw)
        if len(having) > 1:
            paths = " or ".join(each.device for each in having)
            raw = printable(f'two of that name; write device = "{paths}"')
            return Sample(channel, None, Failure.DRIVER, raw)
        return _read(channel, at, having[0].folder)


def _read(channel: str, at: KernelValue, folder: Path) -> Sample:
    stem, _, kind = at.value.rpartition("_")
    try:
        if _text(folder / f"{stem}_fault", "0").strip() not in ("0", ""):
            return Sample(channel, None, Failure.GONE, f"{stem}_fault: the sensor is not connected")
        texts = [_text(folder / at.value)]
        if kind == "raw":
            # The file for all channels of a kind, if the channel has none of its own.
            shared = _KIND.sub(r"\1", stem)
            for word, usual in (("offset", "0"), ("scale", "1")):
                own = _text(folder / f"{stem}_{word}", "")
                texts.append(own or _text(folder / f"{shared}_{word}", usual))
    except OSError as error:
        code = errno.errorcode.get(error.errno or 0, "an error")
        raw = printable(f"{at.value}: {code} ({error.strerror})")
        return Sample(channel, None, Failure.GONE, raw)
    raw = printable(" ".join(text.strip() for text in texts))
    if not texts[0].strip():
        return Sample(channel, None, Failure.GONE, f"{at.value} is empty")
    if not all(_NUMBER.fullmatch(text.strip()) for text in texts):
        return Sample(channel, None, Failure.GARBAGE, raw)
    number, *more = (float(text) for text in texts)
    if more:
        number = (number + more[0]) * more[1]
    value = at.scaled(number * (_MM_PER_M if "distance" in at.value else _PER_MILLE))
    return Sample(channel, value, None if value is not None else Failure.GARBAGE, raw)


def _text(path: Path, usual: str | None = None) -> str:
    """Returns the file's content; `usual` if there is no such file."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except FileNotFoundError:
        if usual is None:
            raise
        return usual
    try:
        return os.read(handle, _LARGEST_FILE).decode("ascii", "backslashreplace")
    finally:
        os.close(handle)
